"""The fence: the ring that the mower must stay inside, with its keep-out rings."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from fenceguard.lawn.frame import Array, Frame
from fenceguard.lawn.surface import Surface

Shapes = npt.NDArray[np.object_]
"""Shapely geometries in an array."""


class Ring(NamedTuple):
    """A closed line of the fence in the local frame."""

    name: str
    keeps_in: bool
    points_m: Array
    """East and north of each corner, the first one repeated at the end; shape (n, 2)."""


class Nearest(NamedTuple):
    """The fence line nearest to something."""

    distance_m: float
    ring: str


class Fence:
    """Where the mower may be: inside the keep-in ring and outside every keep-out ring.

    `area` is that place as a shape in the local frame, `surface` the ground's where the fence was
    surveyed with heights, `stations` the reference stations that it was surveyed with, where known.
    """

    def __init__(
        self,
        frame: Frame,
        rings: Sequence[Ring],
        surface: Surface | None = None,
        stations: Sequence[str] = (),
    ) -> None:
        self.frame = frame
        self.surface = surface
        self.stations = tuple(stations)
        self.rings = tuple(rings)
        keep_in = shapely.union_all([shapely.polygons(r.points_m) for r in rings if r.keeps_in])
        keep_out = shapely.union_all(
            [shapely.polygons(r.points_m) for r in rings if not r.keeps_in]
        )
        self.area = shapely.difference(keep_in, keep_out)
        shapely.prepare(self.area)
        edges = [np.stack([r.points_m[:-1], r.points_m[1:]], axis=1) for r in rings]
        self._ring_of_edge = np.repeat(np.arange(len(edges)), [len(e) for e in edges])
        self._edges = shapely.STRtree(shapely.linestrings(np.concatenate(edges)))

    def nearest(self, shape: Shapes) -> Nearest:
        """Distance from shapes in the local frame to the fence line nearest to any of them.

        It is 0 where they meet.
        """
        pairs, distance = self._edges.query_nearest(shape, return_distance=True, all_matches=False)
        first = distance.argmin()
        return Nearest(float(distance[first]), self.rings[self._ring_of_edge[pairs[1, first]]].name)

    def holds(self, points_m: Array) -> npt.NDArray[np.bool_]:
        """For each point (shape (n, 2)) whether the mower may be there; a line is not inside."""
        held: npt.NDArray[np.bool_] = shapely.contains_xy(self.area, points_m)
        return held

    def depth_m(self, points_m: Array) -> float:
        """How far the worst of the points (shape (n, 2)) is past the fence line; 0 for none."""
        outside = points_m[~self.holds(points_m)]
        if not len(outside):
            return 0.0
        _pairs, distances = self._edges.query_nearest(
            shapely.points(outside), return_distance=True, all_matches=False
        )
        return float(distances.max())
