"""Whether two tellings of a run are the same, and how the first difference is told."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fenceguard.errors import BadInput
from fenceguard.journal.records import Acted, Entry, Record, Sensed, Watched
from fenceguard.journal.write import Journal
from fenceguard.same import UNRECORDED_S, UNWRITTEN_S, Again, Kept, Proof
from tests.support import records
from tests.support.made import BEGIN
from tests.support.records import NARROW, OLD, PLACE, Told

UTC_S = BEGIN.timestamp()
SENSED = Sensed({"reset": True})
ACTED = Acted("hdop", 2, {"full": 2}, "slowed", 1.5, OLD, "first", "last")


def told(*timed: tuple[float, Record]) -> list[Entry]:
    """Between a start and a stop at 9 s."""
    inner = [Entry(at_s, UTC_S + at_s, record) for at_s, record in timed]
    stop = Entry(9.0, UTC_S + 9.0, records.stop())
    return [Entry(0.0, UTC_S, records.start()), *inner, stop]


def proof(made: list[Entry], kept: list[Entry], until_s: float = 9.0, ended: bool = True) -> Proof:
    return Proof(Again("r", made, until_s, ended), kept)


def difference(made: list[Entry], kept: list[Entry]) -> str | None:
    return proof(made, kept).difference()


def change(*findings: Any) -> Record:
    told = Told()
    told.rung = "full"
    told.begin(1, "slowed", *findings)
    return told.entries[0].record


def test_what_is_the_same_is_the_same() -> None:
    one = told((1.0, SENSED), (2.0, change(OLD)), (3.0, records.summary()))
    found = proof(one, list(one))
    assert found.difference() is None
    assert (found.run, found.records, found.later, found.decisions) == ("r", 5, 0, 50)


@pytest.mark.parametrize("apart_s", [0.0001, 0.001, 1.0])
def test_a_record_at_another_time_is_not(apart_s: float) -> None:
    """A record tells its time to 0.1 ms."""
    said = difference(told((1.0 + apart_s, SENSED)), told((1.0, SENSED)))
    assert said == (
        "at 1.000 s, 2031-03-07T06:00:01.000Z: inputs: "
        f"mono_s 1.0 became {round(1.0 + apart_s, 4)!r}"
    )
    assert difference(told((1.00002, SENSED)), told((1.0, SENSED))) is None


def test_a_record_of_another_kind_is_not() -> None:
    said = difference(told((1.0, SENSED)), told((1.0, records.summary())))
    assert said is not None
    assert said.startswith("at 1.000 s, 2031-03-07T06:00:01.000Z: summary: kind 'summary' became ")
    assert "held {'reset': True}" not in said.partition("; ")[0]


@pytest.mark.parametrize("other", [replace(OLD, value=10.3), replace(OLD, limit=9.0), NARROW])
def test_a_finding_is_compared_to_the_last_value(other: Any) -> None:
    said = difference(told((1.0, change(OLD, other))), told((1.0, change(OLD, OLD))))
    assert said is not None and "rung: findings [" in said
    assert repr(other.value) in said.partition(" became ")[2]


def test_all_that_is_not_the_same_is_told() -> None:
    here, there = records.stop("SIGTERM"), records.stop("SIGINT", epochs=6)
    made, kept = told(), told()
    made[-1], kept[-1] = (made[-1]._replace(record=one) for one in (here, there))
    said = difference(made, kept)
    assert said == (
        "at 9.000 s, 2031-03-07T06:00:09.000Z: stop: epochs 6 became 5; "
        "reason 'SIGINT' became 'SIGTERM'"
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"version": "2"},
        {"mode": "replay"},
        {"source": "x"},
        {"settings_file": "x"},
        {"setup_hash": "x"},
        {"fence_file": "x"},
        {"settings": {}},
        {"set_aside": {}},
    ],
)
def test_where_a_run_was_does_not_count(changes: dict[str, Any]) -> None:
    made, kept = told(), told()
    made[0] = made[0]._replace(record=records.start(**changes))
    assert difference(made, kept) is None
    made[0] = made[0]._replace(utc_s=0.0)
    assert difference(made, kept) is None


@pytest.mark.parametrize("name", ["run", "settings_hash", "fence_hash", "rung", "interventions"])
def test_by_what_a_run_decided_does(name: str) -> None:
    made, kept = told(), told()
    made[0] = made[0]._replace(record=records.start(**{name: "other"}))
    assert f"start: {name} " in (difference(made, kept) or "")


def test_of_what_only_watched_the_times_of_day_do_not_count() -> None:
    """They are the host's, where the receiver tells none."""
    kept = told((1.0, Watched("full", (ACTED,), PLACE)))
    later = replace(ACTED, first_utc="x", last_utc="y")
    assert difference(told((1.0, Watched("full", (later,), PLACE))), kept) is None
    oftener = replace(ACTED, times=3)
    said = difference(told((1.0, Watched("full", (oftener,), PLACE))), kept)
    assert said is not None and "watched: acted [" in said and "'times': 3" in said


def test_a_run_that_has_ended_is_compared_to_its_last_record() -> None:
    """Whatever one of the two tells beyond the other, however late, is a difference."""
    one = told((1.0, SENSED))
    more = [*one, Entry(9.5, UTC_S + 9.5, SENSED)]
    assert difference(more, one) == (
        "at 9.500 s, 2031-03-07T06:00:09.500Z: run again tells inputs, the journal nothing"
    )
    assert difference(one, more) == (
        "at 9.500 s, 2031-03-07T06:00:09.500Z: the journal tells inputs, run again nothing"
    )


def test_what_the_recording_of_a_killed_process_lacks_is_counted_not_compared() -> None:
    """The ms that is recorded last may have held more."""
    kept = told((1.0, SENSED), (8.0, SENSED))
    found = proof(kept[:2], kept, 7.9, ended=False)
    assert found.difference() is None
    assert (found.records, found.later, found.decisions) == (2, 2, 0)
    assert proof(kept[:2], kept, 8.0, ended=False).difference() is None
    assert proof(kept[:2], kept, 8.0001, ended=False).difference() == (
        "at 8.000 s, 2031-03-07T06:00:08.000Z: the journal tells inputs, run again nothing"
    )


@pytest.mark.parametrize("before_s", [0.1, UNWRITTEN_S - 0.01])
def test_what_a_killed_process_had_no_time_to_write_is_no_difference(before_s: float) -> None:
    """It writes within a second; what is missing from before that is one."""
    kept = told((1.0, SENSED))[:-1]
    last = Entry(7.0 - before_s, UTC_S, SENSED)
    assert proof([*kept, last], kept, 7.0, ended=False).difference() is None
    assert proof([*kept, last, last], kept, 7.0, ended=False).difference() is None
    early = Entry(7.0 - UNWRITTEN_S - 0.01, UTC_S, SENSED)
    assert proof([*kept, early], kept, 7.0, ended=False).difference() == (
        f"at {early.mono_s:.3f} s, 2031-03-07T06:00:00.000Z: "
        "run again tells inputs, the journal nothing"
    )


@pytest.mark.parametrize(("late_s", "said"), [(UNRECORDED_S, None), (UNRECORDED_S + 1.0, True)])
def test_a_recording_that_ends_long_before_its_journal_proves_nothing(
    late_s: float, said: bool | None
) -> None:
    kept = told((1.0, SENSED))[:-1]
    later = [*kept, Entry(2.0 + late_s, UTC_S, SENSED)]
    found = proof(kept, later, 2.0, ended=False).difference()
    assert found == (said and "the recording ends 11 s before the journal does")
    assert proof(later, later, 2.0).difference() is None


# The runs in a journal


def journal_of(directory: Path, *entries: Entry) -> Kept:
    journal = Journal(directory)
    for entry in entries:
        journal.add(entry)
    journal.close()
    assert journal.unwritten == 0
    return Kept(directory)


def test_what_is_left_of_a_run_whose_start_is_gone_belongs_to_none(tmp_path: Path) -> None:
    """As where the oldest files have gone to make room."""
    whole = told((1.0, SENSED))
    kept = journal_of(tmp_path, Entry(0.5, UTC_S, SENSED), *whole)
    found = kept.entries("0123456789ab")
    assert [one.record for one in found] == [one.record for one in whole]


def test_runs_are_kept_apart_by_their_names(tmp_path: Path) -> None:
    first, second = told((1.0, SENSED)), told((2.0, change(OLD)))
    second[0] = second[0]._replace(record=records.start(run="other"))
    kept = journal_of(tmp_path, *first, *second)
    assert [one.mono_s for one in kept.entries("0123456789ab")] == [0.0, 1.0, 9.0]
    assert [one.mono_s for one in kept.entries("other")] == [0.0, 2.0, 9.0]
    with pytest.raises(BadInput) as caught:
        kept.entries("third")
    assert str(caught.value) == (
        f"{tmp_path}: the beginning of run third is not in it; "
        "name the journal that was written with the recording"
    )
