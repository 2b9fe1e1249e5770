"""The lawn's surface, from the heights at which the fence was surveyed."""

import math
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
import shapely

from fenceguard.lawn.frame import Array

FEWEST_POINTS = 4
"""A plane goes through any three points, and leaves no residual to judge it by."""
TRUST = 3.0
"""The tolerance, in standard deviations of the residuals."""
THIN_M = 0.001
"""Area by circumference of a triangle between points on a straight line, which has no slope."""
SAME_DIGITS = 3
"""Places that are the same to as many digits of a metre are one."""
WITHIN_M = 1e-6
"""A place so far inside a triangle is in no other one, however numbers are rounded."""

Place = tuple[float, float]
"""East and north in m."""
Factors = tuple[float, float, float]
"""What east and north are multiplied with, and what is added."""


class Surface(Protocol):
    """Heights of the ground above the ellipsoid, and how far off they may be."""

    tolerance_m: float

    def height_m(self, east_m: float, north_m: float) -> float:
        """Height of the ground at a place of the local frame."""

    def gradient(self, east_m: float, north_m: float) -> tuple[float, float]:
        """How much the ground rises there, in m for each m towards east and north."""


class Plane:
    """A plane through points (east, north, height; shape (n, 3), n of 4 or more).

    By least squares. Each coefficient that is fitted takes a degree of freedom from the residuals.
    """

    def __init__(self, points_m: Array) -> None:
        terms = np.column_stack([points_m[:, :2], np.ones(len(points_m))])
        self._coefficients = np.linalg.lstsq(terms, points_m[:, 2], rcond=None)[0]
        residuals_m = points_m[:, 2] - terms @ self._coefficients
        self.tolerance_m = TRUST * math.sqrt(float(residuals_m @ residuals_m) / (len(points_m) - 3))

    def height_m(self, east_m: float, north_m: float) -> float:
        """Height of the plane at a place."""
        return float(self._coefficients @ np.array([east_m, north_m, 1.0]))

    def gradient(self, _east_m: float, _north_m: float) -> tuple[float, float]:
        """How the plane rises, which is the same everywhere."""
        return float(self._coefficients[0]), float(self._coefficients[1])


class _Triangle(NamedTuple):
    """A triangle between points."""

    plane: Factors
    """Height of a place."""
    sides: tuple[Factors, ...]
    """For each side how far a place is inside of it, in m."""

    def height_m(self, east_m: float, north_m: float) -> float:
        """Height of the triangle's plane at a place."""
        east, north, level_m = self.plane
        return float(east * east_m + north * north_m + level_m)

    def surely_holds(self, east_m: float, north_m: float) -> bool:
        """Whether a place is inside, and not so near to a side that another may hold it too."""
        for east, north, level_m in self.sides:
            if not east * east_m + north * north_m + level_m > WITHIN_M:
                return False
        return True


class Triangles:
    """Triangles between points (east, north, height; shape (n, 3), n of 4 or more, in ring order).

    Between the points the height is interpolated, outside of all triangles it is that of the
    nearest point. The residual of a point is its distance from the straight line between its
    neighbours in the ring: it shows how rough the ground is at the spacing of the points. No two
    points may be at the same place.
    """

    def __init__(self, points_m: Array) -> None:
        self._points_m = points_m
        shapes = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(points_m[:, :2])))
        shapes = shapes[shapely.area(shapes) > THIN_M * shapely.length(shapes)]
        self._tree = shapely.STRtree(shapes)
        heights_m = {(east, north): height for east, north, height in points_m.tolist()}
        self._triangles = [_triangle(shape.exterior.coords[:3], heights_m) for shape in shapes]
        self._last: _Triangle | None = None
        before, after = np.roll(points_m, 1, axis=0), np.roll(points_m, -1, axis=0)
        way_m = np.hypot(*(points_m - before).T[:2])
        rest_m = np.hypot(*(after - points_m).T[:2])
        between_m = (before[:, 2] * rest_m + after[:, 2] * way_m) / (way_m + rest_m)
        residuals_m = points_m[:, 2] - between_m
        self.tolerance_m = TRUST * math.sqrt(float(np.mean(residuals_m**2)))

    def height_m(self, east_m: float, north_m: float) -> float:
        """Height between the points at a place.

        The triangle of the place before is asked first. Where it surely holds this place it is the
        only one that does, so that the height does not depend on the way that led there.
        """
        triangle = self._at(east_m, north_m)
        if triangle is None:
            offsets_m = np.hypot(*(self._points_m[:, :2] - [east_m, north_m]).T)
            return float(self._points_m[offsets_m.argmin(), 2])
        return triangle.height_m(east_m, north_m)

    def gradient(self, east_m: float, north_m: float) -> tuple[float, float]:
        """How the triangle of a place rises; outside of all triangles the ground is level."""
        triangle = self._at(east_m, north_m)
        return (0.0, 0.0) if triangle is None else (triangle.plane[0], triangle.plane[1])

    def _at(self, east_m: float, north_m: float) -> _Triangle | None:
        last = self._last
        if last is not None and last.surely_holds(east_m, north_m):
            return last
        found = self._tree.query(shapely.points(east_m, north_m), predicate="intersects")
        if not len(found):
            return None
        self._last = self._triangles[found[0]]
        return self._last


def _triangle(corners_m: Sequence[Place], heights_m: dict[Place, float]) -> _Triangle:
    """A triangle between three places, from the heights of all places."""
    plane = np.linalg.solve(
        [(*corner_m, 1.0) for corner_m in corners_m],
        [heights_m[corner_m] for corner_m in corners_m],
    )
    first, second, third = corners_m
    sides = _side(first, second, third), _side(second, third, first), _side(third, first, second)
    return _Triangle(tuple(plane.tolist()), sides)


def _side(begin_m: Place, end_m: Place, inside_m: Place) -> Factors:
    """For a place how far it is from a line, positive on the same side as another place."""
    length_m = math.dist(begin_m, end_m)
    east, north = (begin_m[1] - end_m[1]) / length_m, (end_m[0] - begin_m[0]) / length_m
    level_m = -(east * begin_m[0] + north * begin_m[1])
    sign = math.copysign(1.0, east * inside_m[0] + north * inside_m[1] + level_m)
    return sign * east, sign * north, sign * level_m


def fitted(points_m: Array) -> Surface | None:
    """The surface that fits points (shape (n, 3), in ring order) best; None for too few places.

    A plane, or triangles where the points lie so dense that these are rough by less than the plane
    is off. Of several points at one place the first counts.
    """
    _places, firsts = np.unique(points_m[:, :2].round(SAME_DIGITS), axis=0, return_index=True)
    if len(firsts) < FEWEST_POINTS:
        return None
    points_m = points_m[np.sort(firsts)]
    plane, triangles = Plane(points_m), Triangles(points_m)
    return triangles if triangles.tolerance_m < plane.tolerance_m else plane
