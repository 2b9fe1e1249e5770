"""Interventions, put together from the journal's records."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from fenceguard.audit.watched import Tally, WatchOnly
from fenceguard.journal.read import Record


@dataclass
class Intervention:
    """One intervention and all that was written of it."""

    start: Record | None
    """The record of the run that it belongs to."""
    begun: Record
    changes: list[Record] = field(default_factory=list)
    """Every change of rung from the one that left `full` to the one that returned to it, as far as
    their records are whole."""
    ended: Record | None = None
    stopped: Record | None = None
    """The record with which the run stopped, where the intervention was still open."""

    @property
    def id(self) -> int:
        """Its number."""
        number: int = self.begun["id"]
        return number

    @property
    def rung(self) -> str:
        """The lowest rung that it reached."""
        order = ("full", "slowed", "blade_off", "halted", "locked")
        rungs = (self.begun["rung"], *(change["to"] for change in self.changes))
        reached: str = max(rungs, key=order.index)
        return reached

    @property
    def later_changes(self) -> list[Record]:
        """The changes after the one with which it began."""
        return [change for change in self.changes if change["seq"] > self.begun["seq"]]

    @property
    def duration_s(self) -> float | None:
        """How long it took, None while it has not ended."""
        return None if self.ended is None else self.ended["duration_s"]


@dataclass
class History:
    """What a journal tells: the span that it covers, and what was, or would have been, done."""

    first_utc: str
    last_utc: str
    runs: int
    interventions: list[Intervention]
    watch_only: list[WatchOnly] = field(default_factory=list)
    """Every monitor that only watched."""
    unreadable: int = 0
    """Lines that hold no whole record."""


def history(records: Iterable[Record | None]) -> History:
    """The history in a journal's records, oldest first; None stands for one that is not whole."""
    told = History("", "", 0, [])
    start: Record | None = None
    before: Record | None = None
    present: Intervention | None = None
    tally = Tally()
    for record in records:
        if record is None:
            told.unreadable += 1
            continue
        tally.add(record)
        kind = record["kind"]
        told.first_utc = told.first_utc or record["utc"]
        told.last_utc = record["utc"]
        if kind == "start":
            start, present = record, None
            told.runs += 1
        elif kind == "rung":
            before = record
            if present is not None and present.id == record["intervention"]:
                present.changes.append(record)
        elif kind == "intervention_begun":
            present = Intervention(start, record)
            if before is not None and before["intervention"] == present.id:
                present.changes.append(before)
            told.interventions.append(present)
        elif kind == "intervention_ended" and present is not None and present.id == record["id"]:
            present.ended, present = record, None
        elif kind == "stop" and present is not None:
            present.stopped, present = record, None
    told.watch_only = tally.told()
    return told


def seconds_between(earlier: Record, later: Record) -> float:
    """Seconds from one record to another, on the clock that never goes back."""
    passed: float = later["mono_s"] - earlier["mono_s"]
    return passed


def day_and_time(utc: str) -> str:
    """A record's UTC, for reading."""
    return datetime.fromisoformat(utc).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]
