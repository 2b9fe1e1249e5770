"""The story in a journal: records to runs, interventions, and what only watched.

One fold for all who tell it: the live status, the table of a replay, the audit.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from fenceguard.journal.records import (
    RUNGS,
    Acted,
    Changed,
    Entry,
    FindingTold,
    Start,
    Stop,
    Summary,
    Tells,
    Totals,
    Watched,
)

FULL = "full"


def lowest(rungs: Iterable[str]) -> str:
    """The rung that permits least."""
    return max(rungs, key=RUNGS.index)


@dataclass
class Run:
    """From a start to a stop, or to where the journal of it ends."""

    start: Start | None
    """None where the record is not there."""
    first: Entry
    last: Entry
    totals: Totals | None = None
    """The newest account of it."""
    tells: Tells | None = None
    """What its receiver was found to tell; None where that was not written."""
    reached_full: bool = False
    stop: Stop | None = None

    @property
    def held_s(self) -> dict[str, float]:
        """For how long each monitor, or wait, kept it below `full`."""
        return {} if self.totals is None else self.totals.held_s

    @property
    def lasted_s(self) -> float:
        """From its first record to its last."""
        return self.last.mono_s - self.first.mono_s


@dataclass
class Intervention:
    """One intervention and all that was written of it."""

    id: int
    run: Run
    changes: list[tuple[Entry, Changed]]
    """Every change of rung, from the one that left `full` to the one that returned to it, as far as
    their records are whole."""
    over: bool = False
    """Whether `full` was reached again."""

    @property
    def begun(self) -> tuple[Entry, Changed]:
        """The change with which it began, or the first one of which there is a record."""
        return self.changes[0]

    @property
    def ended(self) -> Entry | None:
        """The change with which it ended; None while it has not."""
        return self.changes[-1][0] if self.over else None

    @property
    def cause(self) -> FindingTold | None:
        """The finding that demanded most when it began; None where that was not recorded."""
        begun = self.begun[1]
        findings = begun.findings if begun.was == FULL else ()
        return max(findings, key=lambda one: RUNGS.index(one.rung), default=None)

    @property
    def rung(self) -> str:
        """The lowest rung that it reached, as far as that is known."""
        return lowest(rung for _, change in self.changes for rung in (change.was, change.rung))

    @property
    def duration_s(self) -> float | None:
        """How long it took, None while it has not ended."""
        return None if self.ended is None else self.ended.mono_s - self.begun[0].mono_s


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
    worst: FindingTold | None = None
    first_utc: str | None = None
    """When it first would have begun to act."""
    last_utc: str | None = None
    """When it last would have begun to act."""

    def add(self, acted: Acted) -> None:
        """What it would have done since the record before."""
        self.times += acted.times
        self.from_rungs.update(acted.from_rungs)
        self.rung = acted.rung if self.rung is None else lowest((self.rung, acted.rung))
        self.duration_s += acted.acting_s
        if self.worst is None or severity(acted.worst) > severity(self.worst):
            self.worst = acted.worst
        self.first_utc = self.first_utc or acted.first_utc
        self.last_utc = acted.last_utc or self.last_utc


def severity(finding: FindingTold) -> tuple[int, float]:
    """What makes one finding of a monitor worse than another.

    The rung demanded, then how far the value is past the limit; unknown is farthest.
    """
    value, limit = finding.value, finding.limit
    past = float("inf")
    if isinstance(value, str) or isinstance(limit, str):
        past = 0.0
    elif value is not None and limit is not None:
        past = abs(value - limit)
    return RUNGS.index(finding.rung), past


class Story:
    """Add entries, oldest first; what they tell so far can be read at any time.

    Of the interventions it keeps the last `keep`, or all; `count` is that of all of them.
    """

    def __init__(self, keep: int | None = None) -> None:
        self.runs: list[Run] = []
        self.interventions: list[Intervention] = []
        self.count = 0
        self._keep = keep
        self._watch_only: dict[str, WatchOnly] = {}

    @property
    def watch_only(self) -> list[WatchOnly]:
        """Every monitor that only watched in one of the runs, by name."""
        return [self._watch_only[monitor] for monitor in sorted(self._watch_only)]

    def add(self, entry: Entry) -> None:
        """The next record. Some between it and the one before may be missing."""
        record = entry.record
        if isinstance(record, Start):
            self.runs.append(Run(record, entry, entry))
            for monitor in _watch_only_in(record):
                self._of(monitor)
        elif not self.runs or self.runs[-1].stop is not None:
            self.runs.append(Run(None, entry, entry))
        run = self.runs[-1]
        run.last = entry
        if isinstance(record, Changed):
            self._change(run, entry, record)
        elif isinstance(record, Tells):
            run.tells = record
        elif isinstance(record, Watched):
            for acted in record.acted:
                self._of(acted.monitor).add(acted)
        elif isinstance(record, Summary | Stop):
            run.totals = record
            run.reached_full |= record.time_in_rung_s.get(FULL, 0.0) > 0.0
            if isinstance(record, Stop):
                run.stop = record

    def _change(self, run: Run, entry: Entry, change: Changed) -> None:
        run.reached_full |= FULL in (change.was, change.rung)
        if change.intervention is None:
            return
        one = self.interventions[-1] if self.interventions else None
        if one is None or one.over or one.id != change.intervention or one.run is not run:
            one = Intervention(change.intervention, run, [])
            self.interventions.append(one)
            self.count += 1
            if self._keep is not None:
                del self.interventions[: -self._keep]
        one.changes.append((entry, change))
        one.over = change.rung == FULL

    def _of(self, monitor: str) -> WatchOnly:
        return self._watch_only.setdefault(monitor, WatchOnly(monitor))


def _watch_only_in(start: Start) -> list[str]:
    limits = start.settings.get("limits", {})
    return [monitor for monitor, one in limits.items() if one.get("watch_only")]
