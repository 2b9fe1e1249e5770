"""The supervisor: time and epochs in, decisions out."""

import math
from typing import NamedTuple, Protocol, Self, TypeGuard

from fenceguard.judgement.attitude import STANDING_MPS, Attitudes
from fenceguard.judgement.belief import Belief
from fenceguard.judgement.ladder import Ladder
from fenceguard.judgement.limits import Limited, limited
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.motion import Motion
from fenceguard.judgement.parameters import Parameters
from fenceguard.judgement.speed import Speed
from fenceguard.judgement.tells import Missing
from fenceguard.judgement.types import (
    NOTHING_PRESSED,
    Attitude,
    Bound,
    Decision,
    Evidence,
    Finding,
    Inputs,
    Rung,
    Situation,
    Trust,
)
from fenceguard.judgement.way_out import WayOut
from fenceguard.lawn.fence import Fence
from fenceguard.mower.clearances import Clearances, Pose
from fenceguard.mower.footprint import Clearance, Footprint
from fenceguard.mower.path import Path
from fenceguard.receiver.epoch import Epoch

OF_ROOM = frozenset(monitor.name for monitor in MONITORS if monitor.of_room)
TOO_FAST = 2.0
"""So many times the top speed is no mower's: no look ahead is far enough then."""


LATE = 1.5
"""An epoch that is late by no more than half its time is none that is missing."""
SPARE_M = 0.1
"""Farther than needed to look ahead: what rounding and single steps of the path take."""


class Seen(NamedTuple):
    """What is known of a pose besides its clearance."""

    pose: Pose
    attitude: Attitude
    bound: Bound | None
    solution: int | None
    """The GGA quality code that the place was found with; None for a place in the reach."""
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
        # Seen from the axle: a turn on the spot moves that nowhere.
        self._path = Path(Footprint(mower.outline_m, mower.axle_m), mower.course_error_deg)
        self._belief = Belief(parameters, fence.surface)
        self._attitudes = Attitudes(mower)
        self._speed = Speed(mower)
        self._motion = Motion(mower)
        self._way_out = WayOut(parameters.way_out)
        self._way_out_mps = parameters.way_out.mps
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
        self._attitudes.forget()
        self._speed.forget()
        self._motion.forget()
        self._way_out.forget()
        self._sound_since_s: float | None = None
        self._penned_since_s: float | None = None
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
        self._motion.go_on(now_s, inputs)
        asked = self._limited
        if epoch is None and inputs == self._situation.inputs:
            asked = self._timed
        self._situation = self._later(now_s, epoch, inputs)
        permitted_mps = self._permitted_mps(now_s)
        if self._situation.at_least and self._hangs_on_clearance(permitted_mps):
            self._situation = self._exactly()
            permitted_mps = self._permitted_mps(now_s)
        self._situation = self._situation._replace(penned_s=self._penned_s(now_s, permitted_mps))
        reset = inputs.reset and not self._reset_was_down
        self._reset_was_down = inputs.reset
        if reset:
            self._belief.trust_again()
            self._way_out.begin()
            self._speed.look_again()
            self._motion.forget()
        findings, watched = self._judge(now_s, asked)
        was = self._ladder.rung
        demand = self._demand(now_s, findings)
        of_room = all(map(_of_room, findings))
        may_arm, has_room = self._may_arm(now_s, of_room), self._has_room()
        move = self._ladder.step(now_s, demand, reset, may_arm, of_room, has_room)
        self._belief.granted(self._granted_mps())
        creeps = self._way_out.is_open and self._ladder.rung is Rung.BLADE_OFF
        if creeps:
            held = any(one.rung >= Rung.HALTED for one in findings)
            permitted_mps = self._way_out_mps if held else max(self._way_out_mps, permitted_mps)
            if was is Rung.HALTED:
                move = move._replace(why="way_out")
        grant = self._ladder.grant(now_s, permitted_mps)
        self._speed.grant(now_s, grant)
        if self._situation.at_least and (self._ladder.rung is not was or watched):
            # It will be written down.
            self._situation = self._exactly()
        return Decision(
            now_s=now_s,
            rung=self._ladder.rung,
            was=was,
            why=move.why,
            clear_s=move.clear_s,
            grant=grant,
            findings=findings,
            watched=watched,
            situation=self._situation,
            armed=self._ladder.armed,
            way_out=creeps,
        )

    def _demand(self, now_s: float, findings: tuple[Finding, ...]) -> Rung:
        """The most severe demand; what room demands is milder for a mower that has a way out."""
        room = max((one.rung for one in findings if _of_room(one)), default=Rung.FULL)
        other = max((one.rung for one in findings if not _of_room(one)), default=Rung.FULL)
        if other >= Rung.HALTED or room > Rung.HALTED:
            self._way_out.forget()
            return max(room, other)
        if self._seen is not None:
            place = self._seen.pose.east_m, self._seen.pose.north_m
            rests = self._speed.rests_since_s(now_s) is not None
            # A way out is for those who creep.
            demanded = room is Rung.HALTED and not self._speed.ignores_slow
            self._way_out.step(self._situation, place, self._ladder.rung, rests, demanded)
        if self._way_out.is_open:
            room = min(room, Rung.BLADE_OFF)
        return max(room, other)

    def _has_room(self) -> bool:
        """Whether at `full` nothing that hangs on the clearance would be demanded so soon again.

        The mower may speed up until the epoch after the next: sooner no slow line shows.
        """
        if self._ladder.rung is not Rung.SLOWED or self._seen is None:
            return True
        situation = self._situation
        if self._is_clear_at_full(situation):
            return True
        return situation.at_least and self._is_clear_at_full(self._exactly())

    def _is_clear_at_full(self, situation: Situation) -> bool:
        since_s = max(situation.since_s, situation.due_s) + situation.due_s
        at_full = situation._replace(since_s=since_s, most_mps=self._speed.released_mps)
        return all(one.is_clear(at_full) for one in self._by_clearance if one.acts)

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
        due_s = self._belief.learned.due_s
        situation = self._situation if silence_s <= LATE * due_s else self._with_starts()
        return situation._replace(
            silence_s=silence_s,
            since_s=silence_s,
            most_mps=self._speed.most_mps(now_s, max(0.0, silence_s - due_s)),
            inputs=inputs,
        )

    def _hear(self, now_s: float, epoch: Epoch, inputs: Inputs) -> Situation:
        """The situation at an epoch that has just arrived."""
        silence_s = None if self._valid_at_s is None else now_s - self._valid_at_s
        position = _position(epoch)
        place = None if position is None else self._fence.frame.to_local(*position)
        believed = self._belief.hear(now_s, epoch, place)
        evidence = _missing(believed.evidence, self._motion.missing)
        if believed.place is None:
            return Situation(
                epoch,
                silence_s=silence_s,
                utc_lag_s=believed.utc_lag_s,
                evidence=evidence,
                inputs=inputs,
            )
        if not believed.fresh and self._seen is not None:
            # No news of where the mower is: time goes on since the last.
            return self._later(now_s, None, inputs)._replace(
                epoch=epoch, utc_lag_s=believed.utc_lag_s, evidence=evidence
            )
        self._valid_at_s = now_s
        place, bound = believed.place, believed.bound
        if believed.odd:
            epoch = epoch._replace(speed_mps=None, course_deg=None)
        rests_since_s = self._speed.rests_since_s(now_s)
        solution = None if bound is not None and bound.reach_m > 0.0 else epoch.quality
        if self._seen is not None and solution != self._seen.solution:
            self._attitudes.leap()
        attitude = self._attitudes.hear(now_s, believed.at_s, epoch, place, rests_since_s)
        speed_mps = self._speed.hear(now_s, epoch)
        pose = Pose(*place, attitude.headings_deg)
        seen = self._seen = Seen(pose, attitude, bound, solution, speed_mps)
        situation = Situation(
            epoch,
            bound=bound,
            silence_s=silence_s,
            utc_lag_s=believed.utc_lag_s,
            speed_mps=speed_mps,
            most_mps=self._speed.most_mps(now_s),
            stopping=self._mower.stopping,
            stations=self._fence.stations,
            height_off_m=self._height_off_m(epoch, place),
            evidence=evidence,
            learned=self._belief.learned,
            attitude=attitude,
            contradiction=self._motion.hear(now_s, epoch),
            inputs=inputs,
            place=place,
        )
        at_least_m = self._clearances.at_least_m(seen.pose)
        if not _bounded(bound) or at_least_m <= max(0.0, bound.radius_m):
            return self._with_clearance(situation, seen, self._clearances.exact(seen.pose))
        nearby = Clearance(at_least_m, "")
        return self._with_clearance(situation, seen, nearby)._replace(at_least=True)

    def _with_clearance(self, situation: Situation, seen: Seen, clearance: Clearance) -> Situation:
        """The situation with the clearance of its pose, and the way ahead by it."""
        bound, ahead_m = seen.bound, None
        if _bounded(bound):
            # What the bound takes away is looked for beyond, but nowhere past open lawn.
            horizon_m = self._horizon_m(seen.speed_mps)
            horizon_m += min(bound.radius_m, max(0.0, clearance.metres))
            ahead_m = self._ahead_m(seen, clearance.metres, horizon_m) - bound.radius_m
        return situation._replace(
            clearance_m=clearance.metres, nearest=clearance.ring, ahead_m=ahead_m, at_least=False
        )

    def _with_starts(self) -> Situation:
        """The present situation of a mower that nobody sees: it may have set out either way."""
        seen = self._seen
        assert seen is not None
        if not seen.attitude.starts:
            return self._situation
        ways = seen.attitude.ways + seen.attitude.starts
        self._seen = seen._replace(attitude=seen.attitude._replace(ways=ways, starts=()))
        return self._exactly()

    def _horizon_m(self, speed_mps: float) -> float:
        """How far ahead to look, bound apart."""
        mower, top_mps = self._mower, self._mower.full_mps
        look_mps = min(max(speed_mps, top_mps), TOO_FAST * top_mps)
        # What is used up until the next epoch comes is looked at now, even if that is a bit late.
        wait_s = (self._wait_s() or mower.stopping.reaction_s) + LATE * self._belief.learned.due_s
        horizon_m = mower.stopping.horizon_m(look_mps, wait_s, mower.service_mps2)
        return mower.keep_m + SPARE_M + horizon_m

    def _wait_s(self) -> float | None:
        """For how long the mower goes on from an epoch before it comes down to the told speed."""
        mower = self._mower
        if mower.told_before_s is None:
            return None
        waits_s = mower.stopping.reaction_s + self._belief.learned.due_s
        return waits_s + mower.told_before_s + mower.hears_s

    def _ahead_m(self, seen: Seen, clearance_m: float, horizon_m: float) -> float:
        """The shortest of the ways that the axle may go."""
        pose, attitude = seen.pose, seen.attitude
        if not attitude.ways:
            return clearance_m
        place = pose.east_m, pose.north_m
        return min(
            self._path.ahead_m(
                self._fence,
                *self._attitudes.axle(place, way.heading_deg),
                way.heading_deg,
                way.travel_deg,
                attitude.curvature_per_m,
                clearance_m,
                horizon_m,
            )
            for way in attitude.ways
        )

    def _hangs_on_clearance(self, permitted_mps: float) -> bool:
        """Whether a search for the nearest line could change what is decided now.

        What is sure of the clearance is never more than the clearance, and the way ahead by it is
        never longer. So where that is enough for every monitor and for the top speed, the exact
        values are, too.
        """
        if permitted_mps < self._mower.full_mps or self._way_out.is_open:
            return True
        return not all(one.is_clear(self._situation) for one in self._by_clearance)

    def _exactly(self) -> Situation:
        """The present situation with the clearance as it is."""
        assert self._seen is not None
        exact = self._clearances.exact(self._seen.pose)
        return self._with_clearance(self._situation, self._seen, exact)

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

    def _permitted_mps(self, now_s: float) -> float:
        """The speed from which the mower comes down in time, whatever line might be next."""
        situation, mower, wait_s = self._situation, self._mower, self._wait_s()
        if wait_s is None:
            return mower.full_mps
        if situation.ahead_m is None:
            return 0.0
        # Since the epoch it may have gone on, and have come to what it was told.
        gone_m = mower.stopping.gone_m(situation.speed_mps, self._speed.told_mps, situation.since_s)
        left_m = situation.ahead_m - gone_m - mower.keep_m
        permitted_mps = mower.stopping.permitted_mps(left_m, wait_s, mower.service_mps2)
        if self._speed.keeps_told or mower.halted_before_s is None:
            return permitted_mps
        # It need not keep that, and must not be halted for what else it could do.
        unseen_s = mower.stopping.reaction_s + mower.halted_before_s
        unseen_s += max(0.0, situation.due_s - situation.since_s)
        top_mps = self._speed.by_lines_mps(now_s)
        unhalted_mps = mower.stopping.unhalted_mps(left_m, mower.hears_s, unseen_s, top_mps)
        return min(permitted_mps, unhalted_mps)

    def _penned_s(self, now_s: float, permitted_mps: float) -> float | None:
        """For how long the mower has all but stood, and been told to go no faster than a creep."""
        stands = self._situation.speed_mps <= STANDING_MPS
        if not stands or self._situation.ahead_m is None or permitted_mps >= self._way_out_mps:
            self._penned_since_s = None
            return None
        if self._penned_since_s is None:
            self._penned_since_s = now_s
        return now_s - self._penned_since_s

    def _granted_mps(self) -> float:
        """How fast the rung lets the mower go; as told, if it is seen to keep that."""
        if self._ladder.rung >= Rung.HALTED:
            return 0.0
        mower, speed = self._mower, self._speed
        rung_mps = mower.full_mps if self._ladder.rung is Rung.FULL else mower.slowed_mps
        return min(rung_mps, speed.told_mps) if speed.keeps_told else rung_mps

    def _may_arm(self, now_s: float, of_room: bool) -> bool:
        """A trusted position for long enough; what room demands does not matter."""
        if not of_room or self._situation.trust is not Trust.TRUSTED:
            self._sound_since_s = None
            return False
        if self._sound_since_s is None:
            self._sound_since_s = now_s
        return now_s - self._sound_since_s >= self._armed_after_s


def _missing(evidence: Evidence, missing: Missing | None) -> Evidence:
    """The evidence with what the controller tells no more, where that has been away longest."""
    if missing is None or missing.for_s <= evidence.missing_s:
        return evidence
    return evidence._replace(missing=missing.name, missing_s=missing.for_s)


def _of_room(finding: Finding) -> bool:
    """Whether it tells that the fence is near, and how near."""
    return finding.monitor in OF_ROOM and finding.value is not None


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
