"""The live loop, moment by moment, with a real journal and a real recording."""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.journal.records import Changed, Entry, Sensed, Start, Stop
from fenceguard.judgement.types import Decision, Grant, Inputs, Rung
from fenceguard.live import Live
from fenceguard.recording.events import RESOLUTION_S
from fenceguard.recording.read import Arrived, Started, Stopped
from fenceguard.settings import Loaded
from tests.support.lawns import loaded
from tests.support.loop import BEGIN_S, Came, Noted, Ran, World, ran
from tests.support.made import BEGIN, QUICK, RATE_HZ, standing, with_a_float

TICK_S = 0.1
WAIT_S = 0.12
"""The default of receiver.epoch_wait_s."""
NOW_S = 2.0 * RESOLUTION_S
"""By this much later than due counts as at once."""


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


def epochs(count: int) -> list[Came]:
    """GGA and RMC together, 5 times a second, between the ticks."""
    lines = standing(count / RATE_HZ).splitlines(keepends=True)
    return [
        Came(0.05 + number / RATE_HZ, b"".join(lines[2 * number : 2 * number + 2]))
        for number in range(count)
    ]


def epochs_with_a_float() -> list[Came]:
    """Up to full, down by a float, and up again."""
    lines = with_a_float(10.0).splitlines(keepends=True)
    return [
        Came(0.05 + number / RATE_HZ, b"".join(lines[2 * number : 2 * number + 2]))
        for number in range(50)
    ]


@st.composite
def arriving(draw: st.DrawFn) -> list[Came]:
    """A recording with a float in it, cut anywhere, and now and then so late that ticks are due."""
    data = with_a_float(9.0)
    cuts = draw(st.lists(st.integers(0, len(data)), min_size=20, max_size=80))
    found: list[Came] = []
    begin = 0
    for end in [*sorted(cuts), len(data)]:
        late = draw(st.integers(0, 9)) == 0
        at_s = 9.0 * end / len(data) + (draw(st.floats(0.0, 0.7)) if late else 0.0)
        if data[begin:end]:
            found.append(Came(at_s, data[begin:end], late))
        begin = end
    return found


HELD = st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(0.0, 2.0)), max_size=3).map(
    lambda spans: [(begin_s, begin_s + for_s) for begin_s, for_s in spans]
)


def check(run: Ran) -> list[Decision]:
    """All that holds of every run; its decisions, as its recording tells them."""
    world = run.world
    decisions, again = run.again()
    acted_on(world, decisions)
    told = world.all("told")
    assert told == world.all("journal")
    assert [(one.mono_s, one.record) for one in told[1:]] == [
        (one.mono_s, one.record) for one in again[1:]
    ]
    assert [one.record for one in run.journal] == [one.record for one in told]
    stop = told[-1].record
    assert isinstance(stop, Stop) and stop.decisions == len(decisions)
    lines_first(world.done)
    beats_last(world)
    return decisions


def acted_on(world: World, decisions: Sequence[Decision]) -> None:
    """The lines follow the newest decision of each round, in their order."""
    grants, applied = [one.grant for one in decisions], world.all("apply")
    rest = iter(grants)
    assert all(one in rest for one in applied), "in their order"
    assert applied[-1:] == grants[-1:]
    for done in world.rounds():
        moved = [one for one in done if one.what == "apply"]
        for one in moved[-1:]:
            # Which of those within a ms came first, the clock does not tell.
            before_s = [each.now_s for each in decisions if each.now_s <= one.at_s - RESOLUTION_S]
            assert one.told in {
                each.grant for each in decisions if each.now_s >= max(before_s, default=0.0)
            }


def lines_first(done: Sequence[Noted]) -> None:
    """All lines move by a decision before anything of it is told, written down or recorded."""
    for before, after in pairwise(done):
        if after.what == "apply" and before.what in {"told", "journal", "arrived", "inputs"}:
            raise AssertionError(f"{before} came before {after}")


def beats_last(world: World) -> None:
    """At most one a round, after the lines have moved by what the round decided at first."""
    for done in world.rounds():
        what = [one.what for one in done]
        assert what.count("beat") == what.count("look") == what.count("shown") <= 1
        if "beat" in what:
            beat = what.index("beat")
            assert "apply" in what[:beat], "it shows that a decision was acted on"
            assert what.index("look") > beat
            assert "arrived" not in what[beat:]


@settings(max_examples=40, deadline=None)
@given(arriving(), HELD)
def test_what_was_recorded_gives_the_same_again(
    lawn: Loaded, came: list[Came], held_s: list[tuple[float, float]]
) -> None:
    """Every decision and record, whatever comes when, late or not, with presses between."""
    run = ran(lawn, came, 11.0, held_s)
    assert run.reason == "the input ended"
    check(run)


def test_it_acts_on_each_decision_at_once(lawn: Loaded) -> None:
    run = ran(lawn, epochs_with_a_float(), 10.1, [(3.0, 3.5)])
    decisions = check(run)
    applied = [one.at_s for one in run.world.done if one.what == "apply"]
    for at_s, decision in zip(applied, decisions, strict=True):
        assert decision.now_s - RESOLUTION_S <= at_s <= decision.now_s + NOW_S
    rungs = [one.rung for one in decisions]
    assert Rung.BLADE_OFF in rungs[rungs.index(Rung.FULL) :]


def test_a_change_is_written_down_once_the_lines_have_moved(lawn: Loaded) -> None:
    """By that very change."""
    run = ran(lawn, epochs_with_a_float(), 10.1)
    decisions = check(run)
    done = run.world.done
    applied = [number for number, one in enumerate(done) if one.what == "apply"]
    moved = [at for at, one in zip(applied, decisions, strict=True) if one.rung is not one.was]
    for what in ("told", "journal"):
        noted = [
            number
            for number, one in enumerate(done)
            if one.what == what and isinstance(one.told.record, Changed)
        ]
        assert len(noted) == len(moved) >= 4
        assert all(at < number < at + 4 for at, number in zip(moved, noted, strict=True))


def test_it_waits_for_no_tick_where_an_epoch_is_due_before_it(lawn: Loaded) -> None:
    """A GGA whose RMC does not come is decided on when it has waited."""
    *before, last = epochs(6)
    gga = last.data.splitlines(keepends=True)[0]
    run = ran(lawn, [*before, Came(1.01, gga)], 1.12)
    check(run)
    due_s = BEGIN_S + 1.01 + WAIT_S
    applied = [one.at_s for one in run.world.done if one.what == "apply"]
    assert applied[-2:] == pytest.approx([BEGIN_S + 1.1, due_s], abs=NOW_S)
    shown = run.world.all("shown")[-1]
    assert shown.situation.epoch.utc_s == pytest.approx(BEGIN.timestamp() + 0.8)
    stop = run.journal[-1].record
    assert isinstance(stop, Stop) and stop.epochs == 6


def test_it_sleeps_until_something_is_due(lawn: Loaded) -> None:
    run = ran(lawn, [], 2.0)
    check(run)
    waits_s = run.world.waits_s
    assert waits_s[1:] == pytest.approx([TICK_S] * len(waits_s[1:]), abs=NOW_S)
    assert len(waits_s) <= 2.0 / TICK_S + 3


def test_a_hang_is_made_up_for_tick_by_tick(lawn: Loaded) -> None:
    """All is off at once, then the lines go where the newest of the missed decisions puts them."""
    *_, late = epochs(40)
    run = ran(lawn, [*epochs(30), late._replace(late=True)], 9.0)
    decisions = check(run)
    hung = max(run.world.rounds(), key=len)
    what = [one.what for one in hung]
    assert what.count("apply") == what.count("beat") == what.count("off") == 1
    assert what.index("read") < what.index("off") < what.index("apply") < what.index("beat")
    (grant,) = [one.told for one in hung if one.what == "apply"]
    assert not grant.drive
    rungs = [one.rung for one in decisions if one.now_s > BEGIN_S + 5.9]
    assert rungs[0] is Rung.FULL and Rung.HALTED in rungs


@pytest.mark.parametrize(("late_s", "off"), [(0.9, 0), (1.2, 1)])
def test_only_a_loop_that_comes_much_too_late_puts_all_off(
    lawn: Loaded, late_s: float, off: int
) -> None:
    *_, last = epochs(31)
    came = [*epochs(30), last._replace(at_s=5.8 + late_s, late=True)]
    run = ran(lawn, came, 5.85 + late_s)
    check(run)
    rounds = run.world.rounds()[:-1]
    assert sum(one.what == "off" for done in rounds for one in done) == off


@pytest.mark.parametrize("count", [0, 10])
def test_the_heartbeat_turns_once_a_tick(lawn: Loaded, count: int) -> None:
    """Where nothing comes, and where epochs come between the ticks."""
    run = ran(lawn, epochs(count), 1.95)
    check(run)
    beats = [one.at_s - BEGIN_S for one in run.world.done if one.what == "beat"]
    assert beats == pytest.approx([n * TICK_S for n in range(len(beats))], abs=NOW_S)
    assert len(beats) in (20, 21)


class Broken(Exception):
    """A line cannot be moved."""


def test_where_a_decision_cannot_be_acted_on_the_heart_stops(lawn: Loaded) -> None:
    """All off, and no beat and no look any more; but the end is written down."""

    def break_it(world: World, _live: Live) -> None:
        def apply(grant: Grant) -> None:
            was_on = any(one.blade for one in world.all("apply"))
            world.note("apply", grant)
            if was_on and not grant.blade:
                raise Broken("blade")

        world.apply = apply  # type: ignore[method-assign]

    run = ran(lawn, epochs_with_a_float(), 12.0, prepare=break_it)
    assert isinstance(run.reason, Broken)
    what = [one.what for one in run.world.done]
    failed = len(what) - what[::-1].index("apply") - 1
    assert what[failed + 1] == "off"
    assert not {"beat", "look", "shown"} & set(what[failed:])
    stop = run.journal[-1].record
    assert isinstance(stop, Stop) and (stop.reason, stop.rung) == ("failed", "blade_off")
    assert isinstance(run.recording[-1], Stopped)


def test_an_output_that_does_not_go_off_is_raised_and_the_end_is_written_down(
    lawn: Loaded,
) -> None:
    def break_it(world: World, _live: Live) -> None:
        def off() -> None:
            raise Broken("off")

        world.off = off  # type: ignore[method-assign]

    run = ran(lawn, epochs(3), 1.0, prepare=break_it)
    assert isinstance(run.reason, Broken)
    assert isinstance(run.journal[-1].record, Stop)
    assert isinstance(run.recording[-1], Stopped)


@pytest.mark.parametrize("error", [RuntimeError("no luck"), KeyboardInterrupt(), SystemExit(3)])
def test_whatever_the_source_raises_puts_all_off(lawn: Loaded, error: BaseException) -> None:
    def break_it(world: World, _live: Live) -> None:
        world.failing = error

    run = ran(lawn, [], 1.0, prepare=break_it)
    assert run.reason is error
    done = [one.what for one in run.world.done if one.what not in {"told", "journal"}]
    assert done == ["read", "off"]
    stop = run.journal[-1].record
    assert isinstance(stop, Stop) and stop.reason == "failed"
    assert run.journal[-1].utc_s >= run.journal[0].utc_s > 1.7e9, "by the host's clock"


def test_off_comes_before_the_end_is_written_down(lawn: Loaded) -> None:
    run = ran(lawn, epochs(3), 1.0)
    assert run.world.all("off") == [None]
    after = run.world.done[[one.what for one in run.world.done].index("off") + 1 :]
    assert {one.what for one in after} == {"told", "journal"}
    assert isinstance(after[-1].told.record, Stop)
    before = run.world.done[: -len(after)]
    assert not any(isinstance(getattr(one.told, "record", None), Stop) for one in before)


def test_a_stop_ends_it_before_it_reads_again(lawn: Loaded) -> None:
    def stop_it(world: World, live: Live) -> None:
        read = world.read

        def stopping(timeout_s: float) -> bytes:
            data = read(timeout_s)
            if data:
                live.stop("enough for today")
            return data

        world.read = stopping  # type: ignore[method-assign]

    run = ran(lawn, epochs(5), 9.0, prepare=stop_it)
    assert run.reason == "enough for today"
    check(run)
    assert len(run.world.all("arrived")) == 1
    stop, stopped = run.journal[-1].record, run.recording[-1]
    assert isinstance(stop, Stop) and stop.reason == "enough for today"
    assert isinstance(stopped, Stopped) and stopped.reason == "enough for today"


# Inputs


def test_inputs_are_looked_at_once_a_tick_and_held_meanwhile(lawn: Loaded) -> None:
    run = ran(lawn, epochs(10), 2.0, [(0.52, 0.93), (1.21, 1.25)])
    decisions = check(run)
    sensed = [one for one in run.journal if isinstance(one.record, Sensed)]
    assert [one.record for one in sensed] == [Sensed({"reset": True}), Sensed({"reset": False})]
    assert [one.mono_s - BEGIN_S for one in sensed] == pytest.approx([0.6, 1.0], abs=NOW_S)
    down = [one.now_s - BEGIN_S for one in decisions if one.situation.inputs == Inputs(reset=True)]
    assert (down[0], down[-1]) == pytest.approx((0.6, 1.0), abs=NOW_S)
    between = [one for one in decisions if 0.61 < one.now_s - BEGIN_S < 0.99]
    assert len(between) >= 3 + 2
    assert {one.situation.inputs for one in between} == {Inputs(reset=True)}


def test_a_press_gets_a_locked_mower_going(tmp_path_factory: pytest.TempPathFactory) -> None:
    locked = loaded(tmp_path_factory.mktemp("locked"), start="locked", **QUICK)
    decisions = check(ran(locked, epochs(40), 9.0, [(3.05, 3.35)]))
    first = next(one for one in decisions if one.rung is not Rung.LOCKED)
    assert (first.why, first.rung) == ("reset", Rung.HALTED)
    assert 3.1 - NOW_S <= first.now_s - BEGIN_S <= 3.4 + NOW_S
    unpressed = check(ran(locked, epochs(40), 9.0))
    assert {one.rung for one in unpressed} == {Rung.LOCKED}


# What is written down


def test_every_byte_is_recorded_at_the_time_that_the_guard_was_told(lawn: Loaded) -> None:
    came = epochs_with_a_float()
    run = ran(lawn, came, 12.0)
    check(run)
    recorded = [event for event in run.recording if isinstance(event, Arrived)]
    assert [event.data for event in recorded] == [one.data for one in came]
    assert [event.at_s - BEGIN_S for event in recorded] == pytest.approx(
        [one.at_s for one in came], abs=NOW_S
    )
    assert run.world.all("arrived") == [(event.at_s, event.data) for event in recorded]


def test_recording_and_journal_name_the_same_run(lawn: Loaded) -> None:
    run = ran(lawn, epochs(3), 1.0)
    started, begun = run.recording[0], run.journal[0]
    start = begun.record
    assert isinstance(started, Started) and isinstance(start, Start)
    assert started.header == {
        "run": start.run,
        "utc_s": pytest.approx(begun.utc_s, abs=0.001),
        "interventions": start.interventions,
        "settings_hash": lawn.settings_hash,
        "fence_hash": lawn.fence_hash,
    }
    assert (started.at_s, begun.mono_s) == (BEGIN_S, BEGIN_S)
    assert (start.mode, start.interventions) == ("run", 0)
    another = ran(lawn, [], 0.2).journal[0].record
    assert isinstance(another, Start) and another.run != start.run


def test_entries_tell_the_time_of_day_of_the_host_until_the_receiver_tells_it(
    lawn: Loaded, monkeypatch: pytest.MonkeyPatch
) -> None:
    host_s = 2.1e9
    monkeypatch.setattr("time.time", lambda: host_s)

    def told(came: Sequence[Came]) -> list[Entry]:
        return [
            one
            for one in ran(lawn, came, 2.0, [(1.35, 1.9)]).journal
            if isinstance(one.record, Start | Sensed)
        ]

    begun, pressed, _ = told([])
    assert (begun.utc_s, pressed.utc_s) == pytest.approx((host_s, host_s + TICK_S), abs=NOW_S)
    begun, pressed, _ = told(epochs(10))
    assert begun.utc_s == host_s
    heard_s = 1.4 - 0.05
    assert pressed.utc_s == pytest.approx(BEGIN.timestamp() + heard_s, abs=NOW_S)
