"""Reckoning: where speed and course lead, and how far off that may be.

A receiver measures its speed by Doppler shift, apart from its position. Added up, speed and course
tell how the position must change. That is off by

- a share of the way: likely the same share all along, so that of a way there and back nothing is
  left; at worst of the whole length;
- half of each change of speed times the time between two speeds, which are independent and add up
  in squares; a change that the mower cannot make is an error of the speed, and adds up plainly;
- where more epochs are missing between two speeds than no mower could use to go elsewhere, what it
  may have done otherwise than its grants had it do, and at worst how far it may have swung out;
- while no speed is told, what the mower may have gained or lost since;
- a slow speed that is told without a course: it may lead anywhere.

The mower's own grants bound what it can have driven unseen: nothing once the drive line was off and
the mower has come to rest. A slow speed that is told of such a mower is noise, and no way. A speed
that no vehicle can have come to is as good as not told.
"""

import math
from collections import deque
from typing import NamedTuple

from fenceguard.judgement.parameters import TrustParameters
from fenceguard.judgement.types import SLOWEST_S
from fenceguard.receiver.epoch import Epoch

MISSING = 1.5
"""A step so many times the shortest of the last ones has epochs missing in it."""
BRIDGED_M = 0.05
"""An epoch may be missing where no mower can have swung out by more meanwhile."""
STEPS = 16
"""Of so many steps the shortest one is looked for."""
STANDING_MPS = 0.03
"""Up to here a speed without a course is the noise of a receiver that stands."""
RESTING_MPS = 0.1
"""A slower receiver may leave out the course."""
MOVING_MPS = 0.25
"""A faster one moves, whatever the noise."""
DRIFT_S = 1.0
"""Over so long the noise of a mower at rest is averaged."""
TURNS_RPS = 1.0
"""No vehicle turns faster while it drives."""
CRUISES = 0.8
"""A mower at this share of its granted speed cruises; a slower one is up to something."""
ACROSS = 0.1
"""Share of a way that was not seen by which such a mower is likely to be off to a side."""
SPEED_NOISE_MPS = 0.05
"""By so much a mower may be faster than its receiver tells."""
OVER_MPS = 0.3
"""A mower that is faster than its grants explain, by more than noise, is not held by them."""
NOISE_MPS = 0.3
"""A speed that changed by more than brakes can, and by this, is an outlier."""

Place = tuple[float, float]
"""East and north in m in the local frame."""


class Velocity(NamedTuple):
    """A velocity that was told."""

    at_s: float
    east_mps: float
    north_mps: float
    aimless_mps: float
    """Speed whose direction was not told."""

    @property
    def mps(self) -> float:
        """How fast, in whatever direction."""
        return math.hypot(self.east_mps, self.north_mps) + self.aimless_mps


def velocity_of(epoch: Epoch, at_s: float) -> Velocity | None:
    """The velocity that an epoch tells; None for none. At rest there is no course, none needed."""
    speed_mps, course_deg = epoch.speed_mps, epoch.course_deg
    if speed_mps is None or not math.isfinite(speed_mps):
        return None
    if course_deg is None or not math.isfinite(course_deg):
        aimless_mps = speed_mps if speed_mps > STANDING_MPS else 0.0
        return Velocity(at_s, 0.0, 0.0, aimless_mps) if speed_mps < RESTING_MPS else None
    course = math.radians(course_deg)
    return Velocity(at_s, speed_mps * math.sin(course), speed_mps * math.cos(course), 0.0)


class Reckoned(NamedTuple):
    """A way that was reckoned. Each error is how far its end may be off."""

    east_m: float = 0.0
    north_m: float = 0.0
    length_m: float = 0.0
    east_m2: float = 0.0
    north_m2: float = 0.0
    both_m2: float = 0.0
    """Independent errors, added up as a covariance: towards east, north, and of both."""
    plain_m: float = 0.0
    """Errors that add up as they are."""
    unlikely_m: float = 0.0
    """What comes on top at worst, where speeds are missing."""

    def plus(self, other: "Reckoned") -> "Reckoned":
        """This way, and then another."""
        return Reckoned(
            self.east_m + other.east_m,
            self.north_m + other.north_m,
            self.length_m + other.length_m,
            self.east_m2 + other.east_m2,
            self.north_m2 + other.north_m2,
            self.both_m2 + other.both_m2,
            self.plain_m + other.plain_m,
            self.unlikely_m + other.unlikely_m,
        )

    def since(self, earlier: "Reckoned") -> "Reckoned":
        """What was added to an earlier way to make it this one."""
        return Reckoned(
            self.east_m - earlier.east_m,
            self.north_m - earlier.north_m,
            self.length_m - earlier.length_m,
            self.east_m2 - earlier.east_m2,
            self.north_m2 - earlier.north_m2,
            self.both_m2 - earlier.both_m2,
            self.plain_m - earlier.plain_m,
            self.unlikely_m - earlier.unlikely_m,
        )

    def as_sure_as(self, earlier: "Reckoned") -> "Reckoned":
        """This way with the errors of an earlier one: all but the share of the way."""
        return Reckoned(self.east_m, self.north_m, self.length_m, *earlier[3:])

    def less_sure_by(self, step: "Reckoned") -> "Reckoned":
        """This way with the independent errors of a step as well."""
        return self._replace(
            east_m2=self.east_m2 + step.east_m2,
            north_m2=self.north_m2 + step.north_m2,
            both_m2=self.both_m2 + step.both_m2,
        )

    def likely_m(self, way_error: float, east: float, north: float) -> float:
        """How far off the end is likely to be at most in a direction, which is a unit vector.

        `way_error` is a share of how far the end is from the beginning.
        """
        square_m2 = east * east * self.east_m2 + north * north * self.north_m2
        square_m2 += 2.0 * east * north * self.both_m2
        shift_m = way_error * math.hypot(self.east_m, self.north_m)
        return self.plain_m + shift_m + math.sqrt(max(0.0, square_m2))

    def error_m(self, way_error: float) -> float:
        """How far off the end may be at worst, in any direction; `way_error` is of the length."""
        widest_m = math.sqrt(max(0.0, self.east_m2 + self.north_m2))
        return self.plain_m + way_error * self.length_m + widest_m + self.unlikely_m

    @property
    def most_m(self) -> float:
        """How long it may have been."""
        return self.length_m + self.error_m(0.0)


class _Cap:
    """The most that the mower can go, by its grants: up at once, down as it brakes."""

    def __init__(self, parameters: TrustParameters) -> None:
        self._parameters = parameters
        self.mps = 0.0

    def go_on(self, passed_s: float, slows_s: float, granted_mps: float) -> None:
        """Time has passed; of that so much since the mower answered to its grant."""
        if self.mps <= granted_mps or slows_s <= 0.0:
            return
        parameters = self._parameters
        halts = granted_mps <= 0.0
        slowing_mps2 = parameters.braking_mps2 if halts else parameters.speeding_up_mps2
        self.mps = max(granted_mps, self.mps - slowing_mps2 * min(passed_s, slows_s))


class Unseen:
    """How far, and for how long, the mower may have driven, by its grants and what speed told.

    Both only ever grow, so that a difference tells of the time between.
    """

    def __init__(self, parameters: TrustParameters) -> None:
        self._parameters = parameters
        self._by_grants = _Cap(parameters)
        self._at_most = _Cap(parameters)
        self._now_s = math.nan
        self._granted_mps = 0.0
        self._slows_from_s = -math.inf
        self._coasting = _Cap(parameters)
        self.way_m = 0.0
        self.moving_s = 0.0
        self.coasted_m = 0.0
        """How far it has gone since a speed was told, if it did as its grants had it do."""
        self.granted_before_mps = 0.0
        """What was granted when a speed was told last."""

    @property
    def allowed_mps(self) -> float:
        """The fastest that grants explain."""
        return self._by_grants.mps

    def begin(self, now_s: float) -> None:
        """What was driven before is not known: it may be at top speed."""
        self._now_s = now_s
        self._granted_mps = 0.0
        self._slows_from_s = now_s + self._parameters.reaction_s
        self._by_grants.mps = self._at_most.mps = self._parameters.top_mps

    def driven(self, mps: float) -> None:
        """A speed was told."""
        # It was as fast as told, or its noise less, as far as its grants had it go.
        self._at_most.mps = min(mps + SPEED_NOISE_MPS, max(mps, self._by_grants.mps))
        self._coasting.mps, self.coasted_m = mps, 0.0
        self.granted_before_mps = self._granted_mps

    def granted(self, mps: float) -> None:
        """What is granted from now on."""
        if mps < self._granted_mps:
            self._slows_from_s = self._now_s + self._parameters.reaction_s
        self._granted_mps = mps
        self._by_grants.mps = max(self._by_grants.mps, mps)

    def go_on(self, now_s: float) -> None:
        """Time has passed."""
        passed_s, self._now_s = now_s - self._now_s, now_s
        allowed_mps, mps = self._by_grants.mps, self._at_most.mps
        if mps < allowed_mps:
            # As long as its grants had it go, it may have sped up.
            mps += self._parameters.speeding_up_mps2 * passed_s
            mps = self._at_most.mps = min(allowed_mps, mps)
        if mps <= 0.0:
            return
        self.way_m += mps * passed_s
        self.moving_s += passed_s
        self.coasted_m += self._coasting.mps * passed_s
        slows_s = now_s - self._slows_from_s
        self._by_grants.go_on(passed_s, slows_s, self._granted_mps)
        self._at_most.go_on(passed_s, slows_s, self._granted_mps)
        self._coasting.go_on(passed_s, slows_s, self._granted_mps)


class Reckoning:
    """Adds up the velocities of one receiver. Times are seconds on any clock, the same for all."""

    def __init__(self, parameters: TrustParameters) -> None:
        self._top_mps = parameters.top_mps
        self._speeding_up_mps2 = parameters.speeding_up_mps2
        self._braking_mps2 = parameters.hardest_mps2
        self._hardest_mps2 = max(parameters.hardest_mps2, parameters.speeding_up_mps2)
        self.unseen = Unseen(parameters)
        self.forget()

    def forget(self) -> None:
        """Know no velocity, and begin a new way."""
        self._told: Velocity | None = None
        self._outlier: Velocity | None = None
        self._drift: Velocity | None = None
        """The mean of the last velocities of a mower at rest."""
        self._steps: deque[float] = deque(maxlen=STEPS)
        self._at_s = math.nan
        self._obeyed = True
        self._begun = self.unseen.way_m, self.unseen.moving_s
        self._sum = Reckoned()
        self.way = Reckoned()
        """All that was reckoned, up to the newest epoch."""

    @property
    def blind_s(self) -> float:
        """For how long no speed has been told; inf: never."""
        return math.inf if self._told is None else self._at_s - self._told.at_s

    @property
    def is_odd(self) -> bool:
        """Whether the newest epoch told a speed that the mower cannot have."""
        return self._outlier is not None and self._outlier.at_s == self._at_s

    @property
    def is_told(self) -> bool:
        """Whether the newest epoch told a speed, or none ever did."""
        return self._told is None or self._told.at_s == self._at_s

    @property
    def period_s(self) -> float:
        """The shortest of the last times between two speeds; inf while that is not known."""
        return min(self._steps, default=math.inf)

    def hear(self, at_s: float, velocity: Velocity | None) -> None:
        """Go on to an epoch, with the velocity that it tells."""
        self._at_s = at_s
        unseen = self.unseen
        told, velocity = self._told, self._plausible(velocity)
        if velocity is not None and self._rests(velocity):
            velocity = Velocity(at_s, 0.0, 0.0, 0.0)
        obeyed, allowed_mps = self._obeyed, unseen.allowed_mps + OVER_MPS
        if velocity is not None:
            self._obeyed = velocity.mps <= allowed_mps
        way_m, moving_s = unseen.way_m - self._begun[0], unseen.moving_s - self._begun[1]
        if told is not None and not (obeyed and self._obeyed):
            # What it may have driven is not bounded by its grants.
            moving_s = at_s - told.at_s
            way_m = moving_s * max(self._top_mps, told.mps, velocity.mps if velocity else 0.0)
        if velocity is None:
            passed_s = moving_s if told is None else min(at_s - told.at_s, moving_s)
            self.way = self._sum.plus(self._on_its_own(told, passed_s, way_m))
            return
        if told is None:
            self._sum = self._sum.plus(Reckoned(plain_m=way_m))
        else:
            self._sum = self._sum.plus(self._between(told, velocity, moving_s, way_m))
            self._steps.append(at_s - told.at_s)
        self.way = self._sum
        self._told = velocity
        unseen.driven(velocity.mps)
        self._begun = unseen.way_m, unseen.moving_s

    def _rests(self, velocity: Velocity) -> bool:
        """Whether the mower, whose drive is off and has come to rest, is told to be so.

        What is told then is noise, unless it goes one way for a while, or is too fast for that.
        """
        before = self._drift
        if self.unseen.allowed_mps > 0.0 or before is None:
            self._drift = Velocity(velocity.at_s, 0.0, 0.0, 0.0)
            return self.unseen.allowed_mps <= 0.0 and velocity.mps < RESTING_MPS
        share = min(1.0, (velocity.at_s - before.at_s) / DRIFT_S)
        self._drift = Velocity(
            velocity.at_s,
            before.east_mps + share * (velocity.east_mps - before.east_mps),
            before.north_mps + share * (velocity.north_mps - before.north_mps),
            before.aimless_mps + share * (velocity.aimless_mps - before.aimless_mps),
        )
        return velocity.mps < MOVING_MPS and self._drift.mps < RESTING_MPS

    def _plausible(self, velocity: Velocity | None) -> Velocity | None:
        """The velocity, unless it is an outlier; a second one like it is none."""
        if velocity is None:
            return None
        for before in (self._told, self._outlier):
            if before is None:
                continue
            most_mps = NOISE_MPS + self._hardest_mps2 * (velocity.at_s - before.at_s)
            if math.dist(velocity[1:3], before[1:3]) <= most_mps:
                self._outlier = None
                return velocity
        if self._told is None:
            return velocity
        self._outlier = velocity
        return None

    def _between(
        self, before: Velocity, after: Velocity, moving_s: float, way_m: float
    ) -> Reckoned:
        """The way between two velocities."""
        passed_s = after.at_s - before.at_s
        swung_m = self._swung_m(before.mps, passed_s)
        if passed_s > MISSING * min(self.period_s, SLOWEST_S) and swung_m > BRIDGED_M:
            return self._across(before, after, min(passed_s, moving_s), way_m)
        east_m = (before.east_mps + after.east_mps) / 2.0 * passed_s
        north_m = (before.north_mps + after.north_mps) / 2.0 * passed_s
        # The error lies along the change of the speed.
        off_east_m = (after.east_mps - before.east_mps) / 2.0 * passed_s
        off_north_m = (after.north_mps - before.north_mps) / 2.0 * passed_s
        off_m, most_m = math.hypot(off_east_m, off_north_m), self._hardest_mps2 * passed_s**2 / 2.0
        plain_m = (before.aimless_mps + after.aimless_mps) / 2.0 * passed_s
        if off_m > most_m:
            plain_m += off_m - most_m
            off_east_m, off_north_m = most_m / off_m * off_east_m, most_m / off_m * off_north_m
        return Reckoned(
            east_m,
            north_m,
            math.hypot(east_m, north_m),
            off_east_m**2,
            off_north_m**2,
            off_east_m * off_north_m,
            plain_m,
        )

    def _across(self, before: Velocity, after: Velocity, passed_s: float, way_m: float) -> Reckoned:
        """The way between two velocities with epochs missing between them.

        A mower that cruised is likely to have gone on, slowing down as its grants had it, or of its
        own accord: so it is known better across its way than along it. What a slower one was up to
        is not known. It may have stopped, turned, or started.
        """
        unseen, mps = self.unseen, math.hypot(before.east_mps, before.north_mps)
        swung_m = self._swung_m(mps, passed_s)
        aimless_m = (before.aimless_mps + after.aimless_mps) / 2.0 * passed_s
        east_m = (before.east_mps + after.east_mps) / 2.0 * passed_s
        north_m = (before.north_mps + after.north_mps) / 2.0 * passed_s
        if mps < RESTING_MPS or mps < CRUISES * unseen.granted_before_mps:
            length_m = math.hypot(east_m, north_m)
            off_m = math.hypot(math.dist(before[1:3], after[1:3]) / 2.0 * passed_s, swung_m)
            off_m = min(off_m, max(length_m, way_m - length_m))
            square_m2 = off_m**2 / 2.0
            return Reckoned(east_m, north_m, length_m, square_m2, square_m2, 0.0, aimless_m, off_m)
        east, north = before.east_mps / mps, before.north_mps / mps
        ahead_mps = east * after.east_mps + north * after.north_mps
        aside_mps = east * after.north_mps - north * after.east_mps
        # As far as its grants had it go, or as the two speeds say, or anything between; but no
        # shorter than by braking and speeding up again.
        steady_m = (mps + ahead_mps) / 2.0 * passed_s
        most_m = max(unseen.coasted_m, steady_m)
        least_m = min(max(unseen.coasted_m / 2.0, steady_m - swung_m), steady_m)
        length_m, along_m = (most_m + least_m) / 2.0, (most_m - least_m) / 2.0
        across_m = ACROSS * length_m + abs(aside_mps) / 2.0 * passed_s
        return Reckoned(
            length_m * east - aside_mps / 2.0 * passed_s * north,
            length_m * north + aside_mps / 2.0 * passed_s * east,
            length_m,
            (along_m * east) ** 2 + (across_m * north) ** 2,
            (along_m * north) ** 2 + (across_m * east) ** 2,
            (along_m**2 - across_m**2) * east * north,
            aimless_m,
            min(swung_m, max(length_m, way_m - length_m)),
        )

    def _swung_m(self, mps: float, passed_s: float) -> float:
        """How far aside or back a mower is at worst that braked and sped up again, or turned."""
        up, down = self._speeding_up_mps2, self._braking_mps2
        return max(2.0 * up * down / (up + down), TURNS_RPS * mps) * passed_s**2 / 4.0

    def _on_its_own(self, told: Velocity | None, passed_s: float, way_m: float) -> Reckoned:
        """The way since a velocity was told last: as fast as before, with what may have changed."""
        if told is None:
            return Reckoned(plain_m=way_m)
        mps = math.hypot(told.east_mps, told.north_mps)
        stops_s = min(passed_s, mps / self._braking_mps2)
        lost_m = mps * (passed_s - stops_s) + self._braking_mps2 * stops_s**2 / 2.0
        gained_m = self._speeding_up_mps2 * passed_s**2 / 2.0
        length_m = mps * passed_s
        off_m = min(max(lost_m, gained_m), max(length_m, way_m - length_m))
        return Reckoned(
            told.east_mps * passed_s,
            told.north_mps * passed_s,
            length_m,
            plain_m=off_m + told.aimless_mps * passed_s,
        )
