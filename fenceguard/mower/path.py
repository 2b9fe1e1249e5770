"""The room along the mower's path, kept apart from the room at its sides.

Whole stretches of a way are looked at before single steps. What the mower sweeps on a stretch lies
within a rectangle; where the rectangle is free, so is every step in it, and where it is not, the
stretch is halved, down to a few steps that are looked at one by one. The answer is that of looking
at every step; a rectangle only spares steps that are free. It is wide enough because, seen from a
pose of the mower, whatever moves `u` along a way with the curvature k from there

- is off the straight line by no more than the sagitta k u²/2, and
- is turned by k u, which moves no point of the outline farther than k u times its reach.

A course that is off by an angle a moves no point of the outline farther than a (u + reach).
"""

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import shapely

from fenceguard.lawn.fence import Fence, Shapes
from fenceguard.lawn.frame import Array
from fenceguard.mower.footprint import Box, Footprint

STEP_M = 0.05
STRAIGHT_PER_M = 1e-6
"""A curvature that is none."""
SINGLE_STEPS = 6
"""So many steps are looked at one by one; fewer cost as much."""
ROUNDING_M = 1e-6
"""By so much a rectangle is wider than reckoned, and far more than rounding takes from it."""


class _Start(NamedTuple):
    """Where the antenna is, where the nose points and where the mower goes, in radians."""

    east_m: float
    north_m: float
    heading: float
    travel: float
    box: Box
    """The outline, seen along the direction of travel."""


class _Way(NamedTuple):
    """A way that the mower may take."""

    off: float
    """Radians from the direction of travel at its beginning."""
    bend_per_m: float
    step_m: float
    """On which no corner moves farther than `STEP_M`."""


class Path:
    """Looks ahead along the ways that the mower may take; its course may be off by `spread_deg`."""

    def __init__(self, footprint: Footprint, spread_deg: float) -> None:
        self._footprint = footprint
        self._spread = math.radians(spread_deg)

    def ahead_m(
        self,
        fence: Fence,
        east_m: float,
        north_m: float,
        heading_deg: float | None,
        travel_deg: float | None,
        curvature_per_m: float,
        clearance_m: float,
        horizon_m: float,
    ) -> float:
        """How far the antenna can go before any part of the footprint may touch a fence line.

        The shortest of four ways: straight on, straight on with the course off to either side, and
        along the turn (`curvature_per_m`, positive clockwise). Less than the truth by what moves no
        corner farther than `STEP_M`, and no more than the horizon, which must be farther than the
        mower is long. `clearance_m` is that of the footprint where it is now; no corner can touch a
        line sooner. From a clearance that takes every corner to the horizon on, it is the way that
        is sure to be free; without heading or direction of travel it is the clearance itself.

        The ways with the course off begin one step ahead: what they touch before that, the mower
        leaves behind. On them a line may be missed that a corner grazes between two steps by less
        than half of `STEP_M`, unless the sides of the outline are parallel to the way; on the
        others only a keep-out that is smaller than that.
        """
        if clearance_m <= 0.0 or heading_deg is None or travel_deg is None:
            return clearance_m
        reach_m, bend_per_m = self._footprint.reach_m, abs(curvature_per_m)
        # In a turn the corners go farther than the antenna, and a course that is off turns them.
        swing = 1.0 + bend_per_m * reach_m
        sure_m = min(clearance_m - self._spread * reach_m, clearance_m / swing)
        if sure_m >= horizon_m:
            return sure_m
        heading, travel = math.radians(heading_deg), math.radians(travel_deg)
        box = self._footprint.box(heading - travel)
        start = _Start(east_m, north_m, heading, travel, box)
        if self._all_free(fence, start, bend_per_m, horizon_m):
            return max(sure_m, horizon_m)
        ways = [(0.0, 0.0), (-self._spread, 0.0), (self._spread, 0.0)]
        if curvature_per_m:
            ways.append((0.0, curvature_per_m))
        free_m = horizon_m
        for off, bend in ways:
            step_m = STEP_M / (1.0 + abs(bend) * reach_m)
            # A full circle comes back to where it began.
            circle_m = math.tau / max(abs(bend), STRAIGHT_PER_M)
            way = _Way(off, bend, step_m)
            steps = math.ceil(min(free_m, circle_m) / step_m)
            free_m = min(free_m, self._free_m(fence, start, way, 0, steps))
        return max(sure_m, free_m)

    def _all_free(self, fence: Fence, start: _Start, bend_per_m: float, horizon_m: float) -> bool:
        """Whether a shape that holds all four ways to the horizon is free.

        The outline's box now and at the end of the straight way, each wider by what the other ways
        move a point from there, and what lies between them. Both bounds curve upwards with the way,
        so that half-way no more is needed than half-way between the two.
        """
        box, reach_m = start.box, self._footprint.reach_m
        way_m = horizon_m + STEP_M
        near_m = self._spread * reach_m + ROUNDING_M
        far_m = ROUNDING_M + max(
            self._spread * (way_m + reach_m), bend_per_m * way_m * (way_m / 2.0 + reach_m)
        )
        if far_m - near_m > way_m:
            return False
        return _is_free(
            fence,
            start.east_m,
            start.north_m,
            start.travel,
            (
                (box.least_ahead_m - near_m, box.least_left_m - near_m),
                (box.least_ahead_m + way_m - far_m, box.least_left_m - far_m),
                (box.most_ahead_m + way_m + far_m, box.least_left_m - far_m),
                (box.most_ahead_m + way_m + far_m, box.most_left_m + far_m),
                (box.least_ahead_m + way_m - far_m, box.most_left_m + far_m),
                (box.least_ahead_m - near_m, box.most_left_m + near_m),
            ),
        )

    def _free_m(
        self, fence: Fence, start: _Start, way: _Way, first: int, end: int, doubtful: bool = False
    ) -> float:
        """Way to the first of some steps, `first` up to `end`, that is not free; inf for none.

        `doubtful`: that all of them are free is not worth asking.
        """
        if first >= end or (not doubtful and self._stretch_is_free(fence, start, way, first, end)):
            return math.inf
        if end - first <= SINGLE_STEPS:
            return self._by_steps_m(fence, start, way, first, end)
        middle = (first + end) // 2
        free_m = self._free_m(fence, start, way, first, middle)
        if free_m < math.inf:
            return free_m
        return self._free_m(fence, start, way, middle, end, doubtful=True)

    def _stretch_is_free(
        self, fence: Fence, start: _Start, way: _Way, first: int, end: int
    ) -> bool:
        """Whether a rectangle that holds some steps of a way is free; seen from their middle."""
        half_m = (end - first) * way.step_m / 2.0
        wider_m = ROUNDING_M + abs(way.bend_per_m) * half_m * (
            half_m / 2.0 + self._footprint.reach_m
        )
        way_m = (first + end) * way.step_m / 2.0
        half = way.bend_per_m * way_m / 2.0
        chord = start.travel + way.off + half
        chord_m = way_m * (math.sin(half) / half if half else 1.0)
        box = start.box
        behind_m, ahead_m = (
            box.least_ahead_m - half_m - wider_m,
            box.most_ahead_m + half_m + wider_m,
        )
        right_m, left_m = box.least_left_m - wider_m, box.most_left_m + wider_m
        return _is_free(
            fence,
            start.east_m + chord_m * math.sin(chord),
            start.north_m + chord_m * math.cos(chord),
            chord + half,
            ((behind_m, right_m), (ahead_m, right_m), (ahead_m, left_m), (behind_m, left_m)),
        )

    def _by_steps_m(self, fence: Fence, start: _Start, way: _Way, first: int, end: int) -> float:
        """The same as `_free_m`, step by step."""
        before_m = np.arange(first, end) * way.step_m
        placed = self._placed(start, way, np.concatenate([before_m, before_m + way.step_m]))
        before, after = placed[: end - first], placed[end - first :]
        free = shapely.contains_properly(fence.area, shapely.polygons(after))
        if way.off == 0.0:
            free &= shapely.contains_properly(fence.area, _between(before, after))
        return float(before_m[~free].min(initial=math.inf))

    def _placed(self, start: _Start, way: _Way, way_m: Array) -> Array:
        """Corners after each length of a way, shape (lengths, corners, 2)."""
        turned = way.bend_per_m * way_m
        # The chord of an arc points half-way between the directions at its ends.
        chord = start.travel + way.off + turned / 2.0
        chord_m = way_m * np.sinc(turned / 2.0 / np.pi)
        places_m = np.column_stack([chord_m * np.sin(chord), chord_m * np.cos(chord)])
        places_m += np.array([start.east_m, start.north_m])
        return self._footprint.placed(places_m, start.heading + way.off + turned)


def _is_free(
    fence: Fence,
    east_m: float,
    north_m: float,
    direction: float,
    corners_m: Iterable[tuple[float, float]],
) -> bool:
    """Whether a shape is inside the fence; its corners ahead and left of a place, as one looks."""
    sin, cos = math.sin(direction), math.cos(direction)
    places_m = [
        (east_m + ahead_m * sin - left_m * cos, north_m + ahead_m * cos + left_m * sin)
        for ahead_m, left_m in corners_m
    ]
    return bool(fence.area.contains_properly(shapely.polygons(np.array(places_m))))


def _between(before: Array, after: Array) -> Shapes:
    """For each step a line along the ways of all corners (shapes (steps, corners, 2)).

    To and fro by turns, so that from one way to the next it follows a side of the outline.
    """
    ways = np.stack([before, after], axis=2)
    ways[:, 1::2] = ways[:, 1::2, ::-1].copy()
    lines: Shapes = shapely.linestrings(ways.reshape(len(ways), -1, 2))
    return lines
