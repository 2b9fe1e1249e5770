"""The track of the last seconds: how the course bends, and whether it is the way taken."""

import math
from collections import deque
from typing import NamedTuple

from fenceguard.judgement.reckoning import Place

TURN_S = 1.0
"""Over this time a turn, and the course's own noise, are averaged."""
GAP_S = 1.2
"""A course is not carried over a longer gap."""
MOVED_M = 0.3
"""Less of a way says nothing about its direction."""
LEAST_WAY_M = 0.25
"""A turn on the spot counts as one along short a way."""


class _Point(NamedTuple):
    at_s: float
    place: Place
    way_m: float
    travel_deg: float | None


class Track:
    """Follows where one mower goes."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._points: deque[_Point] = deque()
        self._bend_per_m = 0.0

    def hear(self, at_s: float, place: Place, way_m: float, travel_deg: float | None) -> None:
        """A place, the way so far, and the direction in which the mower goes, where it is told."""
        points = self._points
        if points and at_s - points[-1].at_s > GAP_S:
            self.forget()
            points = self._points
        points.append(_Point(at_s, place, way_m, travel_deg))
        while at_s - points[0].at_s > 2.0 * TURN_S:
            points.popleft()

    def course_off_deg(self) -> float | None:
        """By how much the way taken lies outside the directions between which the course turned.

        Of the last stretch that is long enough.
        """
        newest = self._points[-1]
        for point in reversed(self._points):
            if point.travel_deg is None or newest.travel_deg is None:
                return None
            if math.dist(newest.place, point.place) >= MOVED_M:
                way_deg = _direction_deg(point.place, newest.place)
                half_turn_deg = turned_deg(point.travel_deg, newest.travel_deg) / 2.0
                off_deg = abs(turned_deg(point.travel_deg + half_turn_deg, way_deg))
                return max(0.0, off_deg - abs(half_turn_deg))
        return None

    def curvature_per_m(self) -> float:
        """The gentler one of the last two bends: a single direction that is off is no turn."""
        before, self._bend_per_m = self._bend_per_m, self._newest_bend_per_m()
        if before * self._bend_per_m <= 0.0:
            return 0.0
        return min(before, self._bend_per_m, key=abs)

    def _newest_bend_per_m(self) -> float:
        newest = self._points[-1]
        long_ago = (p for p in reversed(self._points) if newest.at_s - p.at_s >= TURN_S)
        point = next(long_ago, self._points[0])
        if point.travel_deg is None or newest.travel_deg is None:
            return 0.0
        way_m = max(newest.way_m - point.way_m, LEAST_WAY_M)
        return math.radians(turned_deg(point.travel_deg, newest.travel_deg)) / way_m


def turned_deg(from_deg: float, to_deg: float) -> float:
    """The shorter way from one direction to another, -180 to 180, positive clockwise."""
    return (to_deg - from_deg + 180.0) % 360.0 - 180.0


def _direction_deg(here: Place, there: Place) -> float:
    return math.degrees(math.atan2(there[0] - here[0], there[1] - here[1]))
