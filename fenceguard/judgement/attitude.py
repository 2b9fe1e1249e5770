"""Where the mower points, and where it goes.

Theory of operation
-------------------
The heading is the attitude; without one the course is, either way round, as the mower may be
reversing. The course is that of the axle, about which the mower turns: what the antenna does
besides, because it is mounted elsewhere, is taken off.

A direction that is told no more is kept

- for a moment, or for one and a half times the receiver's own time from heading to heading, turned
  as far as the course has turned since;
- while the drive line is off and the mower has come to rest;
- without a heading also while Doppler says that it stands, or a slow course goes along with it.
  Where two of them on end do not, the mower has turned: their mean is the direction then, give or
  take its noise. A slow course of a mower that has come to rest with its drive off is noise;
- without a heading over a silence, if the mower has gone on in that direction or has not moved.

Where nothing is told and nothing is kept, a straight line of positions is a direction as well.

A mower that all but stands may set out either way. While it is seen, the last one counts, or ahead
where a heading is told; the other one does once nobody sees it.

Heading less course is averaged while the mower drives, the more allowed for the faster it turns.
What is found then holds until the next driving says otherwise. Where heading and course disagree by
more than either may be off, both count as attitudes; where the mean is more than the spread of the
path, it is a way of its own. So is a course to the side, at once: the mower slides, or is carried.

Nothing here depends on a clock: times are given.
"""

import math
from collections import deque
from typing import NamedTuple

from fenceguard.judgement.courses import (
    NOISES,
    Course,
    Courses,
    course_noise_deg,
    known,
    turned_deg,
)
from fenceguard.judgement.parameters import Corner, MowerParameters
from fenceguard.judgement.reckoning import Place
from fenceguard.judgement.types import NO_ATTITUDE, Attitude, Way
from fenceguard.receiver.epoch import Epoch

TURN_S = 1.0
"""Over this time a turn, and the course's own noise, are averaged."""
MOVED_M = 0.3
"""Less of a way says nothing about its direction."""
STOOD_M = 0.1
"""What has moved less over a silence has stood."""
LINE_M = 0.03
"""Positions no farther off a line are on it."""
ON_LINE = 5
"""So many positions make one, at the least."""
MOST_ON_LINE = 100
"""Older positions are forgotten, or a mower that stands would keep them all."""
REVERSES_DEG = 90.0
"""What turns by more from one epoch to the next has reversed: that is no bend of its way."""
LEAST_WAY_M = 0.25
"""A turn on the spot counts as one along short a way."""
STANDING_MPS = 0.1
"""Slower than this Doppler does not tell moving from standing."""
SIDEWAYS_DEG = 45.0
"""A course that is farther off than this does not go along with a direction."""
LAG_S = 0.15
"""By so much heading and course may be apart in time."""
COMPARED_S = 2.0
"""Over this time heading and course are compared: a metre at 0.5 m/s."""
AGREEING = 2
"""So many slow courses on end say that the mower has turned: a single one may be noise."""
LEAST_COMPARED = 3
"""So many comparisons at the least: one or two may be noise."""
PERIODS = 1.5
"""A heading is late past so many times the time from one to the next."""


class _Point(NamedTuple):
    at_s: float
    place: Place
    travel_deg: float
    way_m: float


class _Compared(NamedTuple):
    """Heading and course at one epoch, the one less the other, and how far off that may be."""

    at_s: float
    told_deg: float
    course_deg: float
    off_deg: float
    noise_deg: float


class Attitudes:
    """Follows where one mower points and goes."""

    def __init__(self, mower: MowerParameters) -> None:
        self._mower = mower
        self._lever_m = (
            mower.axle_m[0] - mower.antenna_m[0],
            mower.axle_m[1] - mower.antenna_m[1],
        )
        """From the antenna to the axle, ahead and left."""
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._last: tuple[float, float, Epoch, Place] | None = None
        self._nose_deg: float | None = None
        self._travel_deg = 0.0
        self._by_heading = False
        self._doubt_deg = 0.0
        """By how much a slow course may be off to either side."""
        self._kept_at_s = self._course_at_s = -math.inf
        self._heading_at_s = -math.inf
        self._heading_every_s = 0.0
        self._heading_deg = 0.0
        self._course_at_heading_deg: float | None = None
        self._points: deque[_Point] = deque()
        self._places: deque[Place] = deque(maxlen=MOST_ON_LINE)
        self._bend_per_m = 0.0
        self._courses = Courses()
        self._compared: deque[_Compared] = deque()
        self._mean_off_deg = self._beyond_deg = 0.0
        self._was_compared = False

    def axle(self, place: Place, nose_deg: float) -> Place:
        """Where the axle is when the antenna is at a place."""
        return _moved(place, self._lever_m, nose_deg)

    def leap(self) -> None:
        """The next place is found in another way: what lies between is no way taken."""
        self._points.clear()

    def hear(
        self,
        now_s: float,
        at_s: float,
        epoch: Epoch,
        place: Place,
        rests_since_s: float | None,
    ) -> Attitude:
        """The attitude at an epoch with a position, `at_s` by the receiver's own time.

        `rests_since_s`: since when the mower is known to be at rest, None where it may move.
        """
        told_deg = known(epoch.heading_deg)
        speed_mps, course_deg = self._axle_motion(at_s, epoch, told_deg)
        mean = None
        if told_deg is None and course_deg is not None and speed_mps > STANDING_MPS:
            mean = self._courses.hear(at_s, speed_mps, course_deg)
            if not self._by_heading:
                course_deg = mean.course_deg
        moving = course_deg is not None and speed_mps > self._mower.course_from_mps
        if told_deg is not None:
            self._take_heading(now_s, told_deg, course_deg if moving else None)
        elif moving and course_deg is not None:
            self._take_course(now_s, course_deg, 0.0)
        elif (
            not self._keep(now_s, epoch, place, mean, rests_since_s)
            and mean is not None
            and mean.agreeing >= AGREEING
            and rests_since_s is None
        ):
            self._take_course(now_s, mean.course_deg, mean.noise_deg)
        if told_deg is not None and self._last is not None and moving and course_deg is not None:
            self._compare(now_s, told_deg, course_deg, speed_mps)
        self._last = now_s, at_s, epoch, place
        if self._nose_deg is None:
            self._take_line(now_s, place)
        nose_deg = self._nose_deg
        if nose_deg is None or not self._is_kept(now_s, rests_since_s):
            self._nose_deg = None
            self._points.clear()
            self._bend_per_m = 0.0
            return NO_ATTITUDE._replace(heading_off_deg=self._heading_off_deg)
        self._go(course_deg if speed_mps > STANDING_MPS else None, nose_deg)
        sideways = (
            moving and course_deg is not None and not self._goes_along(course_deg, SIDEWAYS_DEG)
        )
        return self._attitude(at_s, place, nose_deg, speed_mps, course_deg if sideways else None)

    # What the direction is

    def _axle_motion(
        self, at_s: float, epoch: Epoch, told_deg: float | None
    ) -> tuple[float, float | None]:
        """Speed and course of the axle, the course None where it is not known."""
        speed_mps, course_deg = known(epoch.speed_mps), known(epoch.course_deg)
        if speed_mps is None or course_deg is None:
            return speed_mps or 0.0, None
        last = self._last
        if self._lever_m == (0.0, 0.0) or told_deg is None or last is None:
            return speed_mps, course_deg
        before_deg, passed_s = known(last[2].heading_deg), at_s - last[1]
        if before_deg is None or not 0.0 < passed_s <= TURN_S:
            return speed_mps, course_deg
        rate_rps = math.radians(turned_deg(before_deg, told_deg)) / passed_s
        # What is ahead goes right in a turn to the right, and what is left goes ahead.
        lever_mps = (rate_rps * self._lever_m[1], -rate_rps * self._lever_m[0])
        course = math.radians(course_deg)
        antenna_mps = (speed_mps * math.sin(course), speed_mps * math.cos(course))
        east_mps, north_mps = _moved(antenna_mps, lever_mps, told_deg)
        return math.hypot(east_mps, north_mps), math.degrees(math.atan2(east_mps, north_mps))

    def _take_heading(self, now_s: float, told_deg: float, course_deg: float | None) -> None:
        every_s = now_s - self._heading_at_s
        if every_s <= TURN_S * PERIODS:
            self._heading_every_s = every_s
        self._heading_at_s = self._kept_at_s = now_s
        self._nose_deg = self._heading_deg = told_deg
        self._course_at_heading_deg = course_deg
        if not self._by_heading:
            self._points.clear()
        self._by_heading, self._doubt_deg = True, 0.0

    def _take_course(self, now_s: float, course_deg: float, doubt_deg: float) -> None:
        if self._by_heading and now_s - self._kept_at_s <= self._held_s:
            since_deg = self._course_at_heading_deg
            if since_deg is not None:
                self._nose_deg = self._heading_deg + turned_deg(since_deg, course_deg)
            return
        if self._by_heading or now_s - self._course_at_s > self._held_s:
            # What lies between is no bend of the way.
            self._points.clear()
        self._by_heading, self._doubt_deg = False, doubt_deg
        self._kept_at_s = self._course_at_s = now_s
        self._nose_deg = course_deg

    def _take_line(self, now_s: float, place: Place) -> None:
        """The direction of the last positions, where they are on a line that is long enough."""
        places = self._places
        if places and math.dist(places[-1], place) > MOVED_M:
            # It has not been seen on its way.
            places.clear()
        places.append(place)
        if math.dist(places[0], place) < MOVED_M:
            return
        direction_deg = _direction_deg(places[0], place)
        straight = len(places) >= ON_LINE
        if straight and all(
            abs(_aside_m(places[0], direction_deg, one)) <= LINE_M for one in places
        ):
            self._nose_deg = self._travel_deg = direction_deg
            self._by_heading, self._doubt_deg, self._kept_at_s = False, 0.0, now_s
            places.clear()
        else:
            places.popleft()

    @property
    def _held_s(self) -> float:
        """How long a direction counts that is told no more."""
        if not self._by_heading:
            return self._mower.held_s
        return max(self._mower.held_s, PERIODS * self._heading_every_s)

    def _is_kept(self, now_s: float, rests_since_s: float | None) -> bool:
        until_s = now_s if rests_since_s is None else min(now_s, rests_since_s)
        return until_s - self._kept_at_s <= self._held_s

    def _keep(
        self,
        now_s: float,
        epoch: Epoch,
        place: Place,
        slow: Course | None,
        rests_since_s: float | None,
    ) -> bool:
        """No direction is told: see whether the one before still holds, or a slow course does."""
        if self._nose_deg is None or self._last is None:
            return False
        speed_mps = known(epoch.speed_mps)
        kept = self._is_kept(now_s, rests_since_s)
        silent = now_s - self._last[0] > self._held_s
        if silent and not kept and not self._by_heading:
            kept = self._went_on(self._last[3], place)
        elif rests_since_s is None:
            if self._by_heading or speed_mps is None:
                return kept
            if slow is None and speed_mps > STANDING_MPS:
                return kept
            if slow is not None:
                if not self._goes_along(slow.course_deg, SIDEWAYS_DEG):
                    return kept and slow.agreeing < AGREEING
                # What is known by slow courses alone becomes the surer, the more of them there are.
                kept = kept and not self._doubt_deg
        if kept:
            self._kept_at_s = now_s
        return kept

    def _went_on(self, before: Place, place: Place) -> bool:
        """Whether the mower has gone along its direction, or not moved."""
        if math.dist(before, place) < STOOD_M:
            return True
        return self._goes_along(_direction_deg(before, place), SIDEWAYS_DEG / 3.0)

    def _goes_along(self, course_deg: float, within_deg: float) -> bool:
        assert self._nose_deg is not None
        off_deg = abs(turned_deg(self._nose_deg, course_deg))
        return min(off_deg, 180.0 - off_deg) <= within_deg

    def _go(self, course_deg: float | None, nose_deg: float) -> None:
        """Which way it goes along its direction: as the course says, ahead while none is told."""
        if course_deg is None:
            if self._by_heading:
                self._travel_deg = nose_deg
            return
        reversing = abs(turned_deg(nose_deg, course_deg)) > 90.0
        self._travel_deg = (nose_deg + 180.0 * reversing) % 360.0

    # Heading and course

    def _compare(self, now_s: float, told_deg: float, course_deg: float, speed_mps: float) -> None:
        """Heading less course, either way round: over the last while, and over the last few."""
        compared = self._compared
        off_deg = turned_deg(course_deg, told_deg)
        if abs(off_deg) > 90.0:
            off_deg = turned_deg(180.0, off_deg)
        noise_deg = course_noise_deg(speed_mps)
        if compared:
            before = compared[-1]
            # A heading that leaps is no turn: the course must turn as well.
            turn_deg = min(
                abs(turned_deg(before.told_deg, told_deg)),
                abs(turned_deg(before.course_deg, course_deg)),
            )
            noise_deg += LAG_S * turn_deg / max(now_s - before.at_s, LAG_S)
        compared.append(_Compared(now_s, told_deg, course_deg, off_deg, noise_deg))
        while now_s - compared[0].at_s > COMPARED_S:
            compared.popleft()
        if len(compared) < LEAST_COMPARED:
            return
        self._was_compared = True
        self._mean_off_deg, self._beyond_deg = max(
            _off(tuple(compared)), _off(tuple(compared)[-LEAST_COMPARED:]), key=lambda one: one[1]
        )

    @property
    def _heading_off_deg(self) -> float | None:
        return self._beyond_deg if self._was_compared else None

    # What follows

    def _attitude(
        self,
        at_s: float,
        place: Place,
        nose_deg: float,
        speed_mps: float,
        sideways_deg: float | None,
    ) -> Attitude:
        axle = self.axle(place, nose_deg) if self._by_heading else place
        self._add_point(at_s, axle, speed_mps)
        course_off_deg = self._course_off_deg()
        bend_per_m = self._curvature_per_m(speed_mps)
        if (course_off_deg or 0.0) > self._mower.course_within_deg:
            return Attitude(course_off_deg=course_off_deg, heading_off_deg=self._heading_off_deg)
        travel_deg = self._travel_deg
        if self._by_heading:
            noses_deg: tuple[float, ...] = (nose_deg,)
            ways: tuple[Way, ...] = (Way(nose_deg, travel_deg),)
            if self._beyond_deg > self._mower.course_error_deg:
                other_deg = nose_deg - self._mean_off_deg
                noses_deg = (nose_deg, other_deg)
                ways += (Way(other_deg, travel_deg - self._mean_off_deg),)
            if abs(self._mean_off_deg) > self._mower.course_error_deg:
                ways += (Way(nose_deg, travel_deg - self._mean_off_deg),)
            if sideways_deg is not None:
                # It slides, or is carried.
                ways += (Way(nose_deg, sideways_deg),)
        else:
            aside_deg = math.degrees(math.asin(_within(-self._lever_m[0] * bend_per_m)))
            nose_deg -= aside_deg
            travel_deg -= aside_deg
            doubt_deg = self._doubt_deg
            off_deg = (-doubt_deg, doubt_deg) if doubt_deg else (0.0,)
            noses_deg = tuple(nose_deg + off + back for off in off_deg for back in (0.0, 180.0))
            ways = tuple(
                Way(nose_deg + off + back, travel_deg + off)
                for off in off_deg
                for back in (0.0, 180.0)
            )
        starts: tuple[Way, ...] = ()
        if speed_mps <= STANDING_MPS:
            starts = tuple(way._replace(travel_deg=way.travel_deg + 180.0) for way in ways)
        return Attitude(noses_deg, ways, starts, bend_per_m, course_off_deg, self._heading_off_deg)

    def _add_point(self, at_s: float, place: Place, speed_mps: float) -> None:
        points = self._points
        if points and not self._goes_on_from(points[-1], at_s):
            points.clear()
        way_m = 0.0
        if points:
            way_m = points[-1].way_m + speed_mps * (at_s - points[-1].at_s)
        points.append(_Point(at_s, place, self._travel_deg, way_m))
        while at_s - points[0].at_s > 2.0 * TURN_S:
            points.popleft()

    def _goes_on_from(self, point: _Point, at_s: float) -> bool:
        """Whether the way goes on from a point, without a gap, and in the same gear."""
        seen = 0.0 < at_s - point.at_s <= TURN_S * PERIODS
        return seen and abs(turned_deg(point.travel_deg, self._travel_deg)) <= REVERSES_DEG

    def _course_off_deg(self) -> float | None:
        """By how much the way taken lies outside the directions between which the mower turned.

        Of the last stretch that is long enough.
        """
        newest = self._points[-1]
        for point in reversed(self._points):
            if math.dist(newest.place, point.place) >= MOVED_M:
                way_deg = _direction_deg(point.place, newest.place)
                half_turn_deg = turned_deg(point.travel_deg, newest.travel_deg) / 2.0
                off_deg = abs(turned_deg(point.travel_deg + half_turn_deg, way_deg))
                return max(0.0, off_deg - abs(half_turn_deg))
        return None

    def _curvature_per_m(self, speed_mps: float) -> float:
        """The gentler one of the last two bends: a single direction that is off is no turn."""
        before, self._bend_per_m = self._bend_per_m, self._newest_bend_per_m(speed_mps)
        if before * self._bend_per_m <= 0.0:
            return 0.0
        return min(before, self._bend_per_m, key=abs)

    def _newest_bend_per_m(self, speed_mps: float) -> float:
        newest = self._points[-1]
        long_ago = (one for one in reversed(self._points) if newest.at_s - one.at_s >= TURN_S)
        point = next(long_ago, self._points[0])
        way_m = max(newest.way_m - point.way_m, LEAST_WAY_M)
        turn_deg = turned_deg(point.travel_deg, newest.travel_deg)
        if not self._by_heading:
            # Two courses are compared, each with its noise.
            noise_deg = math.sqrt(2.0) * course_noise_deg(speed_mps)
            turn_deg = math.copysign(max(0.0, abs(turn_deg) - noise_deg), turn_deg)
        return math.radians(turn_deg) / way_m


def _off(compared: tuple[_Compared, ...]) -> tuple[float, float]:
    """The mean of some comparisons, and by how much it is beyond their noise."""
    mean_deg = sum(one.off_deg for one in compared) / len(compared)
    # Such noise lasts for about a second.
    free = max(1.0, (compared[-1].at_s - compared[0].at_s) / TURN_S)
    noise_deg = max(one.noise_deg for one in compared) / math.sqrt(free)
    return mean_deg, max(0.0, abs(mean_deg) - NOISES * noise_deg)


def _aside_m(here: Place, direction_deg: float, there: Place) -> float:
    direction = math.radians(direction_deg)
    east_m, north_m = there[0] - here[0], there[1] - here[1]
    return east_m * math.cos(direction) - north_m * math.sin(direction)


def _within(sine: float) -> float:
    return max(-1.0, min(1.0, sine))


def _moved(here: Place, ahead_left: Corner, direction_deg: float) -> Place:
    """What lies ahead and left of something, as one looks."""
    direction = math.radians(direction_deg)
    sin, cos = math.sin(direction), math.cos(direction)
    ahead, left = ahead_left
    return here[0] + ahead * sin - left * cos, here[1] + ahead * cos + left * sin


def _direction_deg(here: Place, there: Place) -> float:
    return math.degrees(math.atan2(there[0] - here[0], there[1] - here[1]))
