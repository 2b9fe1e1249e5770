"""What is sure of a clearance without looking for the nearest line, against looking."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Frame
from fenceguard.mower.clearances import Clearances, Pose
from fenceguard.mower.footprint import Clearance, Footprint
from tests.conftest import many
from tests.support.lawns import LAWN, POND, Corners

BOX = [(0.35, 0.25), (0.35, -0.25), (-0.25, -0.25), (-0.25, 0.25)]
AHEAD_OF_ALL = [(-0.2, 0.3), (-0.2, -0.3), (-0.9, -0.3), (-0.9, 0.3)]
"""With the antenna on an arm, outside of the outline."""
REACH_M = math.hypot(0.35, 0.25)


def fence() -> Fence:
    def closed(ring: Corners) -> list[tuple[float, float]]:
        return [*ring, ring[0]]

    rings = [("lawn", True, LAWN), ("pond", False, POND)]
    return Fence(
        Frame(0.0, 0.0),
        [Ring(name, keeps_in, np.array(closed(ring), float)) for name, keeps_in, ring in rings],
    )


FENCE = fence()
POSES = st.builds(
    Pose,
    st.floats(-1.0, 16.0),
    st.floats(-1.0, 16.0),
    st.lists(st.floats(-360.0, 720.0), max_size=3).map(tuple),
)
NEAR = st.builds(
    Pose,
    st.floats(-0.3, 0.3),
    st.floats(-0.3, 0.3),
    st.lists(
        st.one_of(st.sampled_from([0.0, 180.0, 360.0]), st.floats(-60.0, 60.0)), max_size=3
    ).map(tuple),
)


def clearances(outline: list[tuple[float, float]] = BOX) -> Clearances:
    return Clearances(Footprint(outline, (0.0, 0.0)), FENCE)


def exact_m(pose: Pose, outline: list[tuple[float, float]] = BOX) -> float:
    return (
        Footprint(outline, (0.0, 0.0))
        .clearance(FENCE, pose.east_m, pose.north_m, *pose.headings_deg)
        .metres
    )


@settings(max_examples=many(4.0), deadline=None)
@given(POSES, st.lists(NEAR, min_size=1, max_size=4), st.sampled_from([BOX, AHEAD_OF_ALL]))
def test_what_is_sure_is_never_more_than_what_is_there(
    kept: Pose, near: list[Pose], outline: list[tuple[float, float]]
) -> None:
    known = clearances(outline)
    known.exact(kept)
    for offset in near:
        first_deg = (*kept.headings_deg, 0.0)[0]
        pose = Pose(
            kept.east_m + offset.east_m,
            kept.north_m + offset.north_m,
            tuple(first_deg + turned_deg for turned_deg in offset.headings_deg),
        )
        assert known.at_least_m(pose) <= exact_m(pose, outline)
        assert not known.vouches(pose, exact_m(pose, outline) + 1e-12)


@pytest.mark.parametrize("headings_deg", [(), (0.0,), (30.0,), (30.0, 210.0), (0.0, 40.0, 75.0)])
def test_exact_is_what_the_footprint_says(headings_deg: tuple[float, ...]) -> None:
    pose = Pose(5.0, 5.0, headings_deg)
    expected = Footprint(BOX, (0.0, 0.0)).clearance(FENCE, 5.0, 5.0, *headings_deg)
    known = clearances()
    assert known.exact(pose) == expected
    assert isinstance(known.exact(pose), Clearance)
    assert known.at_least_m(pose) == pytest.approx(expected.metres, abs=2e-9)


def test_straight_at_a_line_all_of_the_way_is_taken_off() -> None:
    """Along the shortest way to the line what is sure is what is there."""
    known = clearances()
    known.exact(Pose(5.0, 5.0, (180.0,)))
    for way_m in (0.0, 0.1, 3.0, 4.6):
        pose = Pose(5.0, 5.0 - way_m, (180.0,))
        assert known.at_least_m(pose) == pytest.approx(4.65 - way_m, abs=2e-9)
        assert known.at_least_m(pose) <= exact_m(pose)
    assert known.at_least_m(Pose(5.3, 5.4, (180.0,))) == pytest.approx(4.65 - 0.5, abs=2e-9)


def test_a_turn_takes_off_the_arc_of_the_farthest_corner() -> None:
    known = clearances()
    known.exact(Pose(5.0, 5.0, (350.0,)))
    kept_m = exact_m(Pose(5.0, 5.0, (350.0,)))
    for heading_deg, turned_deg in ((350.0, 0.0), (20.0, 30.0), (-40.0, 30.0), (170.0, 180.0)):
        expected_m = kept_m - REACH_M * math.radians(turned_deg)
        found_m = known.at_least_m(Pose(5.0, 5.0, (heading_deg,)))
        assert found_m == pytest.approx(expected_m, abs=2e-9)


@pytest.mark.parametrize(
    ("kept", "asked", "turned_deg"),
    [
        (Pose(5.0, 5.0), Pose(5.0, 5.0, (77.0,)), 0.0),
        (Pose(5.0, 5.0), Pose(5.0, 5.0, (77.0, 257.0)), 0.0),
        (Pose(5.0, 5.0), Pose(5.0, 5.0), 0.0),
        (Pose(5.0, 5.0, (77.0,)), Pose(5.0, 5.0), math.inf),
        (Pose(5.0, 5.0, (77.0, 257.0)), Pose(5.0, 5.0), math.inf),
        (Pose(5.0, 5.0, (77.0,)), Pose(5.0, 5.0, (77.0, 257.0)), 180.0),
        (Pose(5.0, 5.0, (77.0,)), Pose(5.0, 5.0, (80.0, 67.0)), 10.0),
        (Pose(5.0, 5.0, (77.0, 257.0)), Pose(5.0, 5.0, (77.0, 257.0)), 0.0),
        (Pose(5.0, 5.0, (77.0, 257.0)), Pose(5.0, 5.0, (257.0, 77.0)), 0.0),
        (Pose(5.0, 5.0, (77.0, 257.0)), Pose(5.0, 5.0, (250.0,)), 7.0),
        (Pose(5.0, 5.0, (77.0, 257.0)), Pose(5.0, 5.0, (167.0,)), 90.0),
    ],
)
def test_a_kept_clearance_holds_for_the_directions_that_it_was_of(
    kept: Pose, asked: Pose, turned_deg: float
) -> None:
    known = clearances()
    expected_m = known.exact(kept).metres - REACH_M * math.radians(turned_deg)
    assert known.at_least_m(asked) == pytest.approx(expected_m, abs=2e-9)


@pytest.mark.parametrize(
    "poses",
    [[], [Pose(-1.0, 5.0, (0.0,))], [Pose(0.25, 5.0, (0.0,))], [Pose(5.0, 5.0), Pose(0.1, 5.0)]],
)
@pytest.mark.parametrize("forgotten", [False, True])
def test_nothing_is_sure_before_the_first_or_from_past_the_line(
    poses: list[Pose], forgotten: bool
) -> None:
    known = clearances()
    for pose in [*poses, *[Pose(5.0, 5.0)] * forgotten]:
        known.exact(pose)
    if forgotten:
        known.forget()
    for pose in (Pose(0.0, 0.0), Pose(5.0, 5.0, (0.0,)), Pose(0.25, 5.0, (0.0,))):
        assert known.at_least_m(pose) == -math.inf
        assert not known.vouches(pose, -100.0)


def test_it_vouches_for_what_is_needed_and_no_more() -> None:
    known = clearances()
    known.exact(Pose(5.0, 5.0, (180.0,)))
    moved = Pose(5.0, 4.0, (180.0,))
    assert known.vouches(moved, known.at_least_m(moved))
    assert known.vouches(moved, 3.65 - 1e-6)
    assert not known.vouches(moved, 3.65 + 1e-6)
    known.exact(moved)
    assert known.vouches(Pose(5.0, 3.0, (180.0,)), 2.65 - 1e-6)
