"""A replay: the guard, fed from recordings, as fast or as slowly as wanted."""

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fenceguard.errors import BadInput
from fenceguard.guard import Guard
from fenceguard.journal.records import Changed, Entry, Tells
from fenceguard.journal.story import Story
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import PRESSED, Decision, Inputs
from fenceguard.outputs.lines import Lines
from fenceguard.outputs.output import Output
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.recording import files
from fenceguard.recording.events import (
    Arrived,
    Header,
    Missed,
    NextRun,
    Sensed,
    Started,
    Stopped,
    Torn,
)
from fenceguard.recording.read import arrivals, is_recording
from fenceguard.same import Again
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
    changes: list[tuple[Entry, Changed]] = field(default_factory=list)
    again: list[Again] = field(default_factory=list)
    """Runs of recordings of ours that nothing is missing in."""
    epochs: int = 0
    sentences: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    duration_s: float = 0.0
    time_in_rung_s: Counter[str] = field(default_factory=Counter)
    held_s: Counter[str] = field(default_factory=Counter)
    """For how long each monitor, or wait, kept the mower below `full`."""
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """What is worth knowing of the recordings, and no fault."""

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


class _Run:
    """A run while it is played: its guard, and what has come of it."""

    def __init__(self, loaded: Loaded, interventions: int, name: str) -> None:
        self.name = name
        self.guard = Guard(loaded, interventions + 1)
        self.entries: list[Entry] = []
        self.begun_s = self.now_s = 0.0
        self.ended = False
        """Whether the recording tells its end."""
        self.exact = True
        """Whether it is run again just as it was."""


class Replay:
    """Recordings through a guard, with the ticks between what arrives.

    Logs of other makers are one run, with the settings of `loaded_of(None)`. A recording of ours
    may hold many, each with those of `loaded_of` its name; that may raise BadInput.
    """

    def __init__(
        self,
        loaded_of: Callable[[str | None], Loaded],
        *,
        output: Output | None = None,
        journal: Journal | None = None,
        speed: float | None = None,
        leaving: Callable[[], bool] = lambda: False,
        told: Callable[[Tells], None] | None = None,
    ) -> None:
        """`told` hears what the receiver is found to tell, as soon as that is known."""
        self._told = told
        self._loaded_of = loaded_of
        self._output = output or Lines()
        self._journal = journal
        self._leaving = leaving
        self._speed = speed
        self._pace: Pace | None = None
        self._run: _Run | None = None
        self._file = 0
        """Which of the recordings is being read."""
        self._outcome = Outcome(Story())

    def run(self, logs: Sequence[str], progress: Callable[[float], None] | None = None) -> Outcome:
        """Play recordings one after the other; `progress` is told the share done, 0 to 1.

        Raises Left as soon as it is to end (`leaving` says so), and BadInput when a recording
        cannot be opened, or has nothing in it to judge. What could not be used of one that breaks
        off is told in the outcome.
        """
        for log in logs:
            files.prove(log)
        ours = [log for log in logs if log != files.STANDARD_INPUT and is_recording(Path(log))]
        if ours and len(ours) < len(logs):
            other = next(log for log in logs if log not in ours)
            raise BadInput(
                f"{other}: is no recording of fenceguard as {ours[0]} is; replay it alone"
            )
        shares = self._play_recordings(logs) if ours else self._play_logs(logs)
        try:
            for share in shares:
                if progress is not None:
                    progress(share)
        except Left:
            self._end("asked to end")
            raise
        return self._outcome

    def _play_logs(self, logs: Sequence[str]) -> Iterator[float]:
        """Play logs of other makers as one run; yields the share of them that is done."""
        run = _Run(self._loaded_of(None), self._interventions(), "replay")
        run.exact = False
        clock: RecordedClock | None = None
        for number, log in enumerate(logs):
            for tag_time_s, epoch, share in self._epochs(log, run.guard.receiver):
                if epoch is not None:
                    if clock is None:
                        clock = RecordedClock(run.guard.receiver.tag_time_s)
                        self._begin(run, 0.0, epoch.utc_s, log)
                    at_s = clock.arrival_s(tag_time_s, epoch)
                    self._pass(run, at_s)
                    self._act(run.guard.hear(at_s, epoch))
                yield (number + share) / len(logs)
        if clock is None:
            sentences = run.guard.receiver.sentences
            problem = (
                f"none of its {sentences} sentences is a GGA with a time"
                if sentences
                else "no sentence in it"
            )
            raise BadInput(
                f"{', '.join(logs)}: {problem}; record what the receiver sends, as NMEA 0183"
            )
        self._end("end of recording")

    def _epochs(
        self, log: str, receiver: Receiver
    ) -> Iterator[tuple[float | None, Epoch | None, float]]:
        """The epochs of a log with their TAG times, and the share of it that is done."""
        faults, before, share = self._outcome.faults, receiver.sentences, 0.0
        try:
            for chunk, share in files.chunks(log):
                for tag_time_s, epoch in receiver.feed_log(chunk):
                    yield tag_time_s, epoch, share
                yield None, None, share
        except BadInput as error:
            if not receiver.sentences:
                raise
            faults.append(str(error))
        if before and receiver.sentences == before:
            faults.append(f"{log}: no sentence in it; leave it out, or get the right one")
        for tag_time_s, epoch in receiver.finish_log():
            yield tag_time_s, epoch, share
        if receiver.cut_bytes:
            faults.append(
                f"{log}: ends in mid-sentence; its last {receiver.cut_bytes} bytes were not used. "
                "The rest was; get the whole recording if the end matters"
            )

    def _play_recordings(self, logs: Sequence[str]) -> Iterator[float]:
        """Play recordings of ours, run by run; yields the share of them that is done."""
        runs, faults = self._outcome.story.runs, self._outcome.faults
        known = False
        try:
            for event in arrivals(self._in_turn(logs)):
                log = logs[self._file]
                if isinstance(event, NextRun):
                    self._end("the recording ends")
                    known = False
                elif isinstance(event, Started):
                    self._start(event, log)
                    known = True
                elif self._run is not None:
                    self._play(self._run, event, log)
                elif not known and not isinstance(event, Torn):
                    known = True
                    faults.append(
                        f"{log}: begins in the midst of a run, which is left out; "
                        "give the files before it as well"
                    )
                elif isinstance(event, Torn):
                    self._outcome.notes.append(event.text)
                yield self._file / len(logs)
        except BadInput as error:
            if not runs:
                raise
            faults.append(str(error))
        self._end("the recording ends")
        if not runs:
            raise BadInput(f"{', '.join(logs)}: no run begins in it; begin with an earlier file")

    def _in_turn(self, logs: Sequence[str]) -> Iterator[Path]:
        for self._file, log in enumerate(logs):
            yield Path(log)

    def _start(self, started: Started, log: str) -> None:
        header = Header.of(started, log)
        interventions = header.interventions if self._journal is None else self._interventions()
        run = _Run(self._loaded_of(header.run), interventions, header.run)
        run.guard.account.host_utc(started.at_s, header.utc_s)
        self._begin(run, started.at_s, header.utc_s, log)

    def _play(self, run: _Run, event: Arrived | Sensed | Stopped | Missed | Torn, log: str) -> None:
        """One event of a recording of ours."""
        if isinstance(event, Torn):
            self._outcome.notes.append(event.text)
            return
        if isinstance(event, Missed):
            run.exact = False
            self._outcome.faults.append(
                f"run {run.name}: lacks {event.events} events; it is not run again as it was"
            )
            return
        self._pass(run, event.at_s)
        if isinstance(event, Arrived):
            self._act(run.guard.receive(event.at_s, event.data))
        elif isinstance(event, Sensed):
            self._act(run.guard.sense(event.at_s, _inputs(event, log)))
        else:
            run.ended = True
            self._end(event.reason)

    def _begin(self, run: _Run, at_s: float, utc_s: float, log: str) -> None:
        self._run = run
        run.begun_s = run.now_s = at_s
        self._pace = None if self._speed is None else Pace(self._speed, self._leaving)
        run.guard.start(at_s, utc_s, run=run.name, mode="replay", source=log)

    def _pass(self, run: _Run, at_s: float) -> None:
        """Let the time until a moment pass; where the pace is held, tick by tick."""
        if self._pace is not None:
            while run.guard.due_s < at_s:
                due_s = run.guard.due_s
                self._pace.wait_until(due_s - run.begun_s)
                self._act(run.guard.tick(due_s))
                self._output.beat()
            self._pace.wait_until(at_s - run.begun_s)
        run.now_s = at_s

    def _act(self, decisions: Sequence[Decision]) -> None:
        """First the lines, then the notes."""
        if self._leaving():
            raise Left
        for decision in decisions:
            self._output.apply(decision.grant)
        self._note()

    def _note(self) -> None:
        assert self._run is not None
        for entry in self._run.guard.entries():
            self._run.entries.append(entry)
            self._outcome.story.add(entry)
            if isinstance(entry.record, Changed):
                self._outcome.changes.append((entry, entry.record))
            elif isinstance(entry.record, Tells) and self._told is not None:
                self._told(entry.record)
            if self._journal is not None:
                self._journal.add(entry)

    def _end(self, reason: str) -> None:
        """End the run that is played, if there is one."""
        run = self._run
        if run is None:
            return
        run.guard.stop(run.now_s, reason)
        self._note()
        self._outcome.add(run.guard)
        if run.exact:
            again = Again(run.name, run.entries, run.now_s, run.ended)
            self._outcome.again.append(again)
        self._run = None

    def _interventions(self) -> int:
        return 0 if self._journal is None else self._journal.next_intervention - 1


def _inputs(sensed: Sensed, log: str) -> Inputs:
    """The inputs that were held. Raises BadInput for one that is not known here."""
    unknown = sensed.inputs.keys() - set(Inputs._fields)
    if unknown:
        raise BadInput(
            f"{log}: tells of the input {', '.join(sorted(unknown))}, which is not known here; run "
            "it again with the fenceguard that wrote it"
        )
    for name, value in sensed.inputs.items():
        if (name in PRESSED) is not (type(value) is bool):
            raise BadInput(
                f"{log}: tells that the input {name} is {value!r}, which it cannot be; get another "
                "copy, or leave it out"
            )
    return Inputs(**sensed.inputs)  # type: ignore[arg-type]
