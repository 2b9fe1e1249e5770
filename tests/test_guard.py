"""The guard: what arrived, and when, says everything; whoever drives it."""

import json
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.guard import HOLE_S, Guard
from fenceguard.journal.records import Changed, Entry, Sensed, Start, Stop, Summary
from fenceguard.judgement.types import Decision, Inputs, Rung
from fenceguard.settings import Loaded, Settings
from tests.support.arriving import Arrived, arrivals
from tests.support.lawns import loaded
from tests.support.made import QUICK, RATE_HZ, standing, with_a_float

TICK_S = 0.1
WAIT_S = 0.12
"""The default of receiver.epoch_wait_s."""


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


def begun(lawn: Loaded, at_s: float = 0.0) -> Guard:
    guard = Guard(lawn)
    guard.start(at_s, 0.0, run="r", mode="run", source="test")
    return guard


def driven(
    lawn: Loaded, arrivals: Iterable[Arrived], ticks_s: Iterable[float] = (), end_s: float = 20.0
) -> tuple[list[Decision], list[Entry]]:
    """All decisions and entries; ticked as well at the given times, whatever is due."""
    guard, decisions, entries = begun(lawn), [], []
    ticks = sorted(ticks_s, reverse=True)
    for one in arrivals:
        while ticks and ticks[-1] <= one.at_s:
            decisions += guard.tick(ticks.pop())
            entries += guard.entries()
        if one.inputs is None:
            decisions += guard.receive(one.at_s, one.data)
        else:
            decisions += guard.sense(one.at_s, one.inputs)
    decisions += guard.tick(end_s)
    guard.stop(end_s, "over")
    return decisions, entries + guard.entries()


@given(arrivals(), st.lists(st.integers(0, 12_000), max_size=150))
def test_ticking_it_oftener_changes_nothing(
    lawn: Loaded, given: list[Arrived], ticks_ms: list[int]
) -> None:
    ticks_s = [one / 1000.0 for one in ticks_ms]
    assert driven(lawn, given, ticks_s) == driven(lawn, given)


def test_the_recording_of_that_property_reaches_full_and_loses_it(lawn: Loaded) -> None:
    data = with_a_float(9.0)
    size = len(data) // 45
    given = [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(46)]
    decisions, entries = driven(lawn, given)
    rungs = [one.rung for one in decisions]
    assert Rung.FULL in rungs
    assert Rung.BLADE_OFF in rungs[rungs.index(Rung.FULL) :]
    assert isinstance(entries[0].record, Start) and isinstance(entries[-1].record, Stop)


def test_before_anything_has_come_nothing_is_decided(lawn: Loaded) -> None:
    guard = begun(lawn)
    assert guard.decision is None
    assert guard.ticks == 0


def test_the_start_tells_by_what_is_decided_as_it_is_written_to_disk(lawn: Loaded) -> None:
    start = begun(lawn).entries()[0].record
    assert isinstance(start, Start)
    assert start.settings_file == str(lawn.settings_file)
    assert start.fence_file == str(lawn.fence_file)
    assert start.settings_hash == lawn.settings_hash
    assert start.setup_hash == lawn.setup_hash
    assert start.fence_hash == lawn.fence_hash
    assert start.rung == "halted"
    assert json.loads(json.dumps(start.settings)) == start.settings
    assert Settings.model_validate(start.settings) == lawn.settings


def epochs_at(decisions: list[Decision]) -> list[float]:
    """When each epoch was first decided on."""
    found: list[tuple[float, object]] = []
    for one in decisions:
        epoch = one.situation.epoch
        if epoch is not None and (not found or epoch is not found[-1][1]):
            found.append((one.now_s, epoch))
    return [at_s for at_s, _ in found]


def test_an_epoch_that_lacks_its_last_sentence_is_decided_on_when_it_has_waited(
    lawn: Loaded,
) -> None:
    """A GGA waits `epoch_wait_s` for the rest, not a tick more or less."""
    lines = standing(1.2).splitlines(keepends=True)
    guard = begun(lawn)
    for number in range(5):
        guard.receive(number / RATE_HZ, b"".join(lines[2 * number : 2 * number + 2]))
    assert guard.receive(1.01, lines[10])[-1].situation.epoch is not None
    heard = guard.decision
    assert heard is not None
    assert guard.due_s == pytest.approx(1.1)
    decisions = guard.tick(1.01 + WAIT_S - 0.001)
    assert {one.situation.epoch for one in decisions} == {heard.situation.epoch}
    assert guard.due_s == 1.01 + WAIT_S
    (decision,) = guard.tick(1.01 + WAIT_S)
    assert decision.now_s == 1.01 + WAIT_S
    assert decision.situation.epoch != heard.situation.epoch
    assert decision.situation.silence_s == pytest.approx(1.01 + WAIT_S - 0.8)


def test_it_is_due_at_every_tick_of_a_grid_that_begins_with_the_run(lawn: Loaded) -> None:
    guard = begun(lawn, 7.0)
    found = []
    while guard.due_s < 7.35:
        found += [one.now_s for one in guard.tick(guard.due_s)]
    assert found == pytest.approx([7.0, 7.1, 7.2, 7.3])
    assert guard.ticks == 4


def test_late_ticks_are_decided_on_as_of_when_they_were_due(lawn: Loaded) -> None:
    guard = begun(lawn)
    assert [one.now_s for one in guard.tick(0.25)] == pytest.approx([0.0, 0.1, 0.2])
    decisions = guard.receive(0.5, b"")
    assert [one.now_s for one in decisions] == pytest.approx([0.3, 0.4, 0.5])


def test_a_tick_comes_before_bytes_of_the_same_moment(lawn: Loaded) -> None:
    guard = begun(lawn)
    lines = standing(0.6)
    decisions = guard.receive(0.0, lines)
    assert decisions[0].situation.epoch is None
    assert decisions[0].now_s == decisions[1].now_s == 0.0
    assert guard.ticks == 1


def test_an_epoch_of_a_log_comes_before_a_tick_of_the_same_moment(lawn: Loaded) -> None:
    guard = begun(lawn)
    (_tag, epoch), *_ = list(guard.receiver.feed_log(standing(1.0)))
    (first,) = guard.hear(0.0, epoch)
    assert first.situation.epoch is epoch
    assert guard.ticks == 0
    assert [one.now_s for one in guard.tick(0.0)] == [0.0]


@pytest.mark.parametrize("over_s", [0.0, 1.0])
def test_a_long_hole_is_ticked_through_for_a_while_only(lawn: Loaded, over_s: float) -> None:
    guard = begun(lawn)
    hole_s = HOLE_S + over_s
    guard.tick(hole_s)
    assert guard.ticks == pytest.approx(HOLE_S / TICK_S, abs=3)
    assert guard.decision is not None
    assert guard.decision.now_s == pytest.approx(hole_s, abs=TICK_S)
    assert guard.due_s == pytest.approx(hole_s, abs=1.01 * TICK_S)


def test_a_short_hole_is_ticked_through_however_long_the_board_has_run(lawn: Loaded) -> None:
    guard = begun(lawn, 100.0 * HOLE_S)
    guard.tick(100.0 * HOLE_S + 10.05)
    assert guard.ticks == 101


def test_an_hour_asleep_costs_no_hour_of_ticks(lawn: Loaded) -> None:
    guard = begun(lawn)
    guard.tick(100.0 * HOLE_S)
    assert guard.ticks < 1.01 * HOLE_S / TICK_S
    assert guard.decision is not None and guard.decision.now_s == 100.0 * HOLE_S


def test_when_the_clock_goes_back_it_halts_and_ticks_from_there(lawn: Loaded) -> None:
    guard = begun(lawn, 50.0)
    data = standing(8.0).splitlines(keepends=True)
    for number in range(40):
        guard.receive(50.0 + number / RATE_HZ, b"".join(data[2 * number : 2 * number + 2]))
    assert guard.decision is not None and guard.decision.rung is Rung.FULL
    (decision,) = guard.tick(10.0)
    assert decision.now_s == 10.0 and decision.rung is Rung.HALTED
    assert guard.due_s == pytest.approx(10.1)


def test_inputs_are_held_over_every_step(lawn: Loaded) -> None:
    guard = begun(lawn)
    lines = standing(1.0).splitlines(keepends=True)
    down = Inputs(reset=True)
    *_, changed = guard.sense(0.05, down)
    assert changed.now_s == 0.05 and changed.situation.inputs == down
    decisions = guard.sense(0.15, down)
    for number in range(5):
        at_s = 0.17 + number / RATE_HZ
        decisions += guard.receive(at_s, b"".join(lines[2 * number : 2 * number + 2]))
    assert len(epochs_at(decisions)) == 5
    assert {one.situation.inputs for one in decisions} == {down}
    assert guard.sense(1.0, Inputs())[-1].situation.inputs == Inputs()


def test_only_a_change_of_inputs_is_written_down(lawn: Loaded) -> None:
    guard = begun(lawn)
    guard.sense(0.01, Inputs())
    for at_s in (0.2, 0.3, 0.4):
        guard.sense(at_s, Inputs(reset=True))
    guard.sense(0.5, Inputs())
    told = [one for one in guard.entries() if isinstance(one.record, Sensed)]
    assert [(one.mono_s, one.record) for one in told] == [
        (0.2, Sensed({"reset": True})),
        (0.5, Sensed({"reset": False})),
    ]


def test_an_input_is_written_down_before_what_it_changes(tmp_path: Path) -> None:
    """The boundary as well: a tick of the same moment comes before the input."""
    guard = begun(loaded(tmp_path, start="locked", **QUICK))
    guard.sense(0.0, Inputs())
    guard.entries()
    pressed = guard.sense(3 * TICK_S, Inputs(reset=True))
    assert [one.situation.inputs.reset for one in pressed] == [False] * (len(pressed) - 1) + [True]
    assert pressed[-1].why == "reset"
    assert [type(one.record) for one in guard.entries()] == [Sensed, Changed]


@pytest.mark.parametrize(("end_s", "ticks"), [(0.0, 1), (0.299, 3), (0.301, 4)])
def test_what_was_due_by_the_end_is_decided_on_before_it(
    lawn: Loaded, end_s: float, ticks: int
) -> None:
    guard = begun(lawn)
    guard.stop(end_s, "over")
    stop = guard.entries()[-1].record
    assert isinstance(stop, Stop)
    assert (stop.decisions, guard.ticks) == (ticks, ticks)


def test_the_totals_are_what_the_decisions_add_up_to(lawn: Loaded) -> None:
    """Added up anew: the time from one decision to the next belongs to the first one's rung."""
    data = with_a_float(14.0)
    size = len(data) // 70
    given = [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(71)]
    decisions, entries = driven(lawn, given)
    spent_s = {rung.word: 0.0 for rung in Rung}
    for one, after in pairwise(decisions):
        spent_s[one.rung.word] += after.now_s - one.now_s
    stop = entries[-1].record
    assert isinstance(stop, Stop)
    assert stop.time_in_rung_s == pytest.approx(spent_s, abs=0.001)
    assert len([s for s in spent_s.values() if s > 0.3]) == 4
    below_s = sum(spent for rung, spent in spent_s.items() if rung != "full")
    assert sum(stop.held_s.values()) >= below_s - 0.01
    assert stop.held_s["arming"] > 0.0 and stop.held_s["clear_time"] > 0.0
    assert stop.decisions == len(decisions)
    assert stop.epochs == 70 and stop.sentences == 140


def test_the_digest_tells_apart_what_was_decided(lawn: Loaded) -> None:
    data = with_a_float(9.0)
    size = len(data) // 45
    given = [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(46)]
    later = [*given[:30], given[30]._replace(at_s=given[30].at_s + 0.001), *given[31:]]
    digests = []
    for one in (given, given, later):
        stop = driven(lawn, one)[1][-1].record
        assert isinstance(stop, Stop)
        digests.append(stop.digest)
    assert digests[0] == digests[1] != digests[2]


def test_a_summary_comes_once_a_while(tmp_path: Path) -> None:
    journal = {"directory": "journal", "summary_s": 2.0}
    with_journal = loaded(tmp_path, journal=journal, **QUICK)
    _, entries = driven(with_journal, [], end_s=7.05)
    at_s = [one.mono_s for one in entries if isinstance(one.record, Summary)]
    assert at_s == pytest.approx([2.0, 4.0, 6.0], abs=1.01 * TICK_S)


def test_interventions_are_numbered_on_from_the_last_one(lawn: Loaded) -> None:
    guard = Guard(lawn, 8)
    guard.start(0.0, 0.0, run="r", mode="run", source="test")
    data = with_a_float(14.0)
    size = len(data) // 70
    for n in range(71):
        guard.receive(n / RATE_HZ, data[n * size : (n + 1) * size])
    start, *_ = guard.entries()
    assert isinstance(start.record, Start) and start.record.interventions == 7
    assert guard.account.interventions == 8


def test_the_changes_of_an_intervention_carry_its_number(lawn: Loaded) -> None:
    data = with_a_float(14.0)
    size = len(data) // 70
    given = [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(71)]
    _, entries = driven(lawn, given)
    changes = [one.record for one in entries if isinstance(one.record, Changed)]
    numbers = [(one.was, one.rung, one.intervention) for one in changes]
    assert numbers == [
        ("halted", "blade_off", None),
        ("blade_off", "slowed", None),
        ("slowed", "full", None),
        ("full", "blade_off", 1),
        ("blade_off", "slowed", 1),
        ("slowed", "full", 1),
        ("full", "slowed", 2),
        ("slowed", "blade_off", 2),
        ("blade_off", "halted", 2),
    ]
