"""The supervisor: time and epochs in, decisions out."""

import math
from typing import TYPE_CHECKING, TypeGuard

from fenceguard.judgement.bound import bound_m
from fenceguard.judgement.ladder import Ladder
from fenceguard.judgement.limits import Watched, watched
from fenceguard.judgement.words import Decision, Finding, Inputs, Rung, Situation
from fenceguard.lawn.fence import Fence
from fenceguard.mower.footprint import Footprint
from fenceguard.receiver.epoch import FIXED, Epoch

if TYPE_CHECKING:
    from fenceguard.settings import Settings

NOTHING_PRESSED = Inputs()


class Supervisor:
    """Decides what the mower may do. Pure but for its own state: no clock, no I/O."""

    def __init__(self, settings: "Settings", fence: Fence) -> None:
        self._settings = settings
        self._fence = fence
        self._course_from_mps = settings.mower.course_from_mps
        self._footprint = Footprint(settings.mower.outline_m, settings.mower.antenna_m)
        self._ladder = Ladder(settings)
        self._watched = watched(settings.limits)
        self._timed = [one for one in self._watched if one.timed]
        self._found: dict[str, Finding] = {}
        self._forget(math.nan)

    def _forget(self, now_s: float) -> None:
        """Know nothing of the receiver: at start, and when the clock has gone back."""
        self._now_s = now_s
        self._situation = Situation()
        self._valid_at_s: float | None = None
        self._utc_s = -math.inf
        self._utc_advanced_at_s = now_s
        self._sound_since_s: float | None = None
        for one in self._watched:
            one.forget()
        self._judge(now_s, self._watched)
        self._ladder.forget(now_s)

    @property
    def rung(self) -> Rung:
        """The rung that the ladder stands on."""
        return self._ladder.rung

    def step(self, now_s: float, epoch: Epoch | None, inputs: Inputs = NOTHING_PRESSED) -> Decision:
        """One decision.

        `now_s` is a clock that never goes back; if it does, all that was timed on it is forgotten
        and the mower halts. `epoch` is what has arrived since the step before, None if nothing.
        """
        if not now_s >= self._now_s:
            self._forget(now_s)
        self._now_s = now_s
        if epoch is not None:
            self._situation = self._hear(now_s, epoch)
        elif self._valid_at_s is not None:
            self._situation = _silent(self._situation, now_s - self._valid_at_s)
        findings = self._judge(now_s, self._watched if epoch is not None else self._timed)
        was = self._ladder.rung
        demand = max(finding.rung for finding in findings) if findings else Rung.FULL
        move = self._ladder.step(now_s, demand, inputs.reset, self._may_arm(now_s, findings))
        return Decision(
            now_s=now_s,
            rung=self._ladder.rung,
            was=was,
            why=move.why,
            clear_s=move.clear_s,
            grant=self._ladder.grant(now_s),
            findings=findings,
            situation=self._situation,
            armed=self._ladder.armed,
        )

    def _judge(self, now_s: float, ones: list[Watched]) -> tuple[Finding, ...]:
        """All findings, after asking those monitors again whose findings may have changed."""
        for one in ones:
            found = one.find(now_s, self._situation)
            if found is not None:
                self._found[one.monitor.name] = found
            else:
                self._found.pop(one.monitor.name, None)
        if not self._found:
            return ()
        return tuple(
            self._found[one.monitor.name]
            for one in self._watched
            if one.monitor.name in self._found
        )

    def _hear(self, now_s: float, epoch: Epoch) -> Situation:
        """The situation at an epoch that has just arrived."""
        utc_lag_s = self._utc_lag_s(now_s, epoch.utc_s)
        silence_s = None if self._valid_at_s is None else now_s - self._valid_at_s
        position = _position(epoch)
        if position is None:
            return Situation(epoch, silence_s=silence_s, utc_lag_s=utc_lag_s)
        self._valid_at_s = now_s
        heading_deg, may_reverse = self._heading_deg(epoch)
        place = self._fence.frame.to_local(*position)
        clearance = self._footprint.clearance(self._fence, *place, heading_deg, may_reverse)
        return Situation(
            epoch,
            clearance_m=clearance.metres,
            nearest=clearance.ring,
            bound_m=bound_m(epoch, self._settings.bound),
            silence_s=silence_s,
            utc_lag_s=utc_lag_s,
        )

    def _utc_lag_s(self, now_s: float, utc_s: float) -> float | None:
        went_back = not utc_s >= self._utc_s
        if went_back or utc_s > self._utc_s:
            self._utc_s = utc_s
            self._utc_advanced_at_s = now_s
        return None if went_back else now_s - self._utc_advanced_at_s

    def _heading_deg(self, epoch: Epoch) -> tuple[float | None, bool]:
        """The heading where it is told, else the course while the mower is fast enough.

        Of a course nobody knows whether the mower is reversing: the second value says so.
        """
        if _known(epoch.heading_deg):
            return epoch.heading_deg, False
        if _known(epoch.course_deg) and (epoch.speed_mps or 0.0) > self._course_from_mps:
            return epoch.course_deg, True
        return None, False

    def _may_arm(self, now_s: float, findings: tuple[Finding, ...]) -> bool:
        """A fixed solution, inside the fence, with no demand, for long enough."""
        epoch, clearance_m = self._situation.epoch, self._situation.clearance_m
        fixed = epoch is not None and epoch.quality == FIXED
        if findings or not fixed or clearance_m is None or not clearance_m > 0.0:
            self._sound_since_s = None
            return False
        if self._sound_since_s is None:
            self._sound_since_s = now_s
        return now_s - self._sound_since_s >= self._settings.arm.fixed_for_s


def _silent(situation: Situation, silence_s: float) -> Situation:
    """The same situation, that much later."""
    epoch, clearance_m, nearest, bound_m, _, utc_lag_s = situation
    return Situation(epoch, clearance_m, nearest, bound_m, silence_s, utc_lag_s)


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value)


def _position(epoch: Epoch) -> tuple[float, float] | None:
    """Latitude and longitude in degrees, where there is a solution and both make sense."""
    lat_deg, lon_deg = epoch.lat_deg, epoch.lon_deg
    if not epoch.quality or lat_deg is None or lon_deg is None:
        return None
    if not (abs(lat_deg) <= 90.0 and abs(lon_deg) <= 180.0):
        return None
    return lat_deg, lon_deg
