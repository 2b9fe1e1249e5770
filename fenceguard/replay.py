"""The recorded loop: the same watch over a recording, as fast or as slowly as wanted."""

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from fenceguard.account import Event, finding_evidence
from fenceguard.errors import BadInput
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Finding, Rung
from fenceguard.outputs.lines import Lines
from fenceguard.receiver import files
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch, utc_text
from fenceguard.settings import Loaded
from fenceguard.watch import Watch

DAY_S = 86400.0
LONGEST_GAP_S = DAY_S
"""A longer step of the receiver's time may be a stepped clock."""
LEAP_COUNTS_S = 3600.0
"""What such a step counts as: more than any silence that a limit allows."""


@dataclass
class Outcome:
    """What a replay found.

    `standing` holds the findings of the last step, `faults` what of the recordings could not be
    used.
    """

    epochs: int
    sentences: int
    rejected: dict[str, int]
    duration_s: float
    time_in_rung_s: dict[str, float]
    rung_changes: list[dict[str, Any]]
    interventions: list[dict[str, Any]]
    standing: list[dict[str, Any]]
    faults: list[str]


class RecordedClock:
    """The time at which each epoch of a recording arrived.

    It is the time of the TAG block where there is one, else the epoch's own UTC. It starts at 0 and
    never goes back: an epoch whose time went back is taken to have come one ordinary interval after
    the one before. A leap of more than a day counts as an hour.
    """

    def __init__(self) -> None:
        self._now_s = 0.0
        self._stamp_s = math.nan
        self._interval_s = 1.0

    def arrival_s(self, tag_time_s: float | None, epoch: Epoch) -> float:
        """When an epoch arrived, in seconds from the first one's arrival."""
        stamp_s = epoch.utc_s if tag_time_s is None else tag_time_s
        passed_s = stamp_s - self._stamp_s
        if self._stamp_s < UNDATED_BEFORE_S <= stamp_s:
            passed_s = round(passed_s % DAY_S, 3)
        if math.isnan(self._stamp_s):
            passed_s = 0.0
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


class Collector:
    """Keeps of the events what the outcome tells."""

    def __init__(self) -> None:
        self.rung_changes: list[dict[str, Any]] = []
        self.interventions: list[dict[str, Any]] = []

    def __call__(self, event: Event) -> None:
        evidence = event.evidence
        if event.kind == "rung":
            self.rung_changes.append(
                {
                    "utc": utc_text(event.utc_s),
                    "rung": evidence["to"],
                    "findings": evidence["findings"],
                }
            )
            present = self.interventions[-1] if self.interventions else None
            if present is not None and present["id"] == evidence["intervention"]:
                worst = max(Rung[name.upper()] for name in (present["rung"], evidence["to"]))
                present["rung"] = worst.word
        elif event.kind == "intervention_begun":
            epoch = evidence["epoch"] or {}
            self.interventions.append(
                {
                    "id": evidence["id"],
                    "begin_utc": utc_text(event.utc_s),
                    "end_utc": None,
                    "duration_s": None,
                    "rung": evidence["rung"],
                    "cause": evidence["cause"],
                    "lat": epoch.get("lat"),
                    "lon": epoch.get("lon"),
                    "clearance_m": evidence["clearance_m"],
                    "nearest": evidence["nearest"],
                }
            )
        elif event.kind == "intervention_ended":
            self.interventions[-1].update(
                end_utc=utc_text(event.utc_s), duration_s=evidence["duration_s"]
            )


class Replay:
    """Recordings through a watch, epoch by epoch, with the ticks between them."""

    def __init__(
        self,
        loaded: Loaded,
        *,
        lines: Lines | None = None,
        journal: Journal | None = None,
        speed: float | None = None,
        leaving: Callable[[], bool] = lambda: False,
    ) -> None:
        self._collected = Collector()
        self._watch = Watch(loaded, lines or Lines(None), journal, self._collected)
        self._clock = RecordedClock()
        self._leaving = leaving
        self._pace = None if speed is None else Pace(speed, leaving)
        self._tick_s = loaded.settings.tick_s
        self._next_tick_s = 0.0
        self._now_s: float | None = None
        self._findings: tuple[Finding, ...] = ()
        self._faults: list[str] = []

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
            if self._now_s is not None:
                self._watch.stop(self._now_s, "asked to end")
            raise
        return self._outcome(logs)

    def _play(self, log: str) -> Iterator[float]:
        """Play one recording; yields the share of it that is done."""
        receiver = self._watch.receiver
        before = receiver.sentences
        try:
            for chunk, share in files.chunks(log):
                self._hear(log, receiver.feed_recording(chunk))
                yield share
        except BadInput as error:
            if not receiver.sentences:
                raise
            self._faults.append(str(error))
        if before and receiver.sentences == before:
            self._faults.append(f"{log}: no sentence in it; leave it out, or get the right one")
        self._hear(log, receiver.finish_recording())
        if receiver.cut_bytes:
            self._faults.append(
                f"{log}: ends in mid-sentence; its last {receiver.cut_bytes} bytes were not used. "
                "The rest was; get the whole recording if the end matters"
            )

    def _hear(self, log: str, arrivals: Sequence[tuple[float | None, Epoch]]) -> None:
        for tag_time_s, epoch in arrivals:
            arrival_s = self._clock.arrival_s(tag_time_s, epoch)
            if self._now_s is None:
                self._watch.start(arrival_s, epoch.utc_s, "replay", log)
            self._tick_until(arrival_s)
            self._step(arrival_s, epoch)

    def _tick_until(self, moment_s: float) -> None:
        while self._next_tick_s < moment_s:
            self._step(self._next_tick_s, None)
            self._watch.lines.beat()
            self._next_tick_s += self._tick_s

    def _step(self, now_s: float, epoch: Epoch | None) -> None:
        if self._pace is not None:
            self._pace.wait_until(now_s)
        if self._leaving():
            raise Left
        self._findings = self._watch.step(now_s, epoch).findings
        self._now_s = now_s

    def _outcome(self, logs: Sequence[str]) -> Outcome:
        receiver, account = self._watch.receiver, self._watch.account
        if self._now_s is None:
            problem = (
                f"none of its {receiver.sentences} sentences is a GGA with a time"
                if receiver.sentences
                else "no sentence in it"
            )
            raise BadInput(
                f"{', '.join(logs)}: {problem}; record what the receiver sends, as NMEA 0183"
            )
        self._watch.stop(self._now_s, "end of recording")
        return Outcome(
            epochs=account.epochs,
            sentences=receiver.sentences,
            rejected=dict(receiver.rejected),
            duration_s=account.duration_s,
            time_in_rung_s=account.time_in_rung_s,
            rung_changes=self._collected.rung_changes,
            interventions=self._collected.interventions,
            standing=[finding_evidence(finding) for finding in self._findings],
            faults=self._faults,
        )
