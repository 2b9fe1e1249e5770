"""What monitors that only watched would have done, put together from the journal's records."""

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from fenceguard.account import severity
from fenceguard.journal.read import Record
from fenceguard.judgement.types import Rung

Finding = dict[str, Any]


@dataclass
class WatchOnly:
    """A monitor set to `watch_only`, and what it would have done.

    It would have acted while it demanded a rung below the one that the mower stood on. For how long
    it would have acted is how long it demanded so, without the clear times on the way up.
    """

    monitor: str
    times: int = 0
    """How often it would have acted."""
    from_rungs: Counter[str] = field(default_factory=Counter)
    """From which rung, and how often from each."""
    rung: str | None = None
    """The lowest rung that it would have demanded then."""
    duration_s: float = 0.0
    worst: Finding | None = None
    first_utc: str | None = None
    """When it first would have begun to act."""
    last_utc: str | None = None
    """When it last would have begun to act."""


class Tally:
    """Adds up, record by record, oldest first."""

    def __init__(self) -> None:
        self._told: dict[str, WatchOnly] = {}
        self._watched: Record | None = None
        self._last: Record | None = None

    def add(self, record: Record) -> None:
        """The next record."""
        if record["kind"] == "start":
            self._leave()
            for monitor in _watch_only(record):
                self._of(monitor)
        elif record["kind"] == "watched":
            self._until(record)
            self._from(record)
        self._last = record

    def told(self) -> list[WatchOnly]:
        """Every monitor that only watched in one of the runs, by name."""
        self._leave()
        return [self._told[monitor] for monitor in sorted(self._told)]

    def _of(self, monitor: str) -> WatchOnly:
        return self._told.setdefault(monitor, WatchOnly(monitor))

    def _leave(self) -> None:
        """No further record of a run is there."""
        if self._last is not None:
            self._until(self._last)
        self._watched = None

    def _until(self, record: Record) -> None:
        """What the monitors demanded, they demanded until this record."""
        if self._watched is None or record is self._watched:
            return
        worst = {finding["monitor"]: finding for finding in record.get("worst", [])}
        for monitor, finding in _acting(self._watched).items():
            one = self._of(monitor)
            one.duration_s += record["mono_s"] - self._watched["mono_s"]
            _note(one, worst.get(monitor, finding))

    def _from(self, record: Record) -> None:
        """What they demand from this record on."""
        before = {} if self._watched is None else _acting(self._watched)
        for monitor, finding in _acting(record).items():
            one = self._of(monitor)
            _note(one, finding)
            if monitor not in before:
                one.times += 1
                one.from_rungs[record["rung"]] += 1
                one.first_utc = one.first_utc or record["utc"]
                one.last_utc = record["utc"]
        self._watched = record


def _watch_only(start: Record) -> list[str]:
    limits = start["settings"]["limits"]
    return [monitor for monitor, one in limits.items() if one.get("watch_only")]


def _acting(watched: Record) -> dict[str, Finding]:
    """The findings that would have taken something away, by monitor."""
    stood = Rung[watched["rung"].upper()]
    return {
        finding["monitor"]: finding
        for finding in watched["findings"]
        if Rung[finding["rung"].upper()] > stood
    }


def _note(one: WatchOnly, finding: Finding) -> None:
    if one.worst is None or severity(finding) > severity(one.worst):
        one.worst = finding
        one.rung = finding["rung"]
