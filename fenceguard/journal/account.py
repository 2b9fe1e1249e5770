"""The account of a run: what was taken away, when and why, from the decisions alone."""

import math
import struct
import zlib
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from fenceguard.journal.records import (
    Acted,
    BoundTold,
    Changed,
    Entry,
    EpochTold,
    FindingTold,
    Record,
    Sensed,
    Stop,
    Summary,
    Tells,
    Watched,
    Where,
)
from fenceguard.journal.story import severity
from fenceguard.judgement.types import (
    Bound,
    Decision,
    Finding,
    Inputs,
    Learned,
    Rung,
    Situation,
    pressed,
)
from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch, quality_name, utc_text
from fenceguard.receiver.receiver import Receiver

LEARNS_S = 60.0
"""By then a receiver has told all that it tells."""
WATCHED_EVERY_S = 20.0
"""A monitor that only watches is told of no oftener: one that toggles must not fill the disk."""


@dataclass
class _Acting:
    """What one monitor that only watches would have done since it was last told of."""

    told_s: float = -math.inf
    now: FindingTold | None = None
    """What it demands while it would act; None while it would not."""
    told_as: FindingTold | None = None
    """What it demanded when it was last told of, if it would act then."""
    times: int = 0
    from_rungs: Counter[str] = field(default_factory=Counter)
    acting_s: float = 0.0
    worst: FindingTold | None = None
    first_utc_s: float | None = None
    last_utc_s: float | None = None

    @property
    def untold(self) -> bool:
        """Whether there is anything to tell."""
        return self.times > 0 or self.acting_s > 0.0 or self.worst is not self.told_as

    def act(self, finding: FindingTold, rung: Rung, utc_s: float) -> None:
        """It would act at this step, from this rung."""
        if self.worst is None or severity(finding) > severity(self.worst):
            self.worst = finding
        if self.now is None:
            self.times += 1
            self.from_rungs[rung.word] += 1
            self.last_utc_s = utc_s
            self.first_utc_s = utc_s if self.first_utc_s is None else self.first_utc_s
        self.now = finding

    def told(self, monitor: str) -> Acted:
        """It as it is written down."""
        assert self.worst is not None
        return Acted(
            monitor=monitor,
            times=self.times,
            from_rungs=dict(self.from_rungs),
            rung=self.worst.rung,
            acting_s=round(self.acting_s, 4),
            worst=self.worst,
            first_utc=None if self.first_utc_s is None else utc_text(self.first_utc_s),
            last_utc=None if self.last_utc_s is None else utc_text(self.last_utc_s),
        )


class Account:
    """Turns decisions into entries and totals.

    What the receiver has heard is counted by itself. `settings_hash` and `fence_hash` stand in
    every change of rung, so that it can be understood alone; a summary is due every `summary_s`;
    interventions are numbered from `first_intervention` on.
    """

    def __init__(
        self,
        receiver: Receiver,
        settings_hash: str,
        fence_hash: str,
        summary_s: float,
        first_intervention: int = 1,
    ) -> None:
        self._receiver = receiver
        self._settings_hash = settings_hash
        self._fence_hash = fence_hash
        self._summary_s = summary_s
        self._summary_due_s: float | None = None
        self._intervention: int | None = None
        self._open = False
        self._next_id = first_intervention
        self._last: Decision | None = None
        self._heard: Epoch | None = None
        self._heard_at_s = 0.0
        self._host: tuple[float, float] | None = None
        self._acting: dict[str, _Acting] = {}
        self._spent_s = [0.0] * len(Rung)
        self.held_s: dict[str, float] = {}
        """For how long each monitor, or wait, kept the mower below `full`."""
        self._learns_to_s: float | None = None
        self._learned: Learned | None = None
        self._digest = 0
        self.decisions = 0
        self.epochs = 0

    @property
    def duration_s(self) -> float:
        """Time from the first step to the last."""
        return sum(self._spent_s)

    @property
    def time_in_rung_s(self) -> dict[str, float]:
        """Time spent on each rung, by its name."""
        return {rung.word: self._spent_s[rung] for rung in Rung}

    @property
    def interventions(self) -> int:
        """Number of the last intervention so far, in this run or before it."""
        return self._next_id - 1

    def host_utc(self, now_s: float, utc_s: float) -> None:
        """What the host's clock tells; it counts until the receiver tells a date."""
        self._host = now_s, utc_s

    def utc_s(self, now_s: float) -> float:
        """UTC at a moment: the receiver's where it tells a date, else the host's, else undated."""
        heard = self._heard
        if heard is not None and math.isfinite(heard.utc_s):
            dated = heard.utc_s >= UNDATED_BEFORE_S and heard.quality
            if dated or self._host is None:
                return heard.utc_s + (now_s - self._heard_at_s)
        return 0.0 if self._host is None else self._host[1] + (now_s - self._host[0])

    def add(self, decision: Decision) -> list[Entry]:
        """The entries of one step."""
        last, self._last = self._last, decision
        now_s = decision.now_s
        if last is not None:
            self._spend(last, max(0.0, now_s - last.now_s))
        epoch = decision.situation.epoch
        if epoch is not None and epoch is not self._heard:
            self._heard, self._heard_at_s = epoch, now_s
            self.epochs += 1
        self._count(decision)
        entries = self._learning(decision)
        if decision.rung is not decision.was:
            entries.append(self._entry(now_s, self._change(decision)))
        if decision.watched or self._acting:
            entries += self._watching(decision)
        if self._summary_due_s is None:
            self._summary_due_s = now_s + self._summary_s
        elif now_s >= self._summary_due_s:
            self._summary_due_s = now_s + self._summary_s
            entries.append(self._entry(now_s, Summary(**self._totals(decision.rung))))
        return entries

    def _learning(self, decision: Decision) -> list[Entry]:
        """The entry of what the receiver tells, once it has had time to, and when that changes."""
        self._learns_to_s = self._learns_to_s or decision.now_s + LEARNS_S
        return self._told_of_receiver(decision) if decision.now_s >= self._learns_to_s else []

    def _told_of_receiver(self, decision: Decision) -> list[Entry]:
        learned = decision.situation.learned
        if learned is None or learned == self._learned:
            return []
        self._learned = learned
        told = Tells(rounded(learned.period_s), learned.fields, rounded(learned.digit_m))
        return [self._entry(decision.now_s, told)]

    def sensed(self, now_s: float, inputs: Inputs) -> Entry:
        """The entry of a change of what people press."""
        return self._entry(now_s, Sensed(pressed(inputs)))

    def finish(self, now_s: float, reason: str) -> list[Entry]:
        """The entries of the end."""
        entries = []
        rung = Rung.HALTED if self._last is None else self._last.rung
        if self._last is not None:
            untold = [name for name, one in self._acting.items() if one.untold]
            entries += self._told_of(self._last, untold)
            entries += self._told_of_receiver(self._last)
        return [*entries, self._entry(now_s, Stop(**self._totals(rung), reason=reason))]

    def _spend(self, last: Decision, passed_s: float) -> None:
        """The time since the step before was spent as that step left it."""
        self._spent_s[last.rung] += passed_s
        if last.rung is not Rung.FULL and passed_s > 0.0:
            for name in _holding(last):
                self.held_s[name] = self.held_s.get(name, 0.0) + passed_s
        for acting in self._acting.values():
            if acting.now is not None:
                acting.acting_s += passed_s

    def _count(self, decision: Decision) -> None:
        grant = decision.grant
        lines = grant.drive | grant.blade << 1 | grant.slow << 2 | grant.warning << 3
        told = struct.pack(
            "<dBBdd", decision.now_s, decision.rung, lines, grant.top_speed_mps, grant.valid_until_s
        )
        if decision.findings:
            told += repr(decision.findings).encode()
        self._digest = zlib.crc32(told, self._digest)
        self.decisions += 1

    def _change(self, decision: Decision) -> Changed:
        if decision.was is Rung.FULL:
            self._intervention = self._next_id
            self._next_id += 1
        number = self._intervention
        if decision.rung is Rung.FULL:
            self._intervention = None
        return Changed(
            was=decision.was.word,
            rung=decision.rung.word,
            why=decision.why,
            clear_s=rounded(decision.clear_s),
            findings=tuple(map(finding_told, decision.findings)),
            intervention=number,
            where=where_told(decision.situation),
            settings_hash=self._settings_hash,
            fence_hash=self._fence_hash,
        )

    def _watching(self, decision: Decision) -> list[Entry]:
        """What monitors that only watch would do at this step."""
        now_s, due = decision.now_s, []
        would = {one.monitor: one for one in decision.watched if one.rung > decision.rung}
        for name, finding in would.items():
            one = self._acting.setdefault(name, _Acting())
            one.act(finding_told(finding), decision.rung, self.utc_s(now_s))
        for name, one in self._acting.items():
            if name not in would:
                one.now = None
            if one.untold and now_s - one.told_s >= WATCHED_EVERY_S:
                due.append(name)
        return self._told_of(decision, due)

    def _told_of(self, decision: Decision, names: list[str]) -> list[Entry]:
        """One entry that tells of some monitors, and from then on counts anew."""
        acted = [self._acting[name].told(name) for name in names]
        for name in names:
            now = self._acting[name].now
            self._acting[name] = _Acting(decision.now_s, now, now, worst=now)
        if not acted:
            return []
        where = where_told(decision.situation)
        return [self._entry(decision.now_s, Watched(decision.rung.word, tuple(acted), where))]

    def _totals(self, rung: Rung) -> dict[str, Any]:
        """The fields of `Totals`."""
        return {
            "rung": rung.word,
            "epochs": self.epochs,
            "sentences": self._receiver.sentences,
            "rejected": dict(self._receiver.rejected),
            "time_in_rung_s": {name: round(s, 3) for name, s in self.time_in_rung_s.items()},
            "held_s": {name: round(held_s, 3) for name, held_s in self.held_s.items()},
            "interventions": self.interventions,
            "decisions": self.decisions,
            "digest": f"{self._digest:08x}",
        }

    def _entry(self, now_s: float, record: Record) -> Entry:
        return Entry(now_s, self.utc_s(now_s), record)


def _holding(decision: Decision) -> list[str]:
    """What keeps the mower on its rung: the monitors that demand it, else what is waited for."""
    demanding = [one.monitor for one in decision.findings if one.rung is decision.rung]
    if demanding:
        return demanding
    if decision.rung is Rung.LOCKED:
        return ["reset"]
    if decision.rung is Rung.HALTED and not decision.armed:
        # Nothing at all may be demanded for that.
        return [one.monitor for one in decision.findings] or ["arming"]
    return ["blade_delay" if decision.grant.warning else "clear_time"]


def finding_told(finding: Finding) -> FindingTold:
    """A finding as it is written down."""
    return FindingTold(
        monitor=finding.monitor,
        value=_short(finding.value),
        limit=_short(finding.limit),
        unit=finding.unit,
        rung=finding.rung.word,
        note=finding.note,
    )


def where_told(situation: Situation) -> Where:
    """Where the mower was, as it is written down."""
    epoch = situation.epoch
    return Where(
        epoch=None if epoch is None else _epoch_told(epoch),
        clearance_m=rounded(situation.clearance_m),
        at_least=situation.at_least,
        nearest=situation.nearest,
        bound=None if situation.bound is None else _bound_told(situation.bound),
        room_m=rounded(situation.room_m),
        trust=situation.trust.word,
        reach_m=rounded(situation.evidence.reach_m),
    )


def _epoch_told(epoch: Epoch) -> EpochTold:
    return EpochTold(
        utc=utc_text(epoch.utc_s),
        quality=quality_name(epoch.quality),
        lat_deg=rounded(epoch.lat_deg, 9),
        lon_deg=rounded(epoch.lon_deg, 9),
        height_m=rounded(epoch.height_m),
        age_s=rounded(epoch.age_s),
        station=epoch.station,
        satellites=epoch.satellites,
        hdop=rounded(epoch.hdop),
        speed_mps=rounded(epoch.speed_mps),
        course_deg=rounded(epoch.course_deg),
        heading_deg=rounded(epoch.heading_deg),
    )


def _bound_told(bound: Bound) -> BoundTold | None:
    parts = [
        rounded(part)
        for part in (
            bound.radius_m,
            bound.sigma_m,
            bound.optimism,
            bound.age_m,
            bound.per_sigma,
            bound.floor_m,
            bound.rounding_m,
            bound.tilt_m,
            bound.unexplained_m,
            bound.reach_m,
        )
    ]
    known = [part for part in parts if part is not None]
    return BoundTold(*known) if len(known) == len(parts) else None


def _short(value: float | str | None) -> float | str | None:
    return value if isinstance(value, str) else rounded(value)


def rounded(value: float | None, digits: int = 4) -> float | None:
    """A number short enough to read; None for what is not a number."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)
