"""The order of things in the live loop, with a clock that is set by hand.

Source, output, journal, recorder and the button are stand-ins here that note what is asked of them
and when. The real ones, with real time, ports, pins and disks, are tested in files of their own;
here it is only asked whether the loop drives them in the right order, at the right moments.
"""

import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any, cast

import pytest

from fenceguard import live
from fenceguard.guard import Guard
from fenceguard.inputs.input import Panel
from fenceguard.journal.records import Changed, Entry, Sensed, Start, Stop
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision, Inputs
from fenceguard.live import Live
from fenceguard.outputs.output import Output
from fenceguard.settings import Loaded
from fenceguard.sources.source import Source
from tests.support.lawns import loaded
from tests.support.looped import (
    BEGIN_S,
    PERMITTED,
    TICK_S,
    UTC_S,
    Bench,
    Remembers,
    mowing,
    silence,
)
from tests.support.made import QUICK, with_a_float


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), start="locked", **QUICK)


Made = Callable[..., Bench]


@pytest.fixture
def made(lawn: Loaded, monkeypatch: pytest.MonkeyPatch) -> Iterator[Made]:
    """Makes a bench, whose clock is the loop's."""

    def make(
        arriving: list[tuple[float, bytes]] | None = None, late_s: float = 0.0, **changes: Any
    ) -> Bench:
        given = lawn._replace(settings=lawn.settings.model_copy(update=changes))
        bench = Bench(given, mowing() if arriving is None else arriving, late_s)
        monkeypatch.setattr(live, "clock_s", lambda: bench.now_s)
        monkeypatch.setattr(time, "time", lambda: UTC_S + bench.now_s - BEGIN_S)
        return bench

    yield make


def a_press(passed_s: float) -> bool:
    return 1.02 < passed_s < 1.33


# What is done first


def test_the_lines_are_moved_before_anything_is_noted(made: Made) -> None:
    """When a change of rung is written or told, the last grant is that of the new rung."""
    bench = made()
    bench.pressed = a_press
    bench.run()
    grant, changes = None, 0
    for one in bench.done:
        if one.what == "applied":
            grant = one.told
        elif one.what in ("written", "told") and isinstance(one.told.record, Changed):
            changes += 1
            assert grant is not None
            permitted = PERMITTED[one.told.record.rung]
            assert (grant.drive, grant.slow) == (permitted[0], permitted[2]), one
            assert permitted[1] or not grant.blade
    assert changes == 2 * 7


def test_each_entry_is_written_and_then_told(made: Made) -> None:
    bench = made()
    bench.pressed = a_press
    bench.run()
    notes = bench.of("written", "told")
    assert [one.what for one in notes] == ["written", "told"] * (len(notes) // 2)
    assert [one.told for one in notes[::2]] == [one.told for one in notes[1::2]]
    records = [entry.record for entry in bench.entries()]
    assert isinstance(records[0], Start) and isinstance(records[-1], Stop)
    assert any(isinstance(record, Sensed) for record in records)


def test_the_heart_beats_once_a_tick_and_only_after_the_tick_was_acted_on(made: Made) -> None:
    """Else a loop that hangs while it acts would be taken for one that has acted."""
    bench = made(silence(3.05))
    bench.run()
    before = -1
    beats = [at for at, one in enumerate(bench.done) if one.what == "beat"]
    assert len(beats) == 31
    for tick, beat in enumerate(beats):
        since = bench.done[before + 1 : beat]
        applied = [one for one in since if one.what == "applied"]
        assert applied, tick
        assert applied[-1].told.valid_until_s == pytest.approx(BEGIN_S + TICK_S * tick + 0.5)
        assert not [one for one in since if one.what == "off"]
        before = beat


def test_ticks_that_come_late_are_all_acted_on_and_then_it_beats_once(made: Made) -> None:
    bench = made(silence(2.0), late_s=0.35)
    bench.run()
    loops = len(bench.of("read"))
    assert len(bench.of("beat")) == loops
    applied = [one.told.valid_until_s for one in bench.of("applied")]
    for before, after in pairwise(applied):
        assert after - before == pytest.approx(TICK_S)


# When it is done


@pytest.mark.parametrize("begin_s", [0.0, 0.0003, 0.0004999, 0.0005001, 0.0009])
def test_it_waits_until_a_tick_is_due_and_no_longer(made: Made, begin_s: float) -> None:
    """A read for each tick: no turn in vain, and none more than a ms late."""
    bench = made(silence(2.95))
    bench.now_s += begin_s
    bench.run()
    assert len(bench.of("read")) - 1 == len(bench.of("beat")) == len(bench.of("applied")) == 30
    for one in bench.of("applied"):
        due_s = one.told.valid_until_s - 0.5
        assert due_s - 0.0005 <= one.at_s + 1e-6
        assert one.at_s <= due_s + 0.001


def test_it_waits_for_an_epoch_that_lacks_its_last_sentence_no_longer_than_it_may(
    made: Made,
) -> None:
    """`epoch_wait_s` is 0.12 s by default; no tick falls on that moment."""
    lines = with_a_float(1.0).splitlines(keepends=True)
    bursts = [b"".join(lines[2 * n : 2 * n + 2]) for n in range(4)]
    arriving = [(0.051 + 0.2 * n, burst) for n, burst in enumerate(bursts)]
    bench = made([*arriving, (0.851, lines[8]), (1.5, b"\r\n")])
    bench.run()
    moments_s = [round(one.at_s - BEGIN_S, 3) for one in bench.of("applied")]
    assert [at_s for at_s in moments_s if 0.91 < at_s < 0.99] == [pytest.approx(0.971, abs=0.001)]


def test_while_ticks_are_overdue_nothing_is_waited_for(made: Made) -> None:
    """Where showing takes longer than a tick, say."""
    bench = made()
    bench.showing_s = 0.12
    bench.run()
    assert bench.waits_s[0] <= 0.001
    assert set(bench.waits_s[1:]) == {0.0}


def test_what_is_shown_is_the_newest_decision_once_a_tick(made: Made) -> None:
    bench = made()
    bench.run()
    grant, shown = None, 0
    for one in bench.done:
        if one.what == "applied":
            grant = one.told
        elif one.what == "shown":
            decision: Decision = one.told
            assert decision.grant is grant
            shown += 1
    assert shown == len(bench.of("beat")) > 80


# What is held


def test_a_button_is_looked_at_every_tick_and_held_in_between(made: Made) -> None:
    bench = made()
    bench.pressed = a_press
    bench.run()
    inputs = {"reset": True}, {"reset": False}
    sensed = [one for one in bench.entries() if isinstance(one.record, Sensed)]
    assert tuple(one.record.held for one in sensed if isinstance(one.record, Sensed)) == inputs
    assert [one.mono_s - BEGIN_S for one in sensed] == pytest.approx([1.1, 1.4], abs=0.002)
    recorded = [one.told for one in bench.of("recorded inputs")]
    assert tuple(held for _, held in recorded) == inputs
    assert [at_s for at_s, _ in recorded] == [one.mono_s for one in sensed]
    for one in bench.of("shown"):
        held = 1.095 < one.at_s - BEGIN_S < 1.395
        assert one.told.situation.inputs == Inputs(reset=held), one.at_s


def test_a_press_is_decided_and_acted_on_in_the_tick_in_which_it_is_seen(made: Made) -> None:
    bench = made()
    bench.pressed = a_press
    bench.run()
    (reset,) = [
        one
        for one in bench.entries()
        if isinstance(one.record, Changed) and one.record.why == "reset"
    ]
    assert reset.mono_s - BEGIN_S == pytest.approx(1.1, abs=0.002)


# What is recorded


def again(lawn: Loaded, bench: Bench) -> list[Entry]:
    """What a guard writes that is told what was recorded."""
    guard = Guard(lawn, bench.next_intervention)
    for one in bench.done:
        match one.what, one.told:
            case "recorded start", (at_s, header):
                guard.account.host_utc(at_s, header["utc_s"])
                guard.start(at_s, header["utc_s"], run=header["run"], mode="run", source="")
            case "recorded bytes", (at_s, data):
                guard.receive(at_s, data)
            case "recorded inputs", (at_s, held):
                guard.sense(at_s, Inputs(**held))
            case "recorded stop", (at_s, reason):
                guard.stop(at_s, reason)
    return guard.entries()


@pytest.mark.parametrize("late_s", [0.0, 0.0007, 0.0314])
def test_the_recorder_is_told_just_what_the_guard_was_told(
    made: Made, lawn: Loaded, late_s: float
) -> None:
    """A guard that is told it decides the same, by the digest of all its decisions."""
    bench = made(late_s=late_s)
    bench.pressed = a_press
    bench.run()
    here, there = bench.entries(), again(lawn, bench)
    assert [(one.mono_s, one.record) for one in here[1:-1]] == [
        (one.mono_s, one.record) for one in there[1:-1]
    ]
    stop, stopped = here[-1].record, there[-1].record
    assert isinstance(stop, Stop) and isinstance(stopped, Stop)
    assert stop.digest == stopped.digest
    assert stop == stopped
    assert stop.epochs == 45


def test_the_recording_begins_and_ends_with_the_run(made: Made, lawn: Loaded) -> None:
    bench = made()
    bench.run()
    told = [one for one in bench.done if one.what.startswith("recorded")]
    assert told[0].what == "recorded start" and told[-1].what == "recorded stop"
    at_s, header = told[0].told
    first, last = bench.entries()[0], bench.entries()[-1]
    assert isinstance(first.record, Start)
    assert (at_s, header["utc_s"]) == (first.mono_s, first.utc_s) == (BEGIN_S, UTC_S)
    assert header == {
        "run": first.record.run,
        "utc_s": UTC_S,
        "interventions": 7,
        "settings_hash": lawn.settings_hash,
        "fence_hash": lawn.fence_hash,
    }
    assert told[-1].told == (last.mono_s, "the input ended")
    assert b"".join(one.told[1] for one in told if one.what == "recorded bytes") == with_a_float(
        9.0
    )


def test_the_run_is_written_down_as_one_that_moves_lines(made: Made) -> None:
    bench = made(silence(0.5))
    bench.run()
    start = bench.entries()[0].record
    assert isinstance(start, Start)
    assert (start.mode, start.source, start.interventions) == ("run", "", 7)
    assert start.set_aside == {"file": "x", "bytes": 3}
    assert len(start.run) == 12
    other = made(silence(0.5))
    other.run()
    again = other.entries()[0].record
    assert isinstance(again, Start) and again.run != start.run


def test_the_port_is_named(made: Made, lawn: Loaded) -> None:
    receiver = lawn.settings.receiver.model_copy(update={"port": "/dev/ttyRTK"})
    bench = made(silence(0.5), receiver=receiver)
    bench.run()
    start = bench.entries()[0].record
    assert isinstance(start, Start) and start.source == "/dev/ttyRTK"


def test_utc_is_the_hosts_and_follows_it_until_the_receiver_tells_one(
    made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The host's clock is set forward by an hour in the third second."""
    bench = made(silence(6.0))
    bench.pressed = lambda passed_s: passed_s > 4.95

    def set_forward() -> None:
        monkeypatch.setattr(time, "time", lambda: UTC_S + 3600.0 + bench.now_s - BEGIN_S)

    bench.hooks = [(3.0, set_forward)]
    bench.run()
    (sensed,) = [one for one in bench.entries() if isinstance(one.record, Sensed)]
    assert sensed.utc_s == pytest.approx(UTC_S + 3605.0, abs=0.11)


# How it ends


def test_when_the_input_ends_all_lines_are_put_off_at_once(made: Made) -> None:
    bench = made(silence(2.0))
    assert bench.run() == "the input ended"
    assert [one.what for one in bench.done[-4:]] == ["off", "recorded stop", "written", "told"]
    stop = bench.entries()[-1]
    assert isinstance(stop.record, Stop) and stop.record.reason == "the input ended"
    assert stop.mono_s == BEGIN_S + 2.0


def test_what_came_last_is_still_decided_on(made: Made) -> None:
    bench = made(mowing()[:30])
    bench.run()
    stop = bench.entries()[-1].record
    assert isinstance(stop, Stop) and stop.epochs == 30


@pytest.mark.parametrize("reason", ["SIGTERM", "a person"])
def test_a_stop_ends_it_within_a_tick_and_its_reason_is_told(made: Made, reason: str) -> None:
    bench = made()
    bench.hooks = [(2.34, lambda: bench.loop.stop(reason))]
    assert bench.run() == reason
    stop = bench.entries()[-1]
    assert isinstance(stop.record, Stop) and stop.record.reason == reason
    assert bench.of("recorded stop")[-1].told == (stop.mono_s, reason)
    assert 2.34 <= stop.mono_s - BEGIN_S <= 2.34 + TICK_S
    assert [one.what for one in bench.done[-4:]] == ["off", "recorded stop", "written", "told"]


def test_a_stop_before_the_first_tick_is_one_as_well(made: Made) -> None:
    bench = made()
    bench.loop.stop("at once")
    assert bench.run() == "at once"
    assert not bench.of("read")
    assert bench.of("off")


@pytest.mark.parametrize(
    "part", ["read", "applied", "beat", "shown", "written", "told", "recorded bytes"]
)
@pytest.mark.parametrize("error", [OSError("gone"), KeyboardInterrupt()])
def test_whatever_raises_the_lines_are_put_off_first_and_the_failure_is_told(
    made: Made, part: str, error: BaseException
) -> None:
    bench = made()

    def fail() -> None:
        bench.breaks[part] = error

    bench.hooks = [(2.0, fail)]
    bench.pressed = lambda passed_s: passed_s > 2.05
    with pytest.raises(type(error)):
        bench.run()
    whats = [one.what for one in bench.done]
    assert whats.count("off") == 1
    assert "applied" not in whats[whats.index("off") :]
    assert bench.of("recorded stop")[-1].told[1] == "failed"
    if part not in ("written", "told"):
        stop = bench.entries()[-1].record
        assert isinstance(stop, Stop) and stop.reason == "failed"


@pytest.mark.parametrize("part", ["recorded start", "written", "told"])
def test_a_start_that_fails_puts_the_lines_off_too(made: Made, part: str) -> None:
    bench = made()
    bench.breaks[part] = OSError("gone")
    with pytest.raises(OSError, match="gone"):
        bench.run()
    assert bench.of("off")
    assert not bench.of("read")


def test_a_line_that_cannot_be_put_off_is_raised_and_the_end_is_written_all_the_same(
    made: Made,
) -> None:
    bench = made(silence(1.0))
    bench.breaks["off"] = OSError("the pin is gone")
    with pytest.raises(OSError, match="the pin is gone"):
        bench.run()
    stop = bench.entries()[-1].record
    assert isinstance(stop, Stop) and stop.reason == "the input ended"
    assert bench.of("recorded stop")


@pytest.mark.parametrize("panel", [True, False])
def test_without_a_recorder_and_a_panel_it_decides_the_same(
    made: Made, lawn: Loaded, panel: bool
) -> None:
    bench = made()
    bench.pressed = a_press if panel else bench.pressed
    bench.run()
    bare = made()
    bare.pressed = bench.pressed
    bare.loop = Live(
        lawn,
        cast(Source, bare),
        cast(Output, bare),
        cast(Journal, Remembers(bare)),
        told=lambda entry: bare.note("told", entry),
        shown=bare.show,
        panel=Panel(bare) if panel else None,
    )
    bare.run()
    assert not [one for one in bare.done if one.what.startswith("recorded")]
    stops = [one.entries()[-1].record for one in (bench, bare)]
    assert stops[0] == stops[1]


def test_the_clock_goes_on_while_the_board_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux, clock_gettime(2): CLOCK_BOOTTIME counts the time suspended, CLOCK_MONOTONIC not."""
    asked: list[int] = []

    def gettime(clock: int) -> float:
        asked.append(clock)
        return 12.5

    monkeypatch.setattr(time, "clock_gettime", gettime)
    assert live.clock_s() == 12.5
    assert asked == [time.CLOCK_BOOTTIME]
