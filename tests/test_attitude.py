"""The attitude: drives whose truth is known, heard as a receiver tells of them."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.attitude import MOST_ON_LINE, PERIODS
from fenceguard.judgement.courses import turned_deg
from fenceguard.judgement.types import Attitude, Way
from tests.support.heard import Heard, noses, travels

# Heading, course, and nothing


@pytest.mark.parametrize("leaps", [False, True])
def test_what_lies_between_places_that_were_found_in_different_ways_is_no_way_taken(
    leaps: bool,
) -> None:
    one = Heard()
    for _ in range(10):
        before = one.goes()
    assert before.course_off_deg == pytest.approx(0.0, abs=1e-6)
    one.east_m += 1.0
    if leaps:
        one.attitudes.leap()
    after = one.goes()
    assert (after.course_off_deg is None) is leaps
    assert bool(after.ways) is leaps
    for _ in range(10):
        after = one.goes()
    if leaps:
        assert after.course_off_deg == pytest.approx(0.0, abs=1e-6)


def test_the_heading_is_the_attitude_and_ahead_is_the_way() -> None:
    attitude = Heard().at(heading_deg=30.0)
    assert (noses(attitude), travels(attitude)) == ([30.0], [30.0])


def test_without_a_heading_the_course_is_it_either_way_round() -> None:
    attitude = Heard().goes(heading=False, course_deg=30.0)
    assert (noses(attitude), travels(attitude)) == ([30.0, 210.0], [30.0, 30.0])


@pytest.mark.parametrize(
    "told",
    [
        {},
        {"speed_mps": 0.1, "course_deg": 30.0},
        {"speed_mps": 0.5},
        {"speed_mps": 0.5, "course_deg": math.nan},
        {"speed_mps": math.nan, "course_deg": 30.0},
        {"heading_deg": math.inf},
    ],
)
def test_nothing_is_known_of_it_at_first(told: dict[str, Any]) -> None:
    assert Heard().at(**told) == Attitude()


@pytest.mark.parametrize(
    ("mps", "reversing"), [(0.5, False), (0.11, False), (-0.5, True), (-0.11, True), (-0.09, False)]
)
def test_a_course_to_the_tail_is_reversing_once_doppler_can_tell(
    mps: float, reversing: bool
) -> None:
    attitude = Heard().goes(mps)
    assert noses(attitude) == [0.0]
    assert travels(attitude) == [180.0 if reversing else 0.0]


@pytest.mark.parametrize(("heading", "ahead"), [(True, True), (False, False)])
def test_at_rest_it_goes_as_it_went_last_or_ahead_where_a_heading_is_told(
    heading: bool, ahead: bool
) -> None:
    heard = Heard()
    for _ in range(3):
        heard.goes(heading=heading)
    backs = heard.goes(-0.15, heading=heading)
    assert set(travels(backs)) == {180.0}
    rests = heard.goes(0.0, heading=heading, course=False)
    assert set(travels(rests)) == {0.0 if ahead else 180.0}


# What is kept


@pytest.mark.parametrize("by_heading", [False, True])
@pytest.mark.parametrize(("later_s", "kept"), [(0.5, True), (0.699, True), (0.701, False)])
def test_a_direction_that_is_told_no_more_is_kept_for_a_moment(
    by_heading: bool, later_s: float, kept: bool
) -> None:
    heard = Heard()
    heard.goes(heading=by_heading)
    heard.at(0.4)
    attitude = heard.at(later_s - 0.4)
    assert bool(attitude.headings_deg) is kept
    assert travels(attitude) == ([0.0] * (1 if by_heading else 2) if kept else [])


@pytest.mark.parametrize(("share", "kept"), [(0.99, True), (1.01, False)])
def test_a_heading_lasts_half_as_long_again_as_the_next_one_takes(share: float, kept: bool) -> None:
    heard = Heard()
    for _ in range(3):
        heard.at(1.0, heading_deg=0.0)
    heard.at(1.0)
    assert bool(heard.at(PERIODS * share - 1.0).headings_deg) is kept


def test_a_heading_once_a_second_is_turned_on_with_the_course() -> None:
    """In a gentle turn, between its sentences; and without a course it stays as it was."""
    heard = Heard()
    for step in range(30):
        attitude = heard.goes(turns_dps=20.0, heading=step % 5 == 0)
        if step >= 5:
            assert noses(attitude) == [pytest.approx(heard.nose_deg % 360.0, abs=0.01)]
    heard.goes(turns_dps=20.0)
    known_deg = heard.nose_deg
    assert noses(heard.goes(turns_dps=20.0, heading=False, course=False)) == [
        pytest.approx(known_deg % 360.0, abs=0.01)
    ]


def test_a_heading_that_was_told_at_rest_is_not_turned_by_a_course() -> None:
    heard = Heard()
    heard.at(heading_deg=90.0, speed_mps=0.0)
    assert noses(heard.goes(heading=False)) == [90.0]
    heard.at(1.0, speed_mps=0.5, course_deg=0.0)
    assert noses(heard.goes(heading=False)) == [0.0, 180.0]


def test_a_mower_that_stands_by_its_course_alone_keeps_its_direction() -> None:
    heard = Heard()
    heard.goes(heading=False)
    for _ in range(100):
        attitude = heard.at(speed_mps=0.09)
    assert noses(attitude) == [0.0, 180.0]


def test_one_that_lost_its_heading_does_not() -> None:
    """It may turn on the spot, which Doppler does not see."""
    heard = Heard()
    heard.at(heading_deg=0.0, speed_mps=0.0)
    for _ in range(5):
        attitude = heard.at(speed_mps=0.0)
    assert attitude.headings_deg == ()


@pytest.mark.parametrize("by_heading", [False, True])
@pytest.mark.parametrize(("before_s", "kept"), [(0.6, True), (0.8, False)])
def test_at_rest_with_the_drive_off_a_direction_is_kept(
    by_heading: bool, before_s: float, kept: bool
) -> None:
    """If it was known when the mower came to rest; and for a moment after that."""
    heard = Heard()
    heard.goes(heading=by_heading)
    rests_s = heard.now_s + before_s
    heard.at(0.4)
    heard.now_s += before_s - 0.4
    for _ in range(50):
        attitude = heard.at(rests=rests_s)
        assert bool(attitude.headings_deg) is kept
    assert bool(heard.at(0.4).headings_deg) is kept
    assert not heard.at(0.4).headings_deg


def test_a_single_slow_course_to_the_side_is_noise() -> None:
    """Two on end are none: the mower has turned."""
    heard = Heard()
    for _ in range(3):
        heard.goes(heading=False)
    heard.nose_deg = 70.0
    assert noses(heard.goes(0.15, heading=False)) == [0.0, 180.0]
    heard.nose_deg = 0.0
    assert noses(heard.goes(0.15, heading=False)) == [0.0, 180.0]
    heard.nose_deg = 70.0
    heard.goes(0.15, heading=False)
    turned = noses(heard.goes(0.15, heading=False))
    assert pytest.approx((turned[0] + turned[1]) / 2.0, abs=1e-6) == 70.0


@pytest.mark.parametrize(
    ("course_deg", "kept"),
    [(0.0, True), (44.0, True), (46.0, False), (134.0, False), (136.0, True), (180.0, True)],
)
def test_a_slow_course_that_goes_along_keeps_a_direction_and_another_is_one(
    course_deg: float, kept: bool
) -> None:
    """Give or take its noise: 0.03 m/s across 0.15 m/s, and the mean of four."""
    heard = Heard()
    heard.goes(heading=False)
    for _ in range(10):
        heard.nose_deg = course_deg
        attitude = heard.goes(0.15, heading=False)
    off_deg = math.degrees(math.atan2(0.03, 0.15)) / math.sqrt(4.0)
    if kept:
        assert noses(attitude) == [0.0, 180.0]
        assert travels(attitude) == [180.0, 180.0] if course_deg > 90.0 else [0.0, 0.0]
    else:
        ways_deg = [course_deg - off_deg, course_deg + off_deg]
        turned = [one + 180.0 for one in ways_deg]
        assert noses(attitude) == [pytest.approx(one, abs=1e-3) for one in [*ways_deg, *turned]]
        assert travels(attitude) == [
            pytest.approx(one, abs=1e-3) for one in sorted([*ways_deg, *ways_deg])
        ]
    # A course that is fast enough is one, and so is a heading.
    fast = heard.goes(heading=False)
    assert len(fast.headings_deg) == 2
    assert len(heard.goes().headings_deg) == 1


@pytest.mark.parametrize(("rests", "known"), [(None, True), (99.0, False)])
def test_noise_of_a_mower_at_rest_is_no_direction(rests: float | None, known: bool) -> None:
    heard = Heard()
    for _ in range(3):
        attitude = heard.at(rests=rests, speed_mps=0.12, course_deg=40.0)
    assert bool(attitude.headings_deg) is known


def test_a_slow_mower_whose_course_is_not_told_loses_it() -> None:
    heard = Heard()
    heard.goes(heading=False)
    for _ in range(5):
        attitude = heard.at(speed_mps=0.15)
    assert attitude.headings_deg == ()


@pytest.mark.parametrize(
    ("aside_m", "ahead_m", "kept"),
    [
        (0.0, 0.7, True),
        (0.0, -0.7, True),
        (0.18, 0.7, True),
        (0.2, 0.7, False),
        (0.7, 0.0, False),
        (0.09, 0.0, True),
        (0.11, 0.0, False),
    ],
)
def test_over_a_silence_a_direction_is_kept_by_going_along_it_or_standing(
    aside_m: float, ahead_m: float, kept: bool
) -> None:
    """Up to 15 degrees off, and up to 0.1 m."""
    heard = Heard()
    heard.goes(heading=False)
    heard.east_m += aside_m
    heard.north_m += ahead_m
    assert bool(heard.at(1.7, speed_mps=0.05).headings_deg) is kept
    assert bool(heard.at(speed_mps=0.0).headings_deg) is kept


# Positions on a line


def creep(heard: Heard, epochs: int, north_m: float = 0.02, east_m: float = 0.0) -> Attitude:
    for _ in range(epochs):
        heard.north_m += north_m
        heard.east_m += east_m
        attitude = heard.at(speed_mps=0.05)
    return attitude


def test_a_straight_line_of_positions_is_a_direction() -> None:
    heard = Heard()
    assert creep(heard, 15).headings_deg == ()
    assert noses(creep(heard, 2)) == [0.0, 180.0]


def test_a_bent_one_is_not_until_what_is_left_of_it_is_straight() -> None:
    heard = Heard()
    creep(heard, 10)
    assert creep(heard, 13, 0.0, 0.02).headings_deg == ()
    attitude = creep(heard, 10, 0.0, 0.02)
    assert noses(attitude) == [pytest.approx(90.0, abs=15.0), pytest.approx(270.0, abs=15.0)]


def test_a_leap_is_no_line_nor_are_a_few_positions() -> None:
    heard = Heard()
    assert creep(heard, 2, 5.0).headings_deg == ()
    assert creep(heard, 3, 0.1).headings_deg == ()
    assert creep(heard, 1, 0.1).headings_deg != ()


def test_a_mower_that_stands_without_a_direction_remembers_no_more_than_enough() -> None:
    heard = Heard()
    for _ in range(3 * MOST_ON_LINE):
        heard.at(speed_mps=0.0)
    assert len(heard.attitudes._places) == MOST_ON_LINE


# Setting out


@pytest.mark.parametrize(("mps", "either"), [(0.09, True), (0.11, False)])
@pytest.mark.parametrize("heading", [True, False])
def test_a_mower_that_all_but_stands_may_set_out_either_way(
    mps: float, either: bool, heading: bool
) -> None:
    heard = Heard()
    for _ in range(5):
        heard.goes(heading=heading)
    attitude = heard.goes(mps, heading=heading)
    back = [way._replace(travel_deg=way.travel_deg + 180.0) for way in attitude.ways]
    assert list(attitude.starts) == (back if either else [])


@pytest.mark.parametrize(
    ("course_deg", "mps", "counts"),
    [
        (50.0, 0.4, True),
        (270.0, 0.4, True),
        (40.0, 0.4, False),
        (200.0, 0.4, False),
        (90.0, 0.19, False),
        (90.0, 0.21, True),
    ],
)
def test_a_course_to_the_side_is_a_way_at_once(course_deg: float, mps: float, counts: bool) -> None:
    """It slides, or is carried."""
    heard = Heard()
    for _ in range(5):
        heard.goes()
    attitude = heard.goes(mps, heading_deg=0.0, course_deg=course_deg)
    assert (Way(0.0, course_deg) in attitude.ways) is counts


# The axle


@pytest.mark.parametrize("antenna_m", [(0.3, 0.0), (-0.3, 0.0), (0.2, 0.25), (0.0, -0.3)])
@pytest.mark.parametrize("turns_dps", [60.0, -45.0])
def test_a_turn_on_the_spot_is_a_turn_wherever_the_antenna_is(
    antenna_m: tuple[float, float], turns_dps: float
) -> None:
    heard = Heard(antenna_m)
    for _ in range(5):
        heard.goes()
    for _ in range(15):
        attitude = heard.goes(0.0, turns_dps)
        assert noses(attitude) == [pytest.approx(heard.nose_deg % 360.0, abs=0.01)]
        assert travels(attitude) == noses(attitude)
        assert (attitude.course_off_deg or 0.0) == pytest.approx(0.0, abs=1.0)
    assert math.copysign(1.0, attitude.curvature_per_m) == math.copysign(1.0, turns_dps)
    for _ in range(20):
        attitude = heard.goes()
        assert (attitude.course_off_deg or 0.0) == pytest.approx(0.0, abs=1.0)
    assert attitude.heading_off_deg == pytest.approx(0.0, abs=0.5)


def test_without_knowing_the_axle_the_same_turn_contradicts_the_heading() -> None:
    """So that the setting is what makes the difference."""
    heard = Heard((0.3, 0.0), axle_m=[0.3, 0.0])
    off_deg = [heard.goes(0.0, 60.0).course_off_deg or 0.0 for _ in range(15)]
    assert max(off_deg) > 45.0


def test_where_the_axle_is() -> None:
    attitudes = Heard((0.3, 0.1)).attitudes
    assert attitudes.axle((5.0, 7.0), 90.0) == pytest.approx((5.0 - 0.3, 7.0 - 0.1))


def test_by_its_course_alone_a_turn_on_the_spot_shows_by_how_it_bends() -> None:
    """The antenna goes round the axle, at right angles to the nose."""
    heard = Heard((0.3, 0.0))
    for _ in range(10):
        attitude = heard.goes(0.0, 60.0, heading=False)
    off_deg = abs(turned_deg(heard.nose_deg, attitude.headings_deg[0]))
    assert min(off_deg, 180.0 - off_deg) < 45.0


@pytest.mark.parametrize("turns_deg", [-20.0, 20.0])
@pytest.mark.parametrize("ahead_m", [-0.4, 0.4])
def test_a_course_leads_at_right_angles_to_the_nose_at_most(
    ahead_m: float, turns_deg: float
) -> None:
    """Where its noise, or a swerve, bends it more than any turn about the axle could."""
    heard = Heard((ahead_m, 0.0))
    for step in range(10):
        course_deg = (turns_deg * step) % 360.0
        attitude = heard.at(speed_mps=0.25, course_deg=course_deg)
    # The last two courses agree: their mean leads.
    aside_deg = turned_deg(course_deg - turns_deg / 2.0, attitude.headings_deg[0])
    assert abs(aside_deg) == pytest.approx(90.0)
    assert (aside_deg < 0.0) == (ahead_m * turns_deg > 0.0)


@pytest.mark.parametrize(("mps", "known"), [(0.14, False), (0.17, True)])
def test_the_way_of_the_last_two_seconds_counts_where_it_is_long_enough(
    mps: float, known: bool
) -> None:
    """0.3 m of it."""
    heard = Heard()
    for _ in range(30):
        attitude = heard.goes(mps)
    assert (attitude.course_off_deg is not None) is known


# Bends


@given(st.floats(-1.0, 1.0), st.floats(0.3, 0.8))
def test_the_curvature_of_a_steady_turn(bend_per_m: float, mps: float) -> None:
    heard = Heard()
    for _ in range(15):
        attitude = heard.goes(mps, math.degrees(bend_per_m * mps))
    assert attitude.curvature_per_m == pytest.approx(bend_per_m, abs=1e-6)


@pytest.mark.parametrize("mps", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("turns_dps", [-20.0, 4.0, 20.0])
def test_of_two_courses_the_noise_of_both_is_taken_off_the_bend(
    mps: float, turns_dps: float
) -> None:
    """Of a second: 0.03 m/s across the way, by each on its own."""
    heard = Heard()
    for _ in range(15):
        attitude = heard.goes(mps, turns_dps, heading=False)
    noise_deg = math.sqrt(2.0) * math.degrees(math.atan2(0.03, mps))
    turned = math.radians(max(0.0, abs(turns_dps) - noise_deg))
    assert attitude.curvature_per_m == pytest.approx(math.copysign(turned / mps, turns_dps))


def test_a_course_that_only_scatters_is_no_bend() -> None:
    heard = Heard()
    for step in range(30):
        attitude = heard.goes(heading=False, course_deg=(3.0 * (step % 2)) % 360.0)
        assert attitude.curvature_per_m == 0.0


@pytest.mark.parametrize("turns_dps", [-20.0, 20.0])
def test_of_the_last_two_bends_the_gentler_one_counts(turns_dps: float) -> None:
    """A turn that has just begun, and one that has just ended; looked at over half a metre."""
    heard = Heard()
    for _ in range(10):
        heard.goes()
    turned = math.radians(0.2 * turns_dps)
    begins = [heard.goes(turns_dps=turns_dps).curvature_per_m for _ in range(6)]
    assert begins == pytest.approx([turned / 0.5 * n for n in (0, 1, 2, 3, 4, 5)], abs=1e-9)
    ends = [heard.goes().curvature_per_m for _ in range(5)]
    assert ends == pytest.approx([turned / 0.5 * n for n in (4, 3, 2, 1, 0)], abs=1e-9)


def test_one_direction_that_is_off_is_no_bend() -> None:
    heard = Heard()
    for step in range(12):
        attitude = heard.goes(heading_deg=20.0 if step == 8 else 0.0)
        assert attitude.curvature_per_m == 0.0


@pytest.mark.parametrize("heading", [True, False])
def test_to_change_gear_is_no_bend(heading: bool) -> None:
    heard = Heard()
    for mps in (*[0.4] * 8, *[-0.4] * 8, *[0.4] * 8):
        assert heard.goes(mps, heading=heading).curvature_per_m == 0.0


def test_what_lies_between_a_kept_course_and_a_new_one_is_no_bend() -> None:
    heard = Heard()
    for _ in range(8):
        heard.goes(heading=False)
    for _ in range(8):
        heard.goes(0.0, 45.0, heading=False)
    assert heard.goes(heading=False).curvature_per_m == 0.0


@pytest.mark.parametrize("passed_s", [0.0, 1.6])
def test_nothing_is_carried_over_a_gap_or_a_clock_that_stands(passed_s: float) -> None:
    heard = Heard(held_s=2.0)
    for _ in range(10):
        heard.goes(turns_dps=20.0)
    heard.nose_deg += 40.0
    assert heard.at(passed_s, heading_deg=heard.nose_deg % 360.0).curvature_per_m == 0.0
