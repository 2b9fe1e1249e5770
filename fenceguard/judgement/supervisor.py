"""The supervisor: time and epochs in, decisions out."""

import math
from typing import NamedTuple, Protocol, Self, TypeGuard

from fenceguard.judgement.belief import Belief
from fenceguard.judgement.ladder import Ladder
from fenceguard.judgement.limits import Limited, limited
from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.track import Track, turned_deg
from fenceguard.judgement.types import (
    NOTHING_PRESSED,
    Bound,
    Decision,
    Finding,
    Inputs,
    Rung,
    Situation,
)
from fenceguard.lawn.fence import Fence
from fenceguard.mower.clearances import Clearances, Pose
from fenceguard.mower.footprint import Clearance, Footprint
from fenceguard.mower.path import Path
from fenceguard.receiver.epoch import FIXED, Epoch

TOO_FAST = 2.0
"""So many times the top speed is no mower's: no look ahead is far enough then."""


class Pointing(NamedTuple):
    """Directions clockwise from north; None where they are not known."""

    heading_deg: float | None = None
    travel_deg: float | None = None
    may_reverse: bool = False


NOWHERE = Pointing()


class Seen(NamedTuple):
    """What is known of a pose besides its clearance."""

    pose: Pose
    travel_deg: float | None
    curvature_per_m: float
    bound: Bound | None
    speed_mps: float


class HasParameters(Protocol):
    """Whatever can say what a supervisor must be told."""

    def parameters(self) -> Parameters:
        """The parameters of the judgement."""


class Supervisor:
    """Decides what the mower may do. Pure but for its own state: no clock, no I/O."""

    def __init__(self, parameters: Parameters, fence: Fence) -> None:
        self._fence = fence
        self._mower = mower = parameters.mower
        self._armed_after_s = parameters.armed_after_s
        footprint = Footprint(mower.outline_m, mower.antenna_m)
        self._clearances = Clearances(footprint, fence)
        self._path = Path(footprint, mower.course_error_deg)
        self._belief = Belief(parameters, fence.surface)
        self._track = Track()
        self._slowed_mps = parameters.ladder.slowed_mps
        self._ladder = Ladder(parameters.ladder)
        self._limited = limited(parameters.monitors)
        self._timed = [one for one in self._limited if one.timed]
        self._by_clearance = [one for one in self._limited if one.monitor.by_clearance]
        self._found: dict[str, Finding] = {}
        self._reset_was_down = True
        self._forget(math.nan)

    @classmethod
    def from_settings(cls, settings: HasParameters, fence: Fence) -> Self:
        """A supervisor that is told what the settings say."""
        return cls(settings.parameters(), fence)

    def _forget(self, now_s: float) -> None:
        """Know nothing of the receiver: at start, and when the clock has gone back."""
        self._now_s = now_s
        self._situation = Situation()
        self._seen: Seen | None = None
        self._clearances.forget()
        self._valid_at_s: float | None = None
        self._separation_m: float | None = None
        self._belief.begin(now_s)
        self._track.forget()
        self._pointed_at_s = -math.inf
        self._speed_told = -math.inf, 0.0
        self._pointing = NOWHERE
        self._sound_since_s: float | None = None
        for one in self._limited:
            one.forget()
        self._judge(now_s, self._limited)
        self._ladder.forget(now_s)

    @property
    def rung(self) -> Rung:
        """The rung that the ladder stands on."""
        return self._ladder.rung

    def step(self, now_s: float, epoch: Epoch | None, inputs: Inputs = NOTHING_PRESSED) -> Decision:
        """One decision.

        `now_s` is a clock that never goes back; if it does, all that was timed on it is forgotten
        and the mower halts. `epoch` is what has arrived since the step before, None if nothing.
        `inputs` are as they are now, whether they have changed or not. A reset is the button going
        down: one that is down at the first step counts once it has been released.
        """
        if not now_s >= self._now_s:
            self._forget(now_s)
        self._now_s = now_s
        self._belief.go_on(now_s)
        asked = self._limited
        if epoch is None and inputs == self._situation.inputs:
            asked = self._timed
        self._situation = self._later(now_s, epoch, inputs)
        permitted_mps = self._permitted_mps()
        if self._situation.at_least and self._hangs_on_clearance(permitted_mps):
            self._situation = self._exactly()
            permitted_mps = self._permitted_mps()
        reset = inputs.reset and not self._reset_was_down
        self._reset_was_down = inputs.reset
        if reset:
            self._belief.trust_again()
        findings, watched = self._judge(now_s, asked)
        was = self._ladder.rung
        demand = max(finding.rung for finding in findings) if findings else Rung.FULL
        move = self._ladder.step(now_s, demand, reset, self._may_arm(now_s, findings))
        self._belief.granted(self._granted_mps())
        if self._situation.at_least and (self._ladder.rung is not was or watched):
            # It will be written down.
            self._situation = self._exactly()
        return Decision(
            now_s=now_s,
            rung=self._ladder.rung,
            was=was,
            why=move.why,
            clear_s=move.clear_s,
            grant=self._ladder.grant(now_s, permitted_mps),
            findings=findings,
            watched=watched,
            situation=self._situation,
            armed=self._ladder.armed,
        )

    def _judge(
        self, now_s: float, ones: list[Limited]
    ) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
        """All findings, after asking those monitors again whose findings may have changed.

        First those that act, then those that only watch.
        """
        for one in ones:
            found = one.find(now_s, self._situation)
            if found is not None:
                self._found[one.monitor.name] = found
            else:
                self._found.pop(one.monitor.name, None)
        if not self._found:
            return (), ()
        standing = [one for one in self._limited if one.monitor.name in self._found]
        return (
            tuple(self._found[one.monitor.name] for one in standing if one.acts),
            tuple(self._found[one.monitor.name] for one in standing if not one.acts),
        )

    def _later(self, now_s: float, epoch: Epoch | None, inputs: Inputs) -> Situation:
        """The situation now: at an epoch that has just arrived, or that much later."""
        if epoch is not None:
            return self._hear(now_s, epoch, inputs)
        if self._valid_at_s is None:
            return self._situation._replace(inputs=inputs)
        silence_s = now_s - self._valid_at_s
        return self._situation._replace(silence_s=silence_s, since_s=silence_s, inputs=inputs)

    def _hear(self, now_s: float, epoch: Epoch, inputs: Inputs) -> Situation:
        """The situation at an epoch that has just arrived."""
        silence_s = None if self._valid_at_s is None else now_s - self._valid_at_s
        position = _position(epoch)
        place = None if position is None else self._fence.frame.to_local(*position)
        believed = self._belief.hear(now_s, epoch, place)
        if believed.place is None:
            return Situation(
                epoch,
                silence_s=silence_s,
                utc_lag_s=believed.utc_lag_s,
                evidence=believed.evidence,
                inputs=inputs,
            )
        if not believed.fresh and self._seen is not None:
            # No news of where the mower is: time goes on since the last.
            return self._later(now_s, None, inputs)._replace(
                epoch=epoch, utc_lag_s=believed.utc_lag_s, evidence=believed.evidence
            )
        self._valid_at_s = now_s
        place, bound = believed.place, believed.bound
        pointing = self._pointing_at(now_s, epoch)
        self._track.hear(believed.at_s, place, believed.way_m, pointing.travel_deg)
        course_off_deg = self._track.course_off_deg()
        if (course_off_deg or 0.0) > self._mower.course_within_deg:
            pointing = NOWHERE
        seen = self._seen = Seen(
            Pose(*place, pointing.heading_deg, pointing.may_reverse),
            pointing.travel_deg,
            self._track.curvature_per_m(),
            bound,
            self._speed_mps(now_s, epoch),
        )
        situation = Situation(
            epoch,
            bound=bound,
            silence_s=silence_s,
            utc_lag_s=believed.utc_lag_s,
            speed_mps=seen.speed_mps,
            stopping=self._mower.stopping,
            stations=self._fence.stations,
            height_off_m=self._height_off_m(epoch, place),
            evidence=believed.evidence,
            course_off_deg=course_off_deg,
            learned=self._belief.learned,
            inputs=inputs,
        )
        at_least_m = self._clearances.at_least_m(seen.pose)
        if not _bounded(bound) or at_least_m <= max(0.0, bound.radius_m):
            return self._with_clearance(situation, seen, self._clearances.exact(seen.pose))
        nearby = Clearance(at_least_m, "")
        return self._with_clearance(situation, seen, nearby)._replace(at_least=True)

    def _with_clearance(self, situation: Situation, seen: Seen, clearance: Clearance) -> Situation:
        """The situation with the clearance of its pose, and the way ahead by it."""
        pose, bound, ahead_m = seen.pose, seen.bound, None
        if _bounded(bound):
            # What the bound takes away is looked for beyond, but nowhere past open lawn.
            top_mps = self._mower.full_mps
            look_mps = min(max(seen.speed_mps, top_mps), TOO_FAST * top_mps)
            horizon_m = self._mower.stopping.horizon_m(look_mps)
            horizon_m += min(bound.radius_m, max(0.0, clearance.metres))
            ahead_m = -bound.radius_m + min(
                self._path.ahead_m(
                    self._fence,
                    pose.east_m,
                    pose.north_m,
                    heading_deg,
                    seen.travel_deg,
                    seen.curvature_per_m,
                    clearance.metres,
                    horizon_m,
                )
                for heading_deg in pose.headings_deg()
            )
        return situation._replace(
            clearance_m=clearance.metres, nearest=clearance.ring, ahead_m=ahead_m, at_least=False
        )

    def _hangs_on_clearance(self, permitted_mps: float) -> bool:
        """Whether a search for the nearest line could change what is decided now.

        What is sure of the clearance is never more than the clearance, and the way ahead by it is
        never longer. So where that is enough for every monitor and for the top speed, the exact
        values are, too.
        """
        if permitted_mps < self._mower.full_mps:
            return True
        return not all(one.is_clear(self._situation) for one in self._by_clearance)

    def _exactly(self) -> Situation:
        """The present situation with the clearance as it is."""
        assert self._seen is not None
        exact = self._clearances.exact(self._seen.pose)
        return self._with_clearance(self._situation, self._seen, exact)

    def _pointing_at(self, now_s: float, epoch: Epoch) -> Pointing:
        """Where the mower points and goes.

        The heading where it is told, else the course while the mower is fast enough. What was told
        last is held for a moment, as a sentence may get lost; a heading, even where there is a
        course, which is the noisier one. With both, a course that is nearer to the tail than to
        the nose is reversing; by its course alone the mower may be reversing.
        """
        fast = (epoch.speed_mps or 0.0) > self._mower.course_from_mps
        course_deg = epoch.course_deg if fast and _known(epoch.course_deg) else None
        if _known(epoch.heading_deg):
            heading_deg = epoch.heading_deg
            reversing = course_deg is not None and abs(turned_deg(heading_deg, course_deg)) > 90.0
            self._pointed_at_s = now_s
            travel_deg = (heading_deg + 180.0 * reversing) % 360.0
            self._pointing = Pointing(heading_deg, travel_deg, False)
            return self._pointing
        if now_s - self._pointed_at_s > self._mower.held_s:
            self._pointing = NOWHERE
        by_heading = self._pointing is not NOWHERE and not self._pointing.may_reverse
        if course_deg is not None and not by_heading:
            self._pointed_at_s = now_s
            self._pointing = Pointing(course_deg, course_deg, True)
        return self._pointing

    def _speed_mps(self, now_s: float, epoch: Epoch) -> float:
        """The speed as told, else for a moment the last one with what it may have gained."""
        if _known(epoch.speed_mps):
            self._speed_told = now_s, epoch.speed_mps
            return epoch.speed_mps
        told_at_s, told_mps = self._speed_told
        held_s = now_s - told_at_s
        if held_s > self._mower.held_s:
            return self._mower.full_mps
        return min(self._mower.full_mps, told_mps + self._mower.speeding_up_mps2 * held_s)

    def _height_off_m(self, epoch: Epoch, place: tuple[float, float]) -> float | None:
        surface, mount_m = self._fence.surface, self._mower.antenna_height_m
        altitude_m, height_m = epoch.altitude_m, epoch.height_m
        if height_m is not None and altitude_m is not None:
            self._separation_m = height_m - altitude_m
        elif altitude_m is not None and self._separation_m is not None:
            height_m = altitude_m + self._separation_m
        if surface is None or mount_m is None or height_m is None:
            return None
        off_m = abs(height_m - mount_m - surface.height_m(*place))
        return max(0.0, off_m - surface.tolerance_m)

    def _permitted_mps(self) -> float:
        """The speed from which mower and blade come to rest with the margins kept."""
        left_m = self._situation.left_ahead_m
        if left_m is None:
            return 0.0
        mower = self._mower
        return min(
            mower.stopping.permitted_mps(left_m - mower.keep_m),
            mower.stopping.blade_permitted_mps(left_m - mower.blade_keep_m),
        )

    def _granted_mps(self) -> float:
        """How fast the rung lets the mower go, told speed or not."""
        if self._ladder.rung >= Rung.HALTED:
            return 0.0
        return self._mower.full_mps if self._ladder.rung is Rung.FULL else self._slowed_mps

    def _may_arm(self, now_s: float, findings: tuple[Finding, ...]) -> bool:
        """A fixed solution, inside the fence, with no demand, for long enough."""
        epoch, clearance_m = self._situation.epoch, self._situation.clearance_m
        fixed = epoch is not None and epoch.quality == FIXED
        if findings or not fixed or clearance_m is None or not clearance_m > 0.0:
            self._sound_since_s = None
            return False
        if self._sound_since_s is None:
            self._sound_since_s = now_s
        return now_s - self._sound_since_s >= self._armed_after_s


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value)


def _bounded(bound: Bound | None) -> TypeGuard[Bound]:
    return bound is not None and math.isfinite(bound.radius_m)


def _position(epoch: Epoch) -> tuple[float, float] | None:
    """Latitude and longitude in degrees, where there is a solution and both make sense."""
    lat_deg, lon_deg = epoch.lat_deg, epoch.lon_deg
    if not epoch.quality or lat_deg is None or lon_deg is None:
        return None
    if not (abs(lat_deg) <= 90.0 and abs(lon_deg) <= 180.0):
        return None
    return lat_deg, lon_deg
