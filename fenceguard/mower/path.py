"""The room along the mower's path, kept apart from the room at its sides."""

import math

import numpy as np
import shapely

from fenceguard.lawn.fence import Fence, Shapes
from fenceguard.lawn.frame import Array
from fenceguard.mower.footprint import Footprint

STEP_M = 0.05
STRAIGHT_PER_M = 1e-6
"""A curvature that is none."""


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
        off = np.array([0.0, -self._spread, self._spread, 0.0])
        bend_per_m = np.array([0.0, 0.0, 0.0, curvature_per_m])
        # In a turn the corners go farther than the antenna, and a course that is off turns them.
        swing = 1.0 + abs(bend_per_m) * self._footprint.reach_m
        sure_m = float(((clearance_m - abs(off) * self._footprint.reach_m) / swing).min())
        if sure_m >= horizon_m:
            return sure_m
        step_m = STEP_M / swing
        # A full circle comes back to where it began.
        circle_m = math.tau / np.maximum(abs(bend_per_m), STRAIGHT_PER_M)
        counts = np.ceil(np.minimum(horizon_m, circle_m) / step_m).astype(int)
        off, bend_per_m, step_m = np.repeat([off, bend_per_m, step_m], counts, axis=1)
        before_m = np.concatenate([np.arange(count) for count in counts]) * step_m
        start = (east_m, north_m), math.radians(heading_deg), math.radians(travel_deg)
        after = self._placed(*start, off, bend_per_m, before_m + step_m)
        free = shapely.contains_properly(fence.area, shapely.polygons(after))
        true = off == 0.0
        before = self._placed(*start, off[true], bend_per_m[true], before_m[true])
        free[true] &= shapely.contains_properly(fence.area, _between(before, after[true]))
        return max(sure_m, float(before_m[~free].min(initial=horizon_m)))

    def _placed(
        self,
        start_m: tuple[float, float],
        heading: float,
        travel: float,
        off: Array,
        bend_per_m: Array,
        way_m: Array,
    ) -> Array:
        """Corners after each way, begun `off` radians from the direction of travel."""
        turned = bend_per_m * way_m
        # The chord of an arc points half-way between the directions at its ends.
        chord = travel + off + turned / 2.0
        chord_m = way_m * np.sinc(turned / 2.0 / np.pi)
        places_m = np.column_stack([chord_m * np.sin(chord), chord_m * np.cos(chord)]) + start_m
        return self._footprint.placed(places_m, heading + off + turned)


def _between(before: Array, after: Array) -> Shapes:
    """For each step a line along the ways of all corners (shapes (steps, corners, 2)).

    To and fro by turns, so that from one way to the next it follows a side of the outline.
    """
    ways = np.stack([before, after], axis=2)
    ways[:, 1::2] = ways[:, 1::2, ::-1].copy()
    lines: Shapes = shapely.linestrings(ways.reshape(len(ways), -1, 2))
    return lines
