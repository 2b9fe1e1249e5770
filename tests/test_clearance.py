"""Clearance of the footprint, against a brute-force computation that knows nothing of shapely."""

import math
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Frame
from fenceguard.mower.footprint import SAMPLE_STEP_M, Footprint
from tests.conftest import many

Point = tuple[float, float]

OUTLINE: list[Point] = [(0.35, 0.25), (0.35, -0.25), (-0.25, -0.25), (-0.25, 0.25)]
NOTCHED: list[Point] = [(0.5, 0.3), (0.5, -0.3), (0.0, -0.1), (-0.4, -0.3), (-0.4, 0.3)]
LAWN: list[Point] = [(0, 0), (12, 0), (12, 3), (5, 3), (5, 8), (0, 8)]
BED: list[Point] = [(1.5, 4), (3.0, 4.5), (2.0, 6)]
STONE: list[Point] = [(8.0, 1.4), (8.1, 1.4), (8.1, 1.5), (8.0, 1.5)]
RINGS = {"lawn": LAWN, "bed": BED, "stone": STONE}


def fence() -> Fence:
    rings = [
        Ring(name, name == "lawn", np.array([*ring, ring[0]], dtype=float))
        for name, ring in RINGS.items()
    ]
    return Fence(Frame(0.0, 0.0), rings)


FENCE = fence()


def edges(ring: list[Point]) -> Iterator[tuple[Point, Point]]:
    yield from zip(ring, [*ring[1:], ring[0]], strict=True)


def point_to_edge(p: Point, a: Point, b: Point) -> float:
    dx, dy = b[0] - a[0], b[1] - a[1]
    t = ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy)
    t = min(1.0, max(0.0, t))
    return math.hypot(p[0] - a[0] - t * dx, p[1] - a[1] - t * dy)


def in_ring(p: Point, ring: list[Point]) -> bool:
    inside = False
    for a, b in edges(ring):
        if (a[1] > p[1]) != (b[1] > p[1]):
            x = a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
            inside ^= p[0] < x
    return inside


def signed(p: Point) -> float:
    """Distance of a point to the nearest fence line; negative where the mower may not be."""
    distance = min(point_to_edge(p, a, b) for ring in RINGS.values() for a, b in edges(ring))
    allowed = in_ring(p, LAWN) and not in_ring(p, BED) and not in_ring(p, STONE)
    return distance if allowed else -distance


def place(outline: list[Point], antenna: Point, heading_deg: float) -> list[Point]:
    h = math.radians(heading_deg)
    return [
        (
            antenna[0] + ahead * math.sin(h) - left * math.cos(h),
            antenna[1] + ahead * math.cos(h) + left * math.sin(h),
        )
        for ahead, left in outline
    ]


def crosses(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def nearest_distance(corners: list[Point]) -> float:
    """Least distance between the outline and any fence line, 0 where they cross."""
    least = math.inf
    for a, b in edges(corners):
        for ring in RINGS.values():
            for c, d in edges(ring):
                if crosses(a, b, c, d):
                    return 0.0
                least = min(
                    least,
                    point_to_edge(a, c, d),
                    point_to_edge(b, c, d),
                    point_to_edge(c, a, b),
                    point_to_edge(d, a, b),
                )
    return least


def brute(outline: list[Point], antenna: Point, heading_deg: float) -> float:
    """Clearance: exact inside, sampled past the line."""
    corners = place(outline, antenna, heading_deg)
    step = 0.01
    worst = min(map(signed, corners))
    if worst > 0.0:
        encloses = any(in_ring(p, corners) for ring in RINGS.values() for p in ring)
        distance = nearest_distance(corners)
        if distance > 0.0 and not encloses:
            return distance
    lows = [min(p[i] for p in corners) for i in (0, 1)]
    highs = [max(p[i] for p in corners) for i in (0, 1)]
    for i in range(int((highs[0] - lows[0]) / step) + 1):
        for j in range(int((highs[1] - lows[1]) / step) + 1):
            p = lows[0] + i * step, lows[1] + j * step
            if in_ring(p, corners):
                worst = min(worst, signed(p))
    return min(worst, 0.0)


@settings(max_examples=many(0.6), deadline=None)
@given(
    east=st.floats(-2.0, 14.0),
    north=st.floats(-2.0, 10.0),
    heading=st.floats(0.0, 360.0),
    outline=st.sampled_from([OUTLINE, NOTCHED]),
)
def test_equals_brute_force(
    east: float, north: float, heading: float, outline: list[Point]
) -> None:
    footprint = Footprint(outline, (0.0, 0.0))
    found = footprint.clearance(FENCE, east, north, heading).metres
    expected = brute(outline, (east, north), heading)
    if expected > 0.0:
        assert found == pytest.approx(expected, abs=1e-9)
    else:
        assert found == pytest.approx(expected, abs=SAMPLE_STEP_M + 0.01)
        assert found <= 0.0


@given(
    east=st.floats(-2.0, 14.0),
    north=st.floats(-2.0, 10.0),
    heading=st.floats(0.0, 360.0),
)
def test_an_unknown_heading_is_never_better_than_any_heading(
    east: float, north: float, heading: float
) -> None:
    footprint = Footprint(OUTLINE, (0.1, -0.05))
    unknown = footprint.clearance(FENCE, east, north).metres
    assert unknown <= footprint.clearance(FENCE, east, north, heading).metres + 1e-9


def test_an_unknown_heading_is_the_worst_heading_and_no_worse() -> None:
    footprint = Footprint(OUTLINE, (0.0, 0.0))
    assert footprint.reach_m == pytest.approx(math.hypot(0.35, 0.25))
    all_round = [footprint.clearance(FENCE, 6.5, 1.0, h / 10).metres for h in range(3600)]
    assert footprint.clearance(FENCE, 6.5, 1.0).metres == pytest.approx(min(all_round), abs=1e-4)


@pytest.mark.parametrize(
    ("heading", "expected", "meaning"),
    [
        (0.0, 1.0 - 0.25, "nose north, left side to the west"),
        (90.0, 1.0 - 0.25, "nose east, tail to the west"),
        (270.0, 1.0 - 0.35, "nose west"),
    ],
)
def test_the_outline_turns_with_the_heading(heading: float, expected: float, meaning: str) -> None:
    footprint = Footprint(OUTLINE, (0.0, 0.0))
    clearance = footprint.clearance(FENCE, 1.0, 1.6, heading)
    assert clearance.metres == pytest.approx(expected, abs=1e-9), meaning
    assert clearance.ring == "lawn"


def test_the_antenna_is_what_gets_positioned() -> None:
    """Common practice: the receiver positions the antenna, not the deck."""
    behind = Footprint(OUTLINE, (-0.25, 0.0))
    assert behind.clearance(FENCE, 1.0, 1.6, 270.0).metres == pytest.approx(1.0 - 0.60, abs=1e-9)


def test_names_the_nearest_ring() -> None:
    footprint = Footprint(OUTLINE, (0.0, 0.0))
    assert footprint.clearance(FENCE, 1.0, 5.0, 0.0).ring == "bed"
    assert footprint.clearance(FENCE, 8.7, 1.45, 0.0).ring == "stone"
    assert footprint.clearance(FENCE, 8.7, 1.45).ring == "stone"


def test_a_stone_under_the_mower_counts_though_no_corner_touches_it() -> None:
    clearance = Footprint(OUTLINE, (0.0, 0.0)).clearance(FENCE, 8.0, 1.45, 0.0)
    assert clearance.metres == pytest.approx(-0.05, abs=SAMPLE_STEP_M)
    assert clearance.ring == "stone"


def test_touching_the_line_leaves_no_clearance() -> None:
    touching = Footprint(OUTLINE, (0.0, 0.0)).clearance(FENCE, 0.25, 2.0, 0.0)
    assert touching.metres == pytest.approx(0.0, abs=1e-9)
    assert touching.metres <= 0.0


@pytest.mark.parametrize("east", [0.0, -0.3, -1.0, -5.0])
def test_farther_out_is_more_negative(east: float) -> None:
    footprint = Footprint(OUTLINE, (0.0, 0.0))
    here = footprint.clearance(FENCE, east, 2.0, 90.0).metres
    assert here == pytest.approx(east - 0.25, abs=SAMPLE_STEP_M)
    assert footprint.clearance(FENCE, east, 2.0).metres == pytest.approx(
        east - footprint.reach_m, abs=1e-9
    )


@given(st.floats(0.5, 11.5), st.floats(0.5, 7.5), st.floats(0.0, 360.0))
def test_of_two_ways_the_worse_counts(east_m: float, north_m: float, heading_deg: float) -> None:
    footprint = Footprint(NOTCHED, (0.0, 0.0))
    both = [
        footprint.clearance(FENCE, east_m, north_m, heading_deg + turned_deg).metres
        for turned_deg in (0.0, 180.0)
    ]
    clearance = footprint.clearance(FENCE, east_m, north_m, heading_deg, heading_deg + 180.0)
    assert clearance.metres == pytest.approx(min(both), abs=1e-9)


@pytest.mark.parametrize("ahead_m", [-0.75, -0.4, 0.0, 0.6, 1.15])
@pytest.mark.parametrize("left_m", [-0.2, 0.0, 0.2])
@pytest.mark.parametrize("first", range(4))
def test_a_stone_under_the_mower_is_found_wherever_it_lies(
    ahead_m: float, left_m: float, first: int
) -> None:
    """4 cm across, so 2 cm deep; whichever corner of the outline comes first."""
    corners = [(-0.8, -0.25), (-0.8, 0.25), (1.2, 0.25), (1.2, -0.25)]
    east_m, north_m = 6.0 - left_m, 4.0 + ahead_m
    stone = [(east_m + e, north_m + n) for e, n in [(-0.02, -0.02), (0.02, -0.02), (0.02, 0.02)]]
    lawn = [(0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0)]
    rings = [
        Ring(name, name == "lawn", np.array([*ring, ring[0]]))
        for name, ring in [("lawn", lawn), ("stone", [*stone, (east_m - 0.02, north_m + 0.02)])]
    ]
    footprint = Footprint(corners[first:] + corners[:first], (0.0, 0.0))
    found = footprint.clearance(Fence(Frame(0.0, 0.0), rings), 6.0, 4.0, 0.0)
    assert -0.02 - 1e-9 <= found.metres < 0.0
    assert found.ring == "stone"


@given(st.floats(-7.0, 7.0), st.sampled_from([OUTLINE, NOTCHED]))
def test_the_box_is_the_rectangle_around_the_turned_corners(
    turned: float, outline: list[Point]
) -> None:
    """Placed at the origin, looking north: ahead is north, and left is west."""
    footprint = Footprint(outline, (0.1, -0.05))
    east_m, north_m = footprint.placed(np.zeros(2), np.array(turned)).T
    rectangle = north_m.min(), north_m.max(), (-east_m).min(), (-east_m).max()
    assert footprint.box(turned) == pytest.approx(rectangle)
