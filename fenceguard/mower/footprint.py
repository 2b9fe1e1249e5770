"""What the mower covers on the ground, and how far that is from the fence."""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely

from fenceguard.lawn.fence import Fence
from fenceguard.lawn.frame import Array

SAMPLE_STEP_M = 0.02
MAX_SAMPLES = 2000


class Clearance(NamedTuple):
    """Signed distance from the footprint to the nearest fence line, and that line's ring."""

    metres: float
    ring: str


class Box(NamedTuple):
    """The rectangle around the outline, seen from the antenna along some direction."""

    least_ahead_m: float
    most_ahead_m: float
    least_left_m: float
    most_left_m: float


class Footprint:
    """The mower's outline, turned about its antenna.

    `outline_m` holds the corners as (ahead, left) pairs in metres from any point of the mower that
    suits whoever measures, `antenna_m` the antenna's place in the same terms.
    """

    def __init__(
        self, outline_m: Sequence[tuple[float, float]], antenna_m: tuple[float, float]
    ) -> None:
        self._corners = np.array(outline_m, dtype=float) - np.array(antenna_m, dtype=float)
        self.reach_m = float(np.hypot(*self._corners.T).max())
        """Distance from the antenna to the farthest corner."""
        self._samples = _samples(self._corners)
        self._pairs_m = [(ahead_m, left_m) for ahead_m, left_m in self._corners.tolist()]

    def box(self, turned: float) -> Box:
        """The box along a direction from which the nose is turned, in radians clockwise."""
        sin, cos = math.sin(turned), math.cos(turned)
        ahead_m = [ahead * cos + left * sin for ahead, left in self._pairs_m]
        left_m = [left * cos - ahead * sin for ahead, left in self._pairs_m]
        return Box(min(ahead_m), max(ahead_m), min(left_m), max(left_m))

    def placed(self, places_m: Array, headings: Array) -> Array:
        """The corners with the antenna at each of some places, shape (..., corners, 2).

        `places_m` holds east and north, shape (..., 2), `headings` radians clockwise from north,
        shape (...).
        """
        turns = np.moveaxis(_turn(np.sin(headings), np.cos(headings)), (0, 1), (-2, -1))
        corners: Array = places_m[..., np.newaxis, :] + self._corners @ turns
        return corners

    def clearance(
        self, fence: Fence, east_m: float, north_m: float, *headings_deg: float
    ) -> Clearance:
        """Clearance with the antenna at a place of the local frame.

        Exact while the whole footprint is inside. Past the line it is minus the depth of the
        deepest point of the footprint, to within 2 cm for a mower of up to about 0.8 m². With more
        than one heading it is the worst of them. With none it is the worst over all: that of a disc
        about the antenna.
        """
        antenna = np.array([east_m, north_m])
        if not headings_deg:
            nearest = fence.nearest(shapely.points(antenna[np.newaxis]))
            inside = bool(fence.holds(antenna[np.newaxis])[0])
            signed_m = nearest.distance_m if inside else -nearest.distance_m
            return Clearance(signed_m - self.reach_m, nearest.ring)
        headings = [math.radians(heading_deg) for heading_deg in headings_deg]
        turns = np.array([_turn(math.sin(one), math.cos(one)) for one in headings])
        corners = antenna + self._corners @ turns
        nearest = fence.nearest(shapely.polygons(corners))
        if nearest.distance_m > 0.0 and bool(fence.holds(corners[:, 0]).all()):
            return Clearance(nearest.distance_m, nearest.ring)
        samples = antenna + self._samples @ turns
        return Clearance(-fence.depth_m(samples.reshape(-1, 2)), nearest.ring)


def _turn(sin: Any, cos: Any) -> Array:
    """Matrix from (ahead, left) rows to (east, north) rows, heading clockwise from north."""
    return np.array([[sin, cos], [-cos, sin]])


def _samples(corners: Array) -> Array:
    """Points that cover the outline and all that it encloses; shape (n, 2)."""
    shape = shapely.polygons(corners)
    step_m = max(SAMPLE_STEP_M, math.sqrt(shape.area / MAX_SAMPLES))
    low, high = corners.min(axis=0), corners.max(axis=0)
    ahead, left = np.meshgrid(
        np.arange(low[0], high[0], step_m), np.arange(low[1], high[1], step_m)
    )
    grid = np.column_stack([ahead.ravel(), left.ravel()])
    rim = shapely.get_coordinates(shapely.segmentize(shape, step_m))
    return np.concatenate([grid[shapely.contains_xy(shape, grid)], rim])
