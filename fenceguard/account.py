"""The account of a run: what was taken away, when and why, from the decisions alone."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from fenceguard.judgement.types import Bound, Decision, Finding, Rung
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch, quality_name, utc_text
from fenceguard.settings import Loaded

Evidence = dict[str, Any]


class Event(NamedTuple):
    """Something worth a record: its kind, when, and the evidence for it."""

    kind: str
    mono_s: float
    utc_s: float
    evidence: Evidence


@dataclass
class _Open:
    """An intervention that has not ended."""

    id: int
    began_s: float
    rung: Rung
    cause: Evidence


class Account:
    """Turns decisions into events and totals.

    `host_utc_s` is asked for the time while the receiver has not told a date; without it, the
    receiver's undated time is taken.
    """

    def __init__(
        self,
        loaded: Loaded,
        first_intervention: int = 1,
        host_utc_s: Callable[[], float] | None = None,
    ) -> None:
        self._loaded = loaded
        self._next_id = first_intervention
        self._host_utc_s = host_utc_s
        self._open: _Open | None = None
        self._last: Decision | None = None
        self._heard: Epoch | None = None
        self._heard_at_s = 0.0
        self._watched: tuple[tuple[str, Rung], ...] = ()
        self._worst: dict[str, Evidence] = {}
        """Of each monitor that only watches, its worst finding since the last record of them."""
        self.epochs = 0
        self._spent_s = [0.0] * len(Rung)

    @property
    def duration_s(self) -> float:
        """Time from the first step to the last."""
        return sum(self._spent_s)

    @property
    def time_in_rung_s(self) -> dict[str, float]:
        """Time spent on each rung, by its name."""
        return {rung.word: self._spent_s[rung] for rung in Rung}

    def add(self, decision: Decision) -> list[Event]:
        """The events of one step."""
        last, self._last = self._last, decision
        if last is not None:
            self._spent_s[last.rung] += max(0.0, decision.now_s - last.now_s)
        epoch = decision.situation.epoch
        if epoch is not None and epoch is not self._heard:
            self._heard, self._heard_at_s = epoch, decision.now_s
            self.epochs += 1
        events = self._changed(decision) if decision.rung is not decision.was else []
        return events + self._watching(decision)

    def finish(self) -> list[Event]:
        """The events of the end: what monitors that only watch have found up to here."""
        if self._last is None or not self._watched:
            return []
        return self._watching(self._last._replace(watched=()))

    def utc_s(self, now_s: float) -> float:
        """UTC at a moment, by the receiver's last epoch where that tells a date."""
        if self._heard is not None and math.isfinite(self._heard.utc_s):
            dated = self._heard.utc_s >= UNDATED_BEFORE_S and self._heard.quality
            if dated or self._host_utc_s is None:
                return self._heard.utc_s + (now_s - self._heard_at_s)
        return self._host_utc_s() if self._host_utc_s else 0.0

    def _watching(self, decision: Decision) -> list[Event]:
        """What monitors that only watch have to say: of other rungs, or on another rung."""
        findings = [finding_evidence(finding) for finding in decision.watched]
        watched = tuple((finding.monitor, finding.rung) for finding in decision.watched)
        events = []
        if watched != self._watched or (watched and decision.rung is not decision.was):
            said = {
                "rung": decision.rung.word,
                "findings": findings,
                "worst": list(self._worst.values()),
            }
            events = [self._event("watched", decision, {**said, **self._where(decision)})]
            self._watched, self._worst = watched, {}
        for finding in findings:
            worst = self._worst.setdefault(finding["monitor"], finding)
            if severity(finding) > severity(worst):
                self._worst[finding["monitor"]] = finding
        return events

    def _changed(self, decision: Decision) -> list[Event]:
        began = self._open is None and decision.was is Rung.FULL
        if began:
            first = max(decision.findings, key=lambda finding: finding.rung)
            self._open = _Open(
                self._next_id, decision.now_s, decision.rung, finding_evidence(first)
            )
            self._next_id += 1
        if self._open is not None:
            self._open.rung = max(self._open.rung, decision.rung)
        findings = [finding_evidence(finding) for finding in decision.findings]
        where = self._where(decision)
        change = {
            "from": decision.was.word,
            "to": decision.rung.word,
            "why": decision.why,
            "clear_s": rounded(decision.clear_s),
            "findings": findings,
            "intervention": self._open.id if self._open else None,
        }
        events = [self._event("rung", decision, {**change, **where})]
        if self._open is not None and began:
            begun = {
                "id": self._open.id,
                "rung": decision.rung.word,
                "cause": self._open.cause,
                "findings": findings,
            }
            events.append(self._event("intervention_begun", decision, {**begun, **where}))
        if self._open is not None and decision.rung is Rung.FULL:
            ended = {
                "id": self._open.id,
                "rung": self._open.rung.word,
                "cause": self._open.cause,
                "duration_s": rounded(decision.now_s - self._open.began_s),
            }
            events.append(self._event("intervention_ended", decision, {**ended, **where}))
            self._open = None
        return events

    def _event(self, kind: str, decision: Decision, evidence: Evidence) -> Event:
        return Event(kind, decision.now_s, self.utc_s(decision.now_s), evidence)

    def _where(self, decision: Decision) -> Evidence:
        situation = decision.situation
        epoch = situation.epoch
        return {
            "epoch": None if epoch is None else _epoch_evidence(epoch, situation.bound),
            "clearance_m": rounded(situation.clearance_m),
            "nearest": situation.nearest,
            "bound_m": rounded(situation.bound_m),
            "room_m": rounded(situation.room_m),
            "settings_hash": self._loaded.settings_hash,
            "fence_hash": self._loaded.fence_hash,
        }


def _epoch_evidence(epoch: Epoch, bound: Bound | None) -> Evidence:
    return {
        "utc": utc_text(epoch.utc_s),
        "quality": quality_name(epoch.quality),
        "lat": rounded(epoch.lat_deg, 9),
        "lon": rounded(epoch.lon_deg, 9),
        "height_m": rounded(epoch.height_m),
        "age_s": rounded(epoch.age_s),
        "station": epoch.station,
        "satellites": epoch.satellites,
        "hdop": rounded(epoch.hdop),
        "sigma_m": None if bound is None else rounded(bound.sigma_m),
        "speed_mps": rounded(epoch.speed_mps),
        "course_deg": rounded(epoch.course_deg),
        "heading_deg": rounded(epoch.heading_deg),
    }


def finding_evidence(finding: Finding) -> Evidence:
    """A finding as plain values."""
    value = finding.value
    return {
        "monitor": finding.monitor,
        "value": rounded(value) if isinstance(value, float) else value,
        "limit": finding.limit,
        "unit": finding.unit,
        "rung": finding.rung.word,
        "note": finding.note,
    }


def severity(finding: Evidence) -> tuple[Rung, float]:
    """What makes one finding of a monitor worse than another.

    The rung demanded, then how far the value is past the limit; unknown is farthest.
    """
    value, limit = finding["value"], finding["limit"]
    past = 0.0 if isinstance(value, str) else math.inf if value is None else abs(value - limit)
    return Rung[finding["rung"].upper()], past


def rounded(value: float | None, digits: int = 4) -> float | None:
    """A number short enough to read; None for what is not a number."""
    return None if value is None or not math.isfinite(value) else round(value, digits)
