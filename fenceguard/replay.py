"""A replay: the guard, fed from recordings, as fast or as slowly as wanted."""

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from fenceguard.errors import BadInput
from fenceguard.guard import Guard
from fenceguard.journal.records import Changed, Entry
from fenceguard.journal.story import Story
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision
from fenceguard.outputs.lines import Lines
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch
from fenceguard.recording import files
from fenceguard.settings import Loaded

DAY_S = 86400.0
LONGEST_GAP_S = DAY_S
"""A longer step of the receiver's time may be a stepped clock."""
LEAP_COUNTS_S = 3600.0
"""What such a step counts as: more than any silence that a limit allows."""


@dataclass
class Outcome:
    """What a replay found; `faults` tells what of the recordings could not be used."""

    story: Story
    changes: list[tuple[Entry, Changed]]
    epochs: int = 0
    sentences: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    duration_s: float = 0.0
    time_in_rung_s: Counter[str] = field(default_factory=Counter)
    held_s: Counter[str] = field(default_factory=Counter)
    """For how long each monitor, or wait, kept the mower below `full`."""
    faults: list[str] = field(default_factory=list)

    def add(self, guard: Guard) -> None:
        """Count a run that has ended."""
        account, receiver = guard.account, guard.receiver
        self.epochs += account.epochs
        self.sentences += receiver.sentences
        self.rejected.update(receiver.rejected)
        self.duration_s += account.duration_s
        self.time_in_rung_s.update(account.time_in_rung_s)
        self.held_s.update(account.held_s)


class RecordedClock:
    """The time at which each epoch of a log arrived.

    It is told by TAG blocks where there are any, else the epoch's own UTC. It starts at 0 and never
    goes back: an epoch whose time went back is taken to have come one ordinary interval after the
    one before. A leap of more than a day counts as an hour.
    """

    def __init__(self, begin_s: float | None = None) -> None:
        """With TAG blocks, time begins at `begin_s` by them; else with the first epoch."""
        self._now_s = 0.0
        self._begin_s = begin_s
        self._stamp_s = math.nan
        self._interval_s = 1.0

    def arrival_s(self, tag_time_s: float | None, epoch: Epoch) -> float:
        """When an epoch arrived, in seconds from the first one's arrival."""
        stamp_s = epoch.utc_s if tag_time_s is None else tag_time_s
        passed_s = stamp_s - self._stamp_s
        if self._stamp_s < UNDATED_BEFORE_S <= stamp_s:
            passed_s = round(passed_s % DAY_S, 3)
        if math.isnan(self._stamp_s):
            passed_s = 0.0 if self._begin_s is None else stamp_s - self._begin_s
        elif passed_s > LONGEST_GAP_S:
            passed_s = LEAP_COUNTS_S
        elif passed_s > 0.0:
            self._interval_s = passed_s
        else:
            passed_s = self._interval_s
        self._stamp_s = stamp_s
        self._now_s += passed_s
        return self._now_s


class Left(Exception):
    """The replay was asked to end before the recording did."""


LOOKS_S = 0.1
"""How often a replay that waits looks whether it is to end."""


class Pace:
    """Holds the replay back to a multiple of real time, unless it is to end."""

    def __init__(self, speed: float, leaving: Callable[[], bool]) -> None:
        self._speed = speed
        self._leaving = leaving
        self._began_s = time.monotonic()

    def wait_until(self, now_s: float) -> None:
        """Sleep until a moment of the recording is due."""
        due_s = self._began_s + now_s / self._speed
        while (rest_s := due_s - time.monotonic()) > 0.0 and not self._leaving():
            time.sleep(min(rest_s, LOOKS_S))


class Replay:
    """Recordings through a guard, with the ticks between what arrives."""

    def __init__(
        self,
        loaded: Loaded,
        *,
        lines: Lines | None = None,
        journal: Journal | None = None,
        speed: float | None = None,
        leaving: Callable[[], bool] = lambda: False,
    ) -> None:
        self._loaded = loaded
        self._lines = lines or Lines(None)
        self._journal = journal
        self._leaving = leaving
        self._pace = None if speed is None else Pace(speed, leaving)
        self._guard = Guard(loaded, journal.next_intervention if journal else 1)
        self._clock: RecordedClock | None = None
        self._now_s: float | None = None
        self._outcome = Outcome(Story(), [])

    def run(self, logs: Sequence[str], progress: Callable[[float], None] | None = None) -> Outcome:
        """Play recordings one after the other; `progress` is told the share done, 0 to 1.

        Raises Left as soon as it is to end (`leaving` says so), and BadInput when a recording
        cannot be opened, or has nothing in it to judge. What could not be used of one that breaks
        off is told in the outcome.
        """
        for log in logs:
            files.prove(log)
        try:
            for number, log in enumerate(logs):
                for share in self._play(log):
                    if progress is not None:
                        progress((number + share) / len(logs))
        except Left:
            self._stop("asked to end")
            raise
        if self._now_s is None:
            sentences = self._guard.receiver.sentences
            problem = (
                f"none of its {sentences} sentences is a GGA with a time"
                if sentences
                else "no sentence in it"
            )
            raise BadInput(
                f"{', '.join(logs)}: {problem}; record what the receiver sends, as NMEA 0183"
            )
        self._stop("end of recording")
        return self._outcome

    def _play(self, log: str) -> Iterator[float]:
        """Play one recording; yields the share of it that is done."""
        receiver, faults = self._guard.receiver, self._outcome.faults
        before = receiver.sentences
        try:
            for chunk, share in files.chunks(log):
                for tag_time_s, epoch in receiver.feed_log(chunk):
                    self._hear(log, tag_time_s, epoch)
                yield share
        except BadInput as error:
            if not receiver.sentences:
                raise
            faults.append(str(error))
        if before and receiver.sentences == before:
            faults.append(f"{log}: no sentence in it; leave it out, or get the right one")
        for tag_time_s, epoch in receiver.finish_log():
            self._hear(log, tag_time_s, epoch)
        if receiver.cut_bytes:
            faults.append(
                f"{log}: ends in mid-sentence; its last {receiver.cut_bytes} bytes were not used. "
                "The rest was; get the whole recording if the end matters"
            )

    def _hear(self, log: str, tag_time_s: float | None, epoch: Epoch) -> None:
        if self._clock is None:
            self._clock = RecordedClock(self._guard.receiver.tag_time_s)
        at_s = self._clock.arrival_s(tag_time_s, epoch)
        if self._now_s is None:
            self._now_s = 0.0
            self._guard.start(0.0, epoch.utc_s, run="replay", mode="replay", source=log)
        self._pass(at_s)
        self._act(self._guard.hear(at_s, epoch))

    def _pass(self, at_s: float) -> None:
        """Let the time until a moment pass; where the pace is held, tick by tick."""
        if self._pace is not None:
            while self._guard.due_s < at_s:
                due_s = self._guard.due_s
                self._pace.wait_until(due_s)
                self._act(self._guard.tick(due_s))
                self._lines.beat()
            self._pace.wait_until(at_s)
        self._now_s = at_s

    def _act(self, decisions: Sequence[Decision]) -> None:
        """First the lines, then the notes."""
        if self._leaving():
            raise Left
        for decision in decisions:
            self._lines.apply(decision.grant)
        self._note()

    def _note(self) -> None:
        for entry in self._guard.entries():
            self._outcome.story.add(entry)
            if isinstance(entry.record, Changed):
                self._outcome.changes.append((entry, entry.record))
            if self._journal is not None:
                self._journal.add(entry)

    def _stop(self, reason: str) -> None:
        if self._now_s is not None:
            self._guard.stop(self._now_s, reason)
            self._note()
            self._outcome.add(self._guard)
