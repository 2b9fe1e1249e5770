"""Looking at whole stretches of a way gives what looking at every single step gives."""

import itertools
import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Array, Frame
from fenceguard.mower.footprint import Footprint
from fenceguard.mower.path import STEP_M, STRAIGHT_PER_M, Path
from tests.conftest import many
from tests.support.lawns import Corners

BOX = [(0.35, 0.25), (0.35, -0.25), (-0.25, -0.25), (-0.25, 0.25)]
OUTLINES = {
    "box": BOX,
    "lozenge": [(0.6, 0.0), (0.0, 0.4), (-0.3, 0.0), (0.0, -0.4)],
    "notched": [(0.5, 0.3), (0.5, -0.3), (0.0, -0.1), (-0.4, -0.3), (-0.4, 0.3)],
    "nose": [(0.7, 0.0), (0.3, -0.3), (-0.4, -0.3), (-0.4, 0.3), (0.3, 0.3)],
}


def every_step_m(
    footprint: Footprint,
    spread_deg: float,
    fence: Fence,
    place_m: tuple[float, float],
    heading_deg: float,
    travel_deg: float,
    curvature_per_m: float,
    clearance_m: float,
    horizon_m: float,
) -> float:
    """The way ahead by looking at every step of all four ways."""
    spread = math.radians(spread_deg)
    sure_m, free_m = math.inf, horizon_m
    for off, bend in ((0.0, 0.0), (-spread, 0.0), (spread, 0.0), (0.0, curvature_per_m)):
        swing = 1.0 + abs(bend) * footprint.reach_m
        sure_m = min(sure_m, (clearance_m - abs(off) * footprint.reach_m) / swing)
        step_m = STEP_M / swing
        circle_m = math.tau / max(abs(bend), STRAIGHT_PER_M)
        before_m = np.arange(math.ceil(min(horizon_m, circle_m) / step_m), dtype=float) * step_m

        def placed(way_m: Array, off: float = off, bend: float = bend) -> Array:
            turned = bend * way_m
            chord = math.radians(travel_deg) + off + turned / 2.0
            chord_m = way_m * np.sinc(turned / 2.0 / np.pi)
            places_m = np.column_stack([chord_m * np.sin(chord), chord_m * np.cos(chord)])
            places_m += np.array(place_m)
            return footprint.placed(places_m, math.radians(heading_deg) + off + turned)

        before, after = placed(before_m), placed(before_m + step_m)
        free = shapely.contains_properly(fence.area, shapely.polygons(after))
        if off == 0.0:
            ways = np.stack([before, after], axis=2)
            ways[:, 1::2] = ways[:, 1::2, ::-1].copy()
            lines = shapely.linestrings(ways.reshape(len(ways), -1, 2))
            free &= shapely.contains_properly(fence.area, lines)
        free_m = min(free_m, float(before_m[~free].min(initial=math.inf)))
    return sure_m if sure_m >= horizon_m else max(sure_m, free_m)


def closed(ring: Corners) -> Array:
    return np.array([*ring, ring[0]], dtype=float)


def fence_of(lawn: Corners, *keep_outs: Corners) -> Fence:
    rings = [Ring("lawn", True, closed(lawn))]
    rings += [Ring(f"keep-out {n}", False, closed(ring)) for n, ring in enumerate(keep_outs)]
    return Fence(Frame(0.0, 0.0), rings)


def round_ring(middle: tuple[float, float], radii_m: list[float]) -> Corners:
    """A ring about a place, with a corner at each of some distances."""
    turn = math.tau / len(radii_m)
    return [
        (middle[0] + radius * math.sin(n * turn), middle[1] + radius * math.cos(n * turn))
        for n, radius in enumerate(radii_m)
    ]


LAWNS = st.lists(st.floats(0.9, 3.5), min_size=3, max_size=12).map(
    lambda radii_m: round_ring((0.0, 0.0), radii_m)
)
KEEP_OUTS = st.lists(
    st.builds(
        round_ring,
        st.tuples(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)),
        st.lists(st.floats(0.01, 0.3), min_size=3, max_size=5),
    ),
    max_size=4,
)
BENDS = st.one_of(
    st.just(0.0), st.floats(-0.2, 0.2), st.floats(-2.0, 2.0), st.floats(-12.0, 12.0), st.just(1e3)
)


@settings(max_examples=many(6.0), deadline=None)
@given(
    lawn=LAWNS,
    keep_outs=KEEP_OUTS,
    outline=st.sampled_from(list(OUTLINES)),
    antenna_m=st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)),
    spread_deg=st.one_of(st.just(0.0), st.floats(0.0, 15.0)),
    place_m=st.tuples(st.floats(-0.8, 0.8), st.floats(-0.8, 0.8)),
    heading_deg=st.floats(0.0, 360.0),
    turned_deg=st.one_of(st.sampled_from([0.0, 180.0, -180.0]), st.floats(0.0, 360.0)),
    curvature_per_m=BENDS,
    horizon_m=st.floats(0.3, 3.0),
)
def test_equals_looking_at_every_step(
    lawn: Corners,
    keep_outs: list[Corners],
    outline: str,
    antenna_m: tuple[float, float],
    spread_deg: float,
    place_m: tuple[float, float],
    heading_deg: float,
    turned_deg: float,
    curvature_per_m: float,
    horizon_m: float,
) -> None:
    fence = fence_of(lawn, *keep_outs)
    footprint = Footprint(OUTLINES[outline], antenna_m)
    clearance_m = footprint.clearance(fence, *place_m, heading_deg).metres
    # Of a mower that is past the line nothing is looked at; so look as if it could not see it.
    clearance_m = clearance_m if clearance_m > 0.0 else 0.001
    ways = heading_deg, heading_deg + turned_deg, curvature_per_m, clearance_m, horizon_m
    found_m = Path(footprint, spread_deg).ahead_m(fence, *place_m, *ways)
    assert found_m == every_step_m(footprint, spread_deg, fence, place_m, *ways)


@pytest.mark.parametrize("reversing", [False, True])
@pytest.mark.parametrize("antenna_m", [(-0.5, 0.0), (0.7, 0.0)])
@pytest.mark.parametrize("corner_m", BOX)
def test_equals_it_with_something_small_beside_a_corner(
    corner_m: tuple[float, float], antenna_m: tuple[float, float], reversing: bool
) -> None:
    """Where a course that is off by 14° turns a corner of a large mower aside."""
    outline = [(2.0 * ahead_m, 2.0 * left_m) for ahead_m, left_m in BOX]
    footprint = Footprint(outline, antenna_m)
    east_m, north_m = antenna_m[1] - 2.0 * corner_m[1], 2.0 * corner_m[0] - antenna_m[0]
    for aside_m, along_m in itertools.product((0.03, 0.06, 0.1), np.arange(-0.2, 0.21, 0.05)):
        middle = east_m + math.copysign(aside_m, east_m), north_m + along_m
        fence = fence_of(round_ring((0.0, 0.0), [9.0] * 4), round_ring(middle, [0.01] * 3))
        clearance_m = footprint.clearance(fence, 0.0, 0.0, 0.0).metres
        ways = 0.0, 180.0 * reversing, 0.0, clearance_m, 1.5
        found_m = Path(footprint, 14.0).ahead_m(fence, 0.0, 0.0, *ways)
        assert found_m == every_step_m(footprint, 14.0, fence, (0.0, 0.0), *ways)


def looks(half_width_m: float, **changes: Any) -> list[str]:
    """What is asked of the fence on an alley along the y axis, in which all is free."""
    case = {"spread_deg": 0.0, "bend_per_m": 0.0, "reversing": False, "horizon_m": 1.2, **changes}
    alley: Corners = [
        (-half_width_m, -9),
        (half_width_m, -9),
        (half_width_m, 9),
        (-half_width_m, 9),
    ]
    asked = []

    class Noted(Path):
        def __getattribute__(self, name: str) -> Any:
            if name in ("_all_free", "_stretch_is_free", "_by_steps_m"):
                asked.append(name)
            return super().__getattribute__(name)

    path = Noted(Footprint(BOX, (0.0, 0.0)), case["spread_deg"])
    clearance_m = half_width_m - 0.25
    found_m = path.ahead_m(
        fence_of(alley),
        0.0,
        0.0,
        0.0,
        180.0 * case["reversing"],
        case["bend_per_m"],
        clearance_m,
        case["horizon_m"],
    )
    assert found_m == case["horizon_m"]
    return asked


@pytest.mark.parametrize("reversing", [False, True])
def test_a_narrow_alley_is_looked_at_once(reversing: bool) -> None:
    """0.01 mm to either side of the outline."""
    assert looks(0.25 + 1e-5, reversing=reversing) == ["_all_free"]


@pytest.mark.parametrize(
    ("spread_deg", "bend_per_m", "wider_m"),
    [
        (3.0, 0.0, math.radians(3.0) * (1.25 + math.hypot(0.35, 0.25))),
        (0.0, 0.1, 0.1 * 1.25 * (1.25 / 2.0 + math.hypot(0.35, 0.25))),
        (0.0, -0.1, 0.1 * 1.25 * (1.25 / 2.0 + math.hypot(0.35, 0.25))),
    ],
)
def test_an_alley_that_is_wide_enough_for_all_ways_is_looked_at_once(
    spread_deg: float, bend_per_m: float, wider_m: float
) -> None:
    """The horizon and a step away, 1.25 m, a point is off by the spread, or by sagitta and turn."""
    given = {"spread_deg": spread_deg, "bend_per_m": bend_per_m}
    assert looks(0.25 + wider_m + 1e-5, **given) == ["_all_free"]
    assert looks(0.25 + wider_m - 1e-5, **given) != ["_all_free"]


def test_a_turn_is_looked_at_in_one_stretch() -> None:
    """Seen from its middle, 27 steps of 46 mm go as far to either side, with less of a sagitta.

    The corner of the nose comes nearest to the line, on a rectangle that the middle has turned.
    """
    reach_m, bend_per_m = math.hypot(0.35, 0.25), 0.2
    half_m = 27.0 * STEP_M / (1.0 + bend_per_m * reach_m) / 2.0
    wider_m, turned = bend_per_m * half_m * (half_m / 2.0 + reach_m), bend_per_m * half_m
    corner_m = (0.35 + half_m + wider_m) * math.sin(turned) + (0.25 + wider_m) * math.cos(turned)
    half_width_m = (1.0 - math.cos(turned)) / bend_per_m + corner_m
    enough = looks(half_width_m + 1e-5, bend_per_m=bend_per_m)
    assert enough == ["_all_free", *["_stretch_is_free"] * 4]
    assert len(looks(half_width_m - 1e-5, bend_per_m=bend_per_m)) > 5
