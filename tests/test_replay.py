"""A replay of logs: their clock, their pace, and what is done with them."""

import gzip
import math
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.errors import BadInput
from fenceguard.journal.records import Changed, Entry, Start, Stop, Tells
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Grant
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch
from fenceguard.replay import LOOKS_S, Left, Pace, RecordedClock
from fenceguard.settings import Loaded
from tests.support.lawns import loaded
from tests.support.made import BEGIN, QUICK, RATE_HZ, standing, with_a_float
from tests.support.nmea import sentence, tag
from tests.support.replayed import COUNT, replayed, written


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


DAY_S = 86400.0
UTC_S = BEGIN.timestamp()


class Hands:
    """An output that notes in order what it is asked to do."""

    def __init__(self) -> None:
        self.done: list[Grant | str] = []

    def apply(self, grant: Grant) -> None:
        self.done.append(grant)

    def beat(self) -> None:
        self.done.append("beat")

    def off(self) -> None:
        self.done.append("off")

    def close(self) -> None: ...
    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


# The clock of a log


def at(utc_s: float) -> Epoch:
    return Epoch(utc_s)


def arrivals_s(*stamps: tuple[float | None, float], begin_s: float | None = None) -> list[float]:
    clock = RecordedClock(begin_s)
    return [clock.arrival_s(tag_s, at(utc_s)) for tag_s, utc_s in stamps]


def test_without_tags_time_is_that_of_the_epochs_and_begins_with_the_first() -> None:
    stamps = [(None, UTC_S + after_s) for after_s in (5.0, 5.25, 7.0, 3600.0)]
    assert arrivals_s(*stamps) == [0.0, 0.25, 2.0, 3595.0]


def test_tags_go_before_the_epochs_own_time_and_begin_with_the_log() -> None:
    stamps = [(100.5, UTC_S), (101.0, UTC_S + 9.0), (104.0, UTC_S + 9.0)]
    assert arrivals_s(*stamps, begin_s=100.0) == [0.5, 1.0, 4.0]


@pytest.mark.parametrize("interval_s", [None, 0.25, 5.0])
@pytest.mark.parametrize("back_s", [0.0, 1.0, 1e6])
def test_time_that_stays_or_goes_back_is_one_ordinary_interval(
    interval_s: float | None, back_s: float
) -> None:
    """The last one that passed; a second before there was one."""
    begun = [] if interval_s is None else [(None, UTC_S), (None, UTC_S + interval_s)]
    last_s = begun[-1][1] if begun else UTC_S
    *_, before, after = arrivals_s(*(begun or [(None, UTC_S)]), (None, last_s - back_s))
    assert after - before == (interval_s or 1.0)


@pytest.mark.parametrize(("leap_s", "counts_s"), [(DAY_S, DAY_S), (DAY_S + 0.1, 3600.0)])
def test_a_leap_of_more_than_a_day_counts_as_an_hour(leap_s: float, counts_s: float) -> None:
    stamps = [(None, UTC_S), (None, UTC_S + 0.5), (None, UTC_S + 0.5 + leap_s)]
    assert arrivals_s(*stamps) == [0.0, 0.5, 0.5 + counts_s]


def test_a_leap_is_no_ordinary_interval() -> None:
    stamps = [0.0, 0.5, 9e6, 9e6]
    assert arrivals_s(*((None, UTC_S + one) for one in stamps)) == [0.0, 0.5, 3600.5, 3601.0]


@pytest.mark.parametrize("day", [0.0, 3.0])
def test_when_the_date_becomes_known_only_the_time_of_day_has_passed(day: float) -> None:
    """Before that, UTC is seconds since midnight."""
    stamps = [43200.0, 43200.5, UTC_S + DAY_S * day + 6.5 * 3600.0]
    assert arrivals_s(*((None, one) for one in stamps)) == pytest.approx([0.0, 0.5, 1800.0])


def test_the_earliest_time_with_a_date_is_one() -> None:
    """On both sides: after a time of day, and before a leap of days."""
    half_a_second_before = UNDATED_BEFORE_S % DAY_S + DAY_S - 0.5
    assert arrivals_s((None, half_a_second_before), (None, UNDATED_BEFORE_S)) == [0.0, 0.5]
    leap = UNDATED_BEFORE_S + 2.25 * DAY_S
    assert arrivals_s((None, UNDATED_BEFORE_S), (None, leap)) == [0.0, 3600.0]


@given(st.lists(st.floats(0.0, 4e9), max_size=20), st.none() | st.floats(0.0, 1e9))
def test_it_never_goes_back(stamps: list[float], begin_s: float | None) -> None:
    found = arrivals_s(*((None, one) for one in stamps))
    assert found == sorted(found)
    assert all(math.isfinite(one) for one in found)


# Logs


def test_what_comes_of_a_log(lawn: Loaded, log: Path) -> None:
    outcome = replayed(lawn, log)
    assert (outcome.epochs, outcome.sentences, outcome.rejected) == (COUNT, 2 * COUNT, {})
    assert outcome.duration_s == pytest.approx((COUNT - 1) / RATE_HZ)
    assert sum(outcome.time_in_rung_s.values()) == pytest.approx(outcome.duration_s)
    assert {"arming", "solution", "clear_time"} <= set(outcome.held_s)
    assert (outcome.faults, outcome.notes, outcome.again) == ([], [], [])
    rungs = [change.rung for _, change in outcome.changes]
    assert rungs == ["blade_off", "slowed", "full", "blade_off", "slowed", "full"]
    assert [one.intervention for _, one in outcome.changes] == [None] * 3 + [1] * 3
    (run,) = outcome.story.runs
    assert run.stop is not None and run.stop.reason == "end of recording"


def test_the_run_is_told_as_a_replay_of_the_log(lawn: Loaded, log: Path, tmp_path: Path) -> None:
    """Its UTC is that of the first epoch, its clock begins at 0."""
    told = written(tmp_path / "journal", lambda journal: replayed(lawn, log, journal=journal))
    first, last = told[0], told[-1]
    assert isinstance(first.record, Start) and isinstance(last.record, Stop)
    assert (first.mono_s, first.utc_s) == (0.0, UTC_S)
    assert (first.record.run, first.record.mode) == ("replay", "replay")
    assert (first.record.source, first.record.interventions) == (str(log), 0)
    assert last.mono_s == pytest.approx((COUNT - 1) / RATE_HZ)
    assert last.record.reason == "end of recording"


def test_interventions_go_on_from_those_in_the_journal(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    numbers: list[int | None] = []
    for _ in range(2):
        told = written(tmp_path / "journal", lambda journal: replayed(lawn, log, journal=journal))
        start = told[0].record
        assert isinstance(start, Start)
        numbers.append(start.interventions)
        numbers += [one.record.intervention for one in told if isinstance(one.record, Changed)]
    assert numbers == [0, *[None] * 3, *[1] * 3, 1, *[None] * 3, *[2] * 3]


def test_logs_are_one_run_and_each_has_its_share(lawn: Loaded, log: Path, tmp_path: Path) -> None:
    whole = replayed(lawn, log)
    data = log.read_bytes()
    cut = data.index(b"$GNGGA", len(data) // 2)
    first, second = tmp_path / "first.nmea", tmp_path / "second.nmea.gz"
    first.write_bytes(data[:cut])
    second.write_bytes(gzip.compress(data[cut:]))
    shares: list[float] = []
    halves = replayed(lawn, first, second, progress=shares.append)
    assert {**vars(halves), "story": None} == {**vars(whole), "story": None}
    stops = [outcome.story.runs[0].stop for outcome in (halves, whole)]
    assert stops[0] == stops[1] is not None
    assert shares == sorted(shares)
    assert 0.5 in shares and shares[-1] == 1.0
    assert any(one < 0.5 for one in shares) or len(data) < 2 << 16


def test_with_tags_it_lasts_as_long_as_they_say(lawn: Loaded, tmp_path: Path) -> None:
    """Every line 150 ms after the one before, half as long again as the epochs say.

    The last epoch is waited for, 0.12 s by default, as more might come.
    """
    lines = standing(3.0).splitlines(keepends=True)
    stamps_ms = range(1_700_000_000_000, 1_800_000_000_000, 150)
    log = tmp_path / "tagged.nmea"
    log.write_bytes(
        b"".join(tag(b"c:%d" % ms) + line for ms, line in zip(stamps_ms, lines, strict=False))
    )
    assert replayed(lawn, log).duration_s == pytest.approx(0.3 * 14 + 0.12, abs=0.001)


def test_the_lines_follow_every_decision_in_its_order(lawn: Loaded, log: Path) -> None:
    hands = Hands()
    blades: list[bool] = []
    outcome = replayed(lawn, log, output=hands)
    for one in hands.done:
        assert isinstance(one, Grant)
        if not blades or blades[-1] is not one.blade:
            blades.append(one.blade)
    assert blades == [False, True, False, True]
    (run,) = outcome.story.runs
    assert run.stop is not None and len(hands.done) == run.stop.decisions


def test_the_lines_are_moved_before_a_change_is_written_down(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    hands = Hands()
    drives: dict[str, bool] = {}

    class Noting(Journal):
        def add(self, entry: Entry) -> None:
            if isinstance(entry.record, Changed):
                last = hands.done[-1]
                assert isinstance(last, Grant)
                assert last.drive is (entry.record.rung != "halted")
                assert last.blade <= (entry.record.rung in ("full", "slowed"))
                drives[entry.record.rung] = last.slow
            super().add(entry)

    journal = Noting(tmp_path / "journal")
    replayed(lawn, log, output=hands, journal=journal)
    journal.close()
    assert drives == {"blade_off": True, "slowed": True, "full": False}


# What cannot be used of logs


def test_what_is_no_recording_is_refused_before_anything_is_done(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    hands = Hands()
    with pytest.raises(BadInput, match=r"no\.nmea: does not exist; check the name"):
        replayed(lawn, log, tmp_path / "no.nmea", output=hands)
    assert not hands.done


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no sentence in it; record what the receiver sends, as NMEA 0183"),
        (
            sentence("GNHDT,12.5,T") * 3,
            "none of its 3 sentences is a GGA with a time; record what the receiver sends, "
            "as NMEA 0183",
        ),
    ],
)
def test_logs_with_nothing_to_judge_are_named(
    lawn: Loaded, tmp_path: Path, content: bytes, said: str
) -> None:
    one, other = tmp_path / "one.nmea", tmp_path / "other.nmea"
    one.write_bytes(content)
    other.write_bytes(b"")
    with pytest.raises(BadInput) as caught:
        replayed(lawn, one)
    assert str(caught.value) == f"{one}: {said}"
    with pytest.raises(BadInput, match=f"^{one}, {other}: "):
        replayed(lawn, one, other)


def test_a_log_behind_others_that_has_no_sentence_is_told(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    noise = tmp_path / "noise.bin"
    noise.write_bytes(b"\xb5b" * 100)
    outcome = replayed(lawn, log, noise)
    assert outcome.faults == [f"{noise}: no sentence in it; leave it out, or get the right one"]
    assert outcome.epochs == COUNT
    assert replayed(lawn, noise, log).faults == []


def test_of_a_log_that_breaks_off_the_rest_is_used(lawn: Loaded, log: Path, tmp_path: Path) -> None:
    packed = tmp_path / "packed.nmea.gz"
    packed.write_bytes(gzip.compress(log.read_bytes())[:-20])
    outcome = replayed(lawn, packed)
    assert len(outcome.faults) >= 1
    assert outcome.faults[0] == f"{packed}: breaks off before its end; get the whole file"
    assert 0 < outcome.epochs <= COUNT
    after = replayed(lawn, packed, log)
    assert after.epochs > COUNT


def test_of_a_log_that_breaks_off_at_once_nothing_is_used(lawn: Loaded, tmp_path: Path) -> None:
    packed = tmp_path / "packed.nmea.gz"
    packed.write_bytes(gzip.compress(standing(1.0))[:12])
    with pytest.raises(BadInput, match="breaks off before its end"):
        replayed(lawn, packed)


def test_bytes_of_a_sentence_without_its_end_are_told(lawn: Loaded, log: Path) -> None:
    data = log.read_bytes()
    log.write_bytes(data + b"$GNGGA,0600")
    outcome = replayed(lawn, log)
    assert outcome.faults == [
        f"{log}: ends in mid-sentence; its last 11 bytes were not used. "
        "The rest was; get the whole recording if the end matters"
    ]
    assert outcome.epochs == COUNT


# Pace, and an end before the end


class Sleepless:
    """A clock that sleep moves on at once."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 77.0
        self.slept_s: list[float] = []
        monkeypatch.setattr(time, "monotonic", lambda: self.now_s)
        monkeypatch.setattr(time, "sleep", self.sleep)

    def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        self.now_s += duration_s


@pytest.fixture
def sleepless(monkeypatch: pytest.MonkeyPatch) -> Sleepless:
    return Sleepless(monkeypatch)


@pytest.mark.parametrize(("speed", "now_s", "waits_s"), [(1.0, 2.0, 2.0), (4.0, 2.0, 0.5)])
def test_the_pace_is_a_multiple_of_real_time(
    sleepless: Sleepless, speed: float, now_s: float, waits_s: float
) -> None:
    pace = Pace(speed, lambda: False)
    pace.wait_until(now_s)
    assert sleepless.now_s == pytest.approx(77.0 + waits_s)
    assert max(sleepless.slept_s) <= LOOKS_S
    before = len(sleepless.slept_s)
    pace.wait_until(now_s)
    pace.wait_until(now_s / 2.0)
    assert len(sleepless.slept_s) == before


def test_who_waits_looks_whether_it_is_to_end(sleepless: Sleepless) -> None:
    Pace(1.0, lambda: sleepless.now_s > 80.0).wait_until(1000.0)
    assert sleepless.now_s == pytest.approx(80.0, abs=2.0 * LOOKS_S)


def test_at_a_pace_each_decision_is_the_same(
    lawn: Loaded, log: Path, sleepless: Sleepless, tmp_path: Path
) -> None:
    """Each, by the digest: where an epoch and a tick lie on the same moment as well."""

    def entries(speed: float | None) -> list[Entry]:
        directory = tmp_path / f"speed {speed}"
        return written(directory, lambda to: replayed(lawn, log, journal=to, speed=speed))

    paced, plain = entries(10.0), entries(None)
    assert paced == plain
    assert sleepless.now_s > 77.0


def test_at_a_pace_the_heart_beats_at_every_tick_and_nothing_else_changes(
    lawn: Loaded, log: Path, sleepless: Sleepless
) -> None:
    """Ticks are acted on when they are due, at ten times real time here."""
    hands, plain = Hands(), replayed(lawn, log)
    assert replayed(lawn, log, output=hands, speed=10.0).changes == plain.changes
    assert sleepless.now_s == pytest.approx(77.0 + (COUNT - 1) / RATE_HZ / 10.0)
    beats = hands.done.count("beat")
    assert beats == pytest.approx((COUNT - 1) / RATE_HZ * 10.0, abs=1.0)
    for number, one in enumerate(hands.done):
        if one == "beat":
            assert isinstance(hands.done[number - 1], Grant)


def test_when_it_is_to_end_it_ends_and_moves_no_line_any_more(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    hands = Hands()
    told: list[Entry] = []

    def run(journal: Journal) -> None:
        with pytest.raises(Left):
            replayed(
                lawn,
                log,
                output=hands,
                journal=journal,
                leaving=lambda: len(hands.done) >= 25,
            )

    told += written(tmp_path / "journal", run)
    assert len(hands.done) < 30
    stop = told[-1].record
    assert isinstance(stop, Stop) and stop.reason == "asked to end"


def test_what_the_receiver_tells_is_heard_once_it_is_known(lawn: Loaded, tmp_path: Path) -> None:
    """And is the last thing known of it in the outcome."""
    log = tmp_path / "standing.nmea"
    log.write_bytes(standing(80.0))
    heard: list[Tells] = []
    outcome = replayed(lawn, log, told=heard.append)
    (tells,) = heard
    assert tells.period_s == 1.0 / RATE_HZ
    assert outcome.story.runs[-1].tells == tells
