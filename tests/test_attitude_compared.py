"""The attitude: heading held against course, and the turns between them."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.courses import turned_deg
from fenceguard.judgement.types import Attitude
from tests.support.heard import Heard, noses, travels

# Heading and course


@pytest.mark.parametrize("off_deg", [20.0, -30.0, 40.0])
@pytest.mark.parametrize("mps", [0.5, -0.5])
def test_where_heading_and_course_disagree_both_count(off_deg: float, mps: float) -> None:
    """Told off by so much: the nose may be where either says, and so may the way."""
    heard = Heard()
    for _ in range(12):
        attitude = heard.goes(mps, off_deg=off_deg)
    back_deg = 0.0 if mps > 0.0 else 180.0
    assert attitude.heading_off_deg is not None
    assert 3.0 < attitude.heading_off_deg < abs(off_deg)
    assert noses(attitude) == sorted([0.0, off_deg % 360.0])
    assert {way.heading_deg % 360.0 for way in attitude.ways} == {0.0, off_deg % 360.0}
    assert set(travels(attitude)) == {back_deg, (off_deg + back_deg) % 360.0}
    # It is known while it stands, too.
    standing = heard.goes(0.0, off_deg=off_deg)
    assert standing.heading_off_deg == attitude.heading_off_deg
    assert noses(standing) == noses(attitude)


def test_three_comparisons_are_enough_and_two_are_not() -> None:
    """The first epoch leads there from nowhere, and compares nothing."""
    heard = Heard()
    offs_deg = [heard.goes(off_deg=40.0).heading_off_deg for _ in range(4)]
    assert offs_deg[:3] == [None] * 3
    assert offs_deg[3] is not None
    assert offs_deg[3] > 3.0


def test_within_the_noise_only_the_way_counts_twice() -> None:
    heard = Heard()
    for _ in range(12):
        attitude = heard.goes(off_deg=5.0)
    assert attitude.heading_off_deg == 0.0
    assert noses(attitude) == [5.0]
    assert travels(attitude) == [0.0, 5.0]


def test_within_what_the_path_allows_for_nothing_does() -> None:
    heard = Heard()
    for _ in range(12):
        attitude = heard.goes(off_deg=2.9)
    assert travels(attitude) == [2.9]


@pytest.mark.parametrize("turns_dps", [20.0, -60.0])
def test_in_a_turn_more_is_allowed_for(turns_dps: float) -> None:
    """0.15 s of it, three times; so much heading and course may be apart in time."""
    straight, turning = Heard(), Heard()
    for _ in range(12):
        less = turning.goes(turns_dps=turns_dps, off_deg=40.0).heading_off_deg
        more = straight.goes(off_deg=40.0).heading_off_deg
    assert less is not None
    assert more is not None
    by_deg = 3.0 * 0.15 * abs(turns_dps)
    assert less == pytest.approx(max(0.0, more - by_deg), abs=9.0)


def test_a_heading_that_leaps_is_no_turn() -> None:
    """Within three epochs, though the mower turns as well."""
    heard = Heard()
    for _ in range(12):
        heard.goes()
    for _ in range(3):
        attitude = heard.goes(turns_dps=20.0, off_deg=40.0)
    assert attitude.heading_off_deg is not None
    assert attitude.heading_off_deg > 3.0


@pytest.mark.parametrize("changes", [{"mps": 0.2}, {"heading": False}])
def test_only_driving_with_a_heading_is_compared(changes: dict[str, Any]) -> None:
    heard = Heard()
    for _ in range(12):
        attitude = heard.goes(off_deg=30.0, **changes)
    assert attitude.heading_off_deg is None


def test_two_comparisons_are_none() -> None:
    heard = Heard()
    heard.goes(off_deg=30.0)
    assert [heard.goes(off_deg=30.0).heading_off_deg for _ in range(3)][:2] == [None, None]


def test_a_heading_that_is_right_again_is_told_so() -> None:
    heard = Heard()
    for _ in range(12):
        heard.goes(off_deg=30.0)
    for _ in range(12):
        attitude = heard.goes()
    assert attitude.heading_off_deg == 0.0
    assert noses(attitude) == [0.0]


@pytest.mark.parametrize(("off_deg", "believed"), [(44.0, True), (46.0, False)])
def test_a_direction_that_the_way_taken_contradicts_is_not_believed(
    off_deg: float, believed: bool
) -> None:
    heard = Heard()
    for _ in range(8):
        attitude = heard.goes(off_deg=off_deg, course=False)
    assert attitude.course_off_deg == pytest.approx(off_deg)
    assert bool(attitude.headings_deg) is believed
    assert bool(attitude.ways) is believed


def test_it_can_be_made_to_know_nothing() -> None:
    heard = Heard()
    for _ in range(8):
        heard.goes(off_deg=30.0)
    heard.attitudes.forget()
    assert heard.at() == Attitude()


@given(st.floats(-720.0, 720.0), st.floats(-720.0, 720.0))
def test_the_shorter_way_round(from_deg: float, to_deg: float) -> None:
    by_deg = turned_deg(from_deg, to_deg)
    assert -180.0 <= by_deg <= 180.0
    assert math.isclose(
        math.cos(math.radians(from_deg + by_deg)), math.cos(math.radians(to_deg)), abs_tol=1e-9
    )
    assert math.isclose(
        math.sin(math.radians(from_deg + by_deg)), math.sin(math.radians(to_deg)), abs_tol=1e-9
    )


@pytest.mark.parametrize("before", [{}, {"heading_deg": math.nan}])
def test_how_fast_it_turns_is_not_guessed_from_one_heading(before: dict[str, Any]) -> None:
    """What the antenna does then counts as what the axle does."""
    heard = Heard((0.3, 0.0))
    heard.at(**before)
    attitude = heard.at(heading_deg=0.0, speed_mps=0.5, course_deg=180.0)
    assert travels(attitude) == [180.0]
