"""The ways that a simulated mower takes: laps along the fence lines, stripes, lanes, passages."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely

from fenceguard.judgement.courses import turned_deg
from fenceguard.lawn.fence import Fence
from fenceguard.lawn.frame import Array
from fenceguard.mower.footprint import Footprint
from fenceguard.mower.path import Path
from fenceguard.settings import Settings

HALF_WIDTH_M = 0.25
EDGE_CLEARANCE_M = 0.10
"""What a lap leaves between footprint and fence line, in corners too."""
CORNER_RADII_M = (4.0, 2.0)
"""The widest that the lawn has room for."""
STRIPES_FROM_LINE_M = 0.9
LANE_NOSE_M = 0.3
"""How far before the fence line the nose is at the end of a lane."""
STRIPE_M = 0.4
SPACING_M = 0.1
LOOK = 3
"""Points over which the bend of the route is measured."""
SHARPEST = 1.0
"""Radians in `LOOK` points; what bends more is a turn on the spot."""
TURNING_MPS = 0.05
ARRIVING_MPS2 = 0.3
"""How gently a planner comes to where it must be slower."""
BRAKING_MPS2 = 0.6
"""And whoever only knows that there is a turn: a bit less than its brakes can do."""
PLAN_TURNS_DEG = 2.0
"""The heading's own noise."""
PLAN_WAITS_S = 1.0
"""From the supervisor's word to the controller's braking, with a margin."""
PLAN_KEEPS_M = 0.5
"""The bound, the supervisor's margins, noise, and the controller's own delay."""

Point = tuple[float, float]
EDGE, STRIPES, LANES, WAY = "edge", "stripes", "lanes", "way"
WAYS = (EDGE, STRIPES, LANES, WAY)


class Route(NamedTuple):
    """Points to follow, round and round, with the mower's axle."""

    points_m: list[Point]
    """About every `SPACING_M` along the way."""
    speeds_mps: list[float]
    """How fast a builder who knows the supervisor's limits would plan to be at each point."""
    turning_mps: list[float]
    """The same of one who slows down for turns on the spot alone."""
    kind: str
    """`edge`, a lap along a fence line; `stripes`, that end well before it; `lanes`, that end
    close before it; `way`, one of the lawn's own."""


class Planner:
    """Plans routes on a fence for a mower, and the speeds on them.

    `footprint` is that about the axle.
    """

    def __init__(self, settings: Settings, fence: Fence, footprint: Footprint) -> None:
        self._fence = fence
        self._footprint = footprint
        self._stopping = settings.mower.stopping.worst()
        self._top_mps = settings.mower.full_mps
        self._path = Path(footprint, settings.mower.course_error_deg + PLAN_TURNS_DEG)

    def routes(
        self, ways_m: Sequence[Sequence[Point]] = (), field: shapely.Geometry | None = None
    ) -> list[Route]:
        """All edge laps, stripes, the lawn's own ways.

        A `field`, a part of the lawn, is mown in lanes that end close to the fence line instead.
        """
        routes = [self._route(self._kept_clear(ring), EDGE) for ring in _laps(self._fence)]
        nose_m = self._footprint.box(0.0).most_ahead_m
        if field is None:
            ends, kind = _stripes(self._fence.area, STRIPES_FROM_LINE_M), STRIPES
        else:
            ends, kind = _stripes(field, nose_m + LANE_NOSE_M), LANES
        if len(ends):
            routes.append(self._route(ends, kind))
        return routes + [self._route(np.array(way_m), WAY) for way_m in ways_m]

    def _kept_clear(self, ring: shapely.LinearRing) -> Array:
        """A lap with the lawn to its left, moved that way where the footprint swings too near."""
        points_m = np.array(spaced(np.array(ring.coords)))
        along = np.roll(points_m, -1, axis=0) - np.roll(points_m, 1, axis=0)
        headings_deg = np.degrees(np.arctan2(along[:, 0], along[:, 1]))
        clearances_m = np.array(
            [
                self._footprint.clearance(self._fence, east_m, north_m, heading_deg).metres
                for (east_m, north_m), heading_deg in zip(points_m, headings_deg, strict=True)
            ]
        )
        short_m = np.maximum(0.0, EDGE_CLEARANCE_M - clearances_m)
        near = range(-LOOK, LOOK + 1)
        # All around as far as in the worst place near by, without steps.
        aside_m = np.max([np.roll(short_m, n) for n in near], axis=0)
        aside_m = np.mean([np.roll(aside_m, n) for n in near], axis=0)
        left = np.radians(headings_deg - 90.0)
        moved_m: Array = points_m + aside_m[:, None] * np.column_stack([np.sin(left), np.cos(left)])
        return np.concatenate([moved_m, moved_m[:1]])

    def _route(self, corners_m: Array, kind: str) -> Route:
        points_m = spaced(corners_m)
        speeds_mps = self._speeds_mps(points_m)
        turning_mps = [self._top_mps] * len(points_m)
        if kind != EDGE:
            for corner in corners_m:
                nearest = min(range(len(points_m)), key=lambda n: math.dist(points_m[n], corner))
                turning_mps[nearest] = TURNING_MPS
        planned_mps = list(map(min, speeds_mps, turning_mps))
        return Route(
            points_m,
            _arriving(planned_mps, ARRIVING_MPS2),
            _arriving(turning_mps, BRAKING_MPS2),
            kind,
        )

    def _speeds_mps(self, points_m: list[Point]) -> list[float]:
        """What the way ahead permits at each point, less what a plan keeps in hand."""
        stopping, top_mps = self._stopping, self._top_mps
        wait_s = stopping.reaction_s + PLAN_WAITS_S
        horizon_m = PLAN_KEEPS_M + stopping.horizon_m(top_mps, wait_s, ARRIVING_MPS2)
        speeds_mps = []
        for n, (east_m, north_m) in enumerate(points_m):
            heading_deg = _direction_deg(points_m, n)
            bend = math.radians(turned_deg(_direction_deg(points_m, n - LOOK), heading_deg))
            bend = max(-SHARPEST, min(SHARPEST, bend))
            clearance_m = self._footprint.clearance(self._fence, east_m, north_m, heading_deg)
            ahead_m = self._path.ahead_m(
                self._fence,
                east_m,
                north_m,
                heading_deg,
                heading_deg,
                bend / (LOOK * SPACING_M),
                clearance_m.metres,
                horizon_m,
            )
            permitted_mps = stopping.permitted_mps(ahead_m - PLAN_KEEPS_M, wait_s, ARRIVING_MPS2)
            speeds_mps.append(max(TURNING_MPS, min(top_mps, permitted_mps)))
        return speeds_mps


def _arriving(speeds_mps: list[float], slowing_mps2: float) -> list[float]:
    """Speeds round and round a route, slowed in time for where they must be lower."""
    arriving_mps = list(speeds_mps)
    for _lap in range(2):
        for n in range(len(speeds_mps) - 1, -1, -1):
            after_mps = arriving_mps[(n + 1) % len(speeds_mps)]
            reached_mps = math.sqrt(after_mps**2 + 2.0 * slowing_mps2 * SPACING_M)
            arriving_mps[n] = min(arriving_mps[n], reached_mps)
    return arriving_mps


def _direction_deg(points_m: list[Point], n: int) -> float:
    here, after = points_m[n % len(points_m)], points_m[(n + 1) % len(points_m)]
    return math.degrees(math.atan2(after[0] - here[0], after[1] - here[1]))


def _laps(fence: Fence) -> list[shapely.LinearRing]:
    near_m = HALF_WIDTH_M + EDGE_CLEARANCE_M
    lane = shapely.buffer(fence.area, -near_m, quad_segs=32)
    for radius_m in CORNER_RADII_M:
        rounded = shapely.buffer(
            shapely.buffer(lane, -radius_m, quad_segs=32), radius_m, quad_segs=32
        )
        rings = []
        for part in shapely.get_parts(shapely.orient_polygons(rounded)):
            if part.area > 1.0:
                rings += [part.exterior, *part.interiors]
        if rings:
            return rings
    return []


def _stripes(area: shapely.Geometry, from_line_m: float) -> Array:
    """Ends of the stripes, one after the other, west to east and back."""
    field = shapely.buffer(area, -from_line_m)
    if field.is_empty:
        return np.empty((0, 2))
    west, south, east, north = field.bounds
    ends: list[Point] = []
    for number in range(math.floor((north - south) / STRIPE_M) + 1):
        level = south + number * STRIPE_M
        line = shapely.LineString([(west - 1.0, level), (east + 1.0, level)])
        pieces = [
            piece
            for piece in shapely.get_parts(shapely.intersection(line, field))
            if piece.length > STRIPE_M
        ]
        # Of a stripe that a keep-out cuts in two, only the longest piece is mown.
        if pieces:
            piece = max(pieces, key=lambda one: float(one.length))
            stripe = sorted(piece.coords, reverse=number % 2 == 1)
            ends += [stripe[0], stripe[-1]]
    return np.array(ends)


def spaced(corners_m: Array) -> list[Point]:
    """Points about every `SPACING_M` along a line through corners, without its end."""
    line = shapely.LineString(corners_m)
    count = max(1, round(line.length / SPACING_M))
    ways_m = np.arange(count) * line.length / count
    return [(point.x, point.y) for point in shapely.line_interpolate_point(line, ways_m)]
