"""The room ahead, against fine sampling of the ways that knows nothing of shapely."""

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Array, Frame
from fenceguard.mower.footprint import Footprint
from fenceguard.mower.path import STEP_M, Path
from tests.conftest import many
from tests.support.lawns import LAWN, OUTLINE, POND, Corners

Flags = npt.NDArray[np.bool_]

FINE_M = 0.005
HORIZON_M = 1.2
SPREAD_DEG = 3.0
GRAZE_M = 0.001
"""More than lies between an arc and its chord from step to step."""
RECTANGLE = tuple((ahead, left) for ahead, left in OUTLINE)


def fence_of(*keep_outs: Corners) -> Fence:
    """The lawn with keep-outs, in metres as they stand."""
    rings = [Ring("lawn", True, closed(LAWN))]
    rings += [Ring(f"keep-out {n}", False, closed(ring)) for n, ring in enumerate(keep_outs)]
    return Fence(Frame(0.0, 0.0), rings)


def closed(ring: Corners) -> Array:
    return np.array([*ring, ring[0]], dtype=float)


class Pose(NamedTuple):
    """Where the antenna is, where the nose points, and where the mower goes."""

    east_m: float
    north_m: float
    heading_deg: float
    travel_deg: float

    def backwards(self) -> "Pose":
        return self._replace(travel_deg=self.heading_deg + 180.0)


def facing(east_m: float, north_m: float, heading_deg: float) -> Pose:
    return Pose(east_m, north_m, heading_deg, heading_deg)


def swing(outline: Array, bend_per_m: float) -> float:
    """How much farther than the antenna the farthest corner may go in a turn."""
    return 1.0 + abs(bend_per_m) * max(math.hypot(*corner) for corner in outline)


def driven(pose: Pose, outline: Array, off_deg: float, bend_per_m: float, fine_m: float) -> Array:
    """Corners at every fine step of a way, by adding up; shape (steps, corners, 2)."""
    travel, heading = math.radians(pose.travel_deg + off_deg), pose.heading_deg + off_deg
    east_m, north_m = pose.east_m, pose.north_m
    placed = []
    for n in range(math.ceil((HORIZON_M + STEP_M) / fine_m) + 1):
        nose = math.radians(heading) + bend_per_m * n * fine_m
        ahead = np.array([math.sin(nose), math.cos(nose)])
        left = np.array([-math.cos(nose), math.sin(nose)])
        placed.append([east_m, north_m] + outline[:, :1] * ahead + outline[:, 1:] * left)
        middle = travel + bend_per_m * (n + 0.5) * fine_m
        east_m += fine_m * math.sin(middle)
        north_m += fine_m * math.cos(middle)
    return np.array(placed)


def side(a: Array, b: Array, c: Array) -> Array:
    """Positive where c is left of the line from a to b."""
    turned: Array = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (
        c[..., 0] - a[..., 0]
    )
    return turned


def meets(outlines: Array, ring: Array) -> Flags:
    """For each outline (shape (steps, corners, 2)) whether any of its sides meets a ring's."""
    a, b = outlines[:, :, None], np.roll(outlines, -1, axis=1)[:, :, None]
    c, d = ring[None, None, :-1], ring[None, None, 1:]
    apart = (side(a, b, c) * side(a, b, d) > 0.0) | (side(c, d, a) * side(c, d, b) > 0.0)
    met: Flags = np.any(~apart, axis=(1, 2))
    return met


def within(point: Array, outlines: Array) -> Flags:
    """For each outline whether it encloses a point: as many sides cross the ray, odd or even."""
    a, b = outlines, np.roll(outlines, -1, axis=1)
    beside = (a[..., 1] > point[1]) != (b[..., 1] > point[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        east = a[..., 0] + (point[1] - a[..., 1]) / (b[..., 1] - a[..., 1]) * (
            b[..., 0] - a[..., 0]
        )
    odd: Flags = (beside & (point[0] < east)).sum(axis=1) % 2 == 1
    return odd


def free_m(pose: Pose, outline: Array, rings: list[Corners], off_deg: float, bend: float) -> float:
    """Way to the first of the fine steps at which the outline touches a ring."""
    fine_m = FINE_M / swing(outline, bend)
    outlines = driven(pose, outline, off_deg, bend, fine_m)
    touching = np.zeros(len(outlines), dtype=bool)
    for ring in rings:
        touching = touching | meets(outlines, closed(ring)) | within(np.array(ring[0]), outlines)
    return float(touching.argmax()) * fine_m if touching.any() else math.inf


class Case(NamedTuple):
    """A mower with its antenna off its middle, among keep-outs."""

    pose: Pose
    bend_per_m: float
    keep_outs: tuple[Corners, ...] = (POND,)
    outline_m: tuple[tuple[float, float], ...] = RECTANGLE
    antenna_m: tuple[float, float] = (0.1, -0.05)

    def clearance_m(self) -> float:
        footprint = Footprint(self.outline_m, self.antenna_m)
        east_m, north_m, heading_deg, _travel_deg = self.pose
        return footprint.clearance(fence_of(*self.keep_outs), east_m, north_m, heading_deg).metres

    def found_m(self) -> float:
        path = Path(Footprint(self.outline_m, self.antenna_m), SPREAD_DEG)
        return path.ahead_m(
            fence_of(*self.keep_outs),
            *self.pose,
            self.bend_per_m,
            self.clearance_m(),
            HORIZON_M,
        )

    def check(self) -> None:
        """Never past the first touch on any way, and on each no more than a step before it."""
        found_m = self.found_m()
        outline = np.array(self.outline_m) - self.antenna_m
        middle = np.array([0.05, 0.0]) - self.antenna_m
        grazing = GRAZE_M * np.sign(outline - middle)
        rings = [LAWN, *self.keep_outs]
        least_m = HORIZON_M
        for off_deg, bend in (
            (0.0, 0.0),
            (-SPREAD_DEG, 0.0),
            (SPREAD_DEG, 0.0),
            (0.0, self.bend_per_m),
        ):
            touched_m = free_m(self.pose, outline + grazing, rings, off_deg, bend)
            step_m = (STEP_M + FINE_M) / swing(outline, bend)
            least_m = min(least_m, touched_m - step_m)
            if touched_m > 0.0:
                last_m = free_m(self.pose, outline - grazing, rings, off_deg, bend)
                assert found_m <= last_m + 1e-6
        assert found_m >= least_m


BENDS = st.one_of(st.just(0.0), st.floats(-2.0, 2.0), st.floats(-12.0, 12.0))


@settings(max_examples=many(0.6), deadline=None)
@given(
    east_m=st.floats(0.3, 29.7),
    north_m=st.floats(0.3, 19.7),
    heading_deg=st.floats(0.0, 360.0),
    reversing=st.booleans(),
    bend_per_m=BENDS,
)
def test_equals_fine_sampling_on_a_lawn_with_a_pond(
    east_m: float, north_m: float, heading_deg: float, reversing: bool, bend_per_m: float
) -> None:
    pose = facing(east_m, north_m, heading_deg)
    case = Case(pose.backwards() if reversing else pose, bend_per_m)
    assume(0.0 < case.clearance_m() < HORIZON_M)
    case.check()


@settings(max_examples=many(0.6), deadline=None)
@given(
    east_m=st.floats(4.0, 6.0),
    north_m=st.floats(4.0, 6.0),
    heading_deg=st.floats(0.0, 360.0),
    reversing=st.booleans(),
    bend_per_m=BENDS,
)
def test_misses_no_keep_out_smaller_than_the_mower(
    east_m: float, north_m: float, heading_deg: float, reversing: bool, bend_per_m: float
) -> None:
    peg: Corners = [(5.0, 5.0), (5.02, 5.0), (5.02, 5.02), (5.0, 5.02)]
    pose = facing(east_m, north_m, heading_deg)
    case = Case(pose.backwards() if reversing else pose, bend_per_m, (peg,))
    assume(0.0 < case.clearance_m() < HORIZON_M)
    case.check()


@settings(max_examples=many(0.5), deadline=None)
@given(
    east_m=st.floats(0.5, 29.5),
    north_m=st.floats(0.5, 2.0),
    heading_deg=st.floats(0.0, 360.0),
    bend_per_m=BENDS,
)
def test_what_the_clearance_makes_sure_of_is_free(
    east_m: float, north_m: float, heading_deg: float, bend_per_m: float
) -> None:
    """No point of a body goes faster than its antenna does and the turn about it together."""
    case = Case(facing(east_m, north_m, heading_deg), bend_per_m)
    clearance_m = case.clearance_m()
    assume(clearance_m > 0.0)
    reach_m = math.hypot(0.35, 0.3)
    turned_m = reach_m * math.radians(SPREAD_DEG)
    turning_m = clearance_m / (1.0 + abs(bend_per_m) * reach_m)
    assert case.found_m() >= min(HORIZON_M, clearance_m - turned_m, turning_m) - 1e-9


def bare(**changes: Any) -> Case:
    """A mower with its antenna in the middle of its width, on a lawn with a pond."""
    return Case(
        **{"pose": facing(5.0, 5.0, 0.0), "bend_per_m": 0.0, "antenna_m": (0, 0), **changes}
    )


def test_heading_at_the_fence() -> None:
    """1.0 m from the antenna to the fence, 0.35 m of it covered by the nose."""
    case = bare(pose=facing(29.0, 5.0, 90.0))
    spread = math.radians(SPREAD_DEG)
    # A nose turned by the spread reaches farther ahead with its corner, on a slanting way.
    corner_m = 0.35 * math.cos(spread) + 0.25 * math.sin(spread)
    truth_m = (1.0 - corner_m) / math.cos(spread)
    assert truth_m - STEP_M < case.found_m() <= truth_m
    # Between two steps it is the clearance that tells more, less what the spread turns the corner.
    assert case.found_m() == pytest.approx(0.65 - math.hypot(0.35, 0.25) * spread)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_course_may_be_off_to_either_side(side: float) -> None:
    """A peg beside the straight way, which the corner of the nose reaches by being turned, too.

    3 degrees put that corner at 0.25 cos + 0.35 sin = 0.268 m, and 0.052 m more for each metre.
    """
    near_m, far_m = 5.0 + side * 0.29, 5.0 + side * 0.31
    peg: Corners = [(near_m, 5.94), (far_m, 5.94), (far_m, 5.96), (near_m, 5.96)]
    assert 0.5 < bare(pose=facing(5.0, 5.0, 0.0), keep_outs=(peg,)).found_m() < 0.65


def test_a_corner_that_swings_out_is_believed_as_fast_as_it_is() -> None:
    """At 12 per m the corner of the nose goes 5.8 times as far as the antenna, at a block."""
    east_m, north_m = 4.75 + 0.072, 5.35 + 0.069
    block: Corners = [
        (east_m, north_m),
        (east_m + 0.5, north_m),
        (east_m + 0.5, north_m + 0.5),
        (east_m, north_m + 0.5),
    ]
    bare(pose=facing(5.0, 5.0, 0.0), bend_per_m=12.0, keep_outs=(block,)).check()


@pytest.mark.parametrize("heading_deg", [0.0, 180.0])
@pytest.mark.parametrize("reversing", [False, True])
def test_along_the_fence_a_hands_breadth_away_all_is_free(
    heading_deg: float, reversing: bool
) -> None:
    pose = facing(30.0 - 0.25 - 0.1, 5.0, heading_deg)
    case = bare(pose=pose.backwards() if reversing else pose)
    assert case.clearance_m() == pytest.approx(0.1)
    assert case.found_m() == HORIZON_M


@pytest.mark.parametrize("towards", [-1.0, 1.0])
def test_a_turn_towards_the_fence_is_not_free(towards: float) -> None:
    """Along the left or the right fence line, bending towards it or away from it."""
    east_m = 15.0 + towards * (15.0 - 0.25 - 0.1)
    into = bare(pose=facing(east_m, 5.0, 0.0), bend_per_m=towards * 1.0)
    away = bare(pose=facing(east_m, 5.0, 0.0), bend_per_m=towards * -0.1)
    assert into.found_m() < 0.45
    assert away.found_m() == HORIZON_M


def test_the_whole_turn_is_looked_at() -> None:
    """Half a turn of 0.25 m radius ends 0.5 m beside, after 0.785 m: a peg is there, or is not."""
    peg: Corners = [(2.05, 4.6), (2.1, 4.6), (2.1, 4.65), (2.05, 4.65)]
    free = bare(pose=facing(1.35, 5.0, 0.0), bend_per_m=4.0)
    hit = free._replace(keep_outs=(peg,))
    assert free.found_m() == HORIZON_M
    assert HORIZON_M / 2.0 < hit.found_m() < math.pi * 0.25
    hit.check()


@pytest.mark.parametrize("way_m", [0.6, 0.8, 1.0])
@pytest.mark.parametrize("bend_per_m", [-2.0, 2.0])
@pytest.mark.parametrize("reversing", [False, True])
def test_a_turn_is_followed_to_where_its_foremost_side_comes(
    way_m: float, bend_per_m: float, reversing: bool
) -> None:
    """A peg 0.35 m from the antenna, straight ahead of it or behind it, at the end of an arc."""
    turned = bend_per_m * way_m
    pose = facing(5.0, 5.0, 180.0 if reversing else 0.0)
    east_m = 5.0 + (1.0 - math.cos(turned)) / bend_per_m + 0.35 * math.sin(turned)
    north_m = 5.0 + math.sin(turned) / bend_per_m + 0.35 * math.cos(turned)
    peg: Corners = [
        (east_m + 0.005, north_m),
        (east_m, north_m + 0.005),
        (east_m - 0.005, north_m),
        (east_m, north_m - 0.005),
    ]
    case = bare(
        pose=pose.backwards() if reversing else pose,
        bend_per_m=bend_per_m,
        keep_outs=(peg,),
        outline_m=tuple((-ahead, left) for ahead, left in RECTANGLE) if reversing else RECTANGLE,
    )
    assert way_m - STEP_M < case.found_m() < way_m
    case.check()


def test_a_turn_around_a_peg_touches_it_no_sooner_than_the_inner_side_comes_there() -> None:
    """Found by chance: 26 mm too soon while a line cut the corner from one way to the next."""
    peg: Corners = [(5.0, 5.0), (5.02, 5.0), (5.02, 5.02), (5.0, 5.02)]
    Case(facing(4.625, 5.15625, 0.0), 3.0, (peg,)).check()


def test_turning_on_the_spot_comes_round_to_what_is_free() -> None:
    spinning = bare(pose=facing(1.0, 5.0, 0.0), bend_per_m=1000.0)
    assert spinning.found_m() == HORIZON_M


def test_reversing_looks_behind() -> None:
    """The tail is 0.25 m behind the antenna, the nose 0.35 m ahead of it."""
    pose = facing(5.0, 19.0, 0.0)
    ahead, behind = bare(pose=pose), bare(pose=pose.backwards())
    assert ahead.found_m() == pytest.approx(0.65 - STEP_M / 2.0, abs=STEP_M / 2.0 + 0.02)
    assert behind.found_m() == HORIZON_M
    tail_first = bare(pose=facing(5.0, 19.0, 180.0).backwards())
    assert tail_first.found_m() == pytest.approx(0.75 - STEP_M / 2.0, abs=STEP_M / 2.0 + 0.02)


def test_no_farther_than_the_horizon_unless_the_clearance_is() -> None:
    path = Path(Footprint(RECTANGLE, (0.0, 0.0)), SPREAD_DEG)
    turned_m = math.hypot(0.35, 0.25) * math.radians(SPREAD_DEG)

    def ahead_m(clearance_m: float, bend_per_m: float = 0.0) -> float:
        return path.ahead_m(fence_of(), 5.0, 5.0, 0.0, 0.0, bend_per_m, clearance_m, HORIZON_M)

    assert ahead_m(0.5) == HORIZON_M
    assert ahead_m(HORIZON_M + turned_m - 0.001) == HORIZON_M
    assert ahead_m(4.0) == pytest.approx(4.0 - turned_m)
    # In a turn no corner goes farther than the antenna and the turn about it together.
    for bend_per_m in (-2.0, 2.0):
        assert ahead_m(4.0, bend_per_m) == pytest.approx(4.0 / (1.0 + 2.0 * math.hypot(0.35, 0.25)))


def test_the_clearance_itself_past_the_line_or_without_a_direction() -> None:
    path = Path(Footprint(RECTANGLE, (0.0, 0.0)), SPREAD_DEG)

    def ahead_m(heading_deg: float | None, travel_deg: float | None, clearance_m: float) -> float:
        return path.ahead_m(
            fence_of(), 5.0, 5.0, heading_deg, travel_deg, 0.0, clearance_m, HORIZON_M
        )

    for clearance_m in (-0.3, 0.0, 0.3, 4.0):
        assert ahead_m(None, 0.0, clearance_m) == clearance_m
        assert ahead_m(0.0, None, clearance_m) == clearance_m
        assert ahead_m(None, None, clearance_m) == clearance_m
    assert ahead_m(0.0, 0.0, 0.0) == 0.0
    assert ahead_m(0.0, 0.0, -0.3) == -0.3
    assert ahead_m(0.0, 0.0, 0.001) == HORIZON_M


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_corner_misses_no_peg_between_two_steps(side: float) -> None:
    """The widest corner of a lozenge passes a peg by which neither step before or after comes."""
    lozenge = [(0.6, 0.0), (0.0, 0.4), (-0.3, 0.0), (0.0, -0.4)]
    near_m, far_m = 15.0 + side * 0.39, 15.0 + side * 0.42
    peg: Corners = [(near_m, 5.524), (far_m, 5.524), (far_m, 5.526), (near_m, 5.526)]
    footprint, fence = Footprint(lozenge, (0.0, 0.0)), fence_of(peg)
    for way_m in (0.5, 0.55):
        assert footprint.clearance(fence, 15.0, 5.0 + way_m, 0.0).metres > 0.0
    found_m = Path(footprint, 0.0).ahead_m(fence, 15.0, 5.0, 0.0, 0.0, 0.0, 0.1, HORIZON_M)
    assert found_m == pytest.approx(0.5)
