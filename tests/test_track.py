"""The track: jumps and drift, against paths whose truth is known.

Distances and angles are compared with plane geometry, written out beside the checks.
"""

import math

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.track import GAP_S, RESTING_MPS, STANDING_MPS
from fenceguard.judgement.types import Evidence
from fenceguard.receiver.epoch import FIXED, FLOAT, Epoch
from tests.conftest import many
from tests.support.driven import (
    BOUND_M,
    HERE,
    SPEEDING_UP_MPS2,
    TOP_MPS,
    WAY_ERROR,
    Driven,
    close,
    doubted,
    known,
    towards,
)

# At the first epoch


def test_there_is_nothing_to_compare_the_first_epoch_with() -> None:
    assert Driven().at(0.0, late_s=7.0) == Evidence(late_s=0.0)


# Jump


@pytest.mark.parametrize("beyond_m", [-0.5, -0.001, 0.0, 0.001, 3.0])
@pytest.mark.parametrize("course_deg", [0.0, 135.0, 290.0])
def test_a_jump_is_what_top_speed_and_both_bounds_leave_unexplained(
    beyond_m: float, course_deg: float
) -> None:
    driven = Driven()
    driven.at(0.0, bound_m=0.07)
    allowed_m = TOP_MPS * 2.0 + 0.07 + 0.03
    place = towards(course_deg, allowed_m + beyond_m)
    assert driven.at(2.0, place, bound_m=0.03).jump_m == close(beyond_m)


def test_each_step_is_measured_from_the_epoch_before() -> None:
    driven = Driven()
    driven.at(0.0)
    assert known(driven.at(1.0, (9.0, 0.0)).jump_m) > 0.0
    assert driven.at(2.0, (9.0, 0.0)).jump_m == close(-TOP_MPS - 2.0 * BOUND_M)


# Drift


@pytest.mark.parametrize("quality", [FIXED, FLOAT])
def test_standing_still_a_wandering_position_is_all_drift(quality: int) -> None:
    driven = Driven()
    driven.at(0.0, quality=quality)
    for step in range(1, 11):
        wandered = towards(70.0, 0.01 * step)
        assert driven.at(0.2 * step, wandered, quality=quality).drift_m == close(0.01 * step)


def test_drift_is_measured_over_the_window_and_no_farther_back() -> None:
    driven = Driven(window_s=5.0)
    driven.at(0.0, (1.0, 0.0))
    for second in range(1, 6):
        assert driven.at(float(second)).drift_m == close(1.0)
    assert driven.at(6.0).drift_m == close(0.0)


@pytest.mark.parametrize("noticed", ["the speed is too great", "the position stands still"])
def test_a_receiver_whose_position_does_not_follow_its_speed_drifts(noticed: str) -> None:
    driven = Driven(way_error=WAY_ERROR)
    stays = noticed == "the position stands still"
    for second in range(11):
        place = HERE if stays else towards(90.0, 0.2 * second)
        evidence = driven.at(float(second), place, speed_mps=0.4, course_deg=90.0)
    wrong_m = 4.0 if stays else 2.0
    assert evidence.drift_m == close(wrong_m - WAY_ERROR * 4.0)


def test_the_speed_may_be_off_by_a_share_of_the_way() -> None:
    driven = Driven(way_error=WAY_ERROR)
    driven.at(0.0, speed_mps=0.5, course_deg=0.0)
    assert driven.at(1.0, (0.0, 0.51), speed_mps=0.5, course_deg=0.0).drift_m == close(0.0)
    assert driven.at(2.0, (0.0, 1.03), speed_mps=0.5, course_deg=0.0).drift_m == close(0.01)


def test_where_the_speed_changes_half_the_change_is_allowed_in_squares() -> None:
    """The mean of 0 and 0.4 m/s over 1 s is 0.2 m, and so is half the change."""
    driven = Driven(way_error=WAY_ERROR)
    driven.at(0.0, speed_mps=0.0)
    assert driven.at(1.0, (0.0, 0.2), speed_mps=0.4, course_deg=0.0).drift_m == close(
        -WAY_ERROR * 0.2 - 0.2
    )
    assert driven.at(2.0, (0.0, 0.4), speed_mps=0.0).drift_m == close(
        -WAY_ERROR * 0.4 - math.hypot(0.2, 0.2)
    )


def test_half_the_change_of_speed_counts_for_as_long_as_it_took() -> None:
    driven = Driven(way_error=0.0)
    driven.at(0.0, speed_mps=0.0)
    place = (0.0, 0.1)
    assert driven.at(0.5, place, speed_mps=0.4, course_deg=0.0).drift_m == close(-0.2 * 0.5)


def test_a_new_solution_begins_a_new_window() -> None:
    driven = Driven()
    driven.at(0.0, (1.0, 0.0))
    assert driven.at(1.0).drift_m == close(1.0)
    assert driven.at(2.0, quality=FLOAT).drift_m is None
    assert driven.at(3.0, quality=FLOAT).drift_m == close(0.0)


@pytest.mark.parametrize(("gap_s", "bridged"), [(GAP_S - 0.001, True), (GAP_S + 0.001, False)])
def test_a_gap_in_the_told_speed_begins_a_new_window(gap_s: float, bridged: bool) -> None:
    driven = Driven()
    driven.at(0.0, (1.0, 0.0))
    drift_m = driven.at(gap_s).drift_m
    assert drift_m == (close(1.0) if bridged else None)


def test_the_longest_gap_itself_is_bridged() -> None:
    """At a UTC of 0, which rounds nothing."""
    track = Driven().track
    for utc_s, east_m in [(0.0, 1.0), (GAP_S, 0.0)]:
        heard = Epoch(utc_s, quality=FIXED, speed_mps=0.0)
        evidence = track.hear(utc_s, heard, (east_m, 0.0), BOUND_M, None)
    assert evidence.drift_m == close(1.0)


def test_an_epoch_that_tells_no_speed_is_bridged_by_the_next() -> None:
    driven = Driven(way_error=WAY_ERROR)
    driven.at(0.0, speed_mps=0.4, course_deg=90.0)
    known_m = driven.at(0.2, (0.08, 0.0), speed_mps=0.4, course_deg=90.0).drift_m
    assert driven.at(0.4, (0.16, 0.0), speed_mps=None).drift_m == known_m
    after = driven.at(0.6, (0.24, 0.0), speed_mps=0.4, course_deg=90.0)
    assert after.drift_m == close(-WAY_ERROR * 0.24 - SPEEDING_UP_MPS2 * 0.4**2 / 4.0)


@pytest.mark.parametrize("speeds_mps", [(0.4, 0.4), (0.0, 0.4), (0.4, 0.0), (0.0, 0.0)])
@pytest.mark.parametrize(("longer", "swings"), [(1.49, False), (1.51, True)])
def test_where_epochs_are_missing_a_moving_mower_may_have_swung_out_and_back(
    speeds_mps: tuple[float, float], longer: float, swings: bool
) -> None:
    """At constant acceleration out for half the time and back for the other: a (t/2)² = a t²/4."""
    driven, gap_s = Driven(way_error=0.0), 0.5 * longer
    driven.at(0.0, speed_mps=speeds_mps[0], course_deg=0.0)
    place = towards(0.0, 0.5 * speeds_mps[0])
    driven.at(0.5, place, speed_mps=speeds_mps[0], course_deg=0.0)
    end = towards(0.0, sum(speeds_mps) / 2.0 * gap_s, place)
    evidence = driven.at(0.5 + gap_s, end, speed_mps=speeds_mps[1], course_deg=0.0)
    change_m = (speeds_mps[0] - speeds_mps[1]) / 2.0 * gap_s
    swung_m = SPEEDING_UP_MPS2 * gap_s**2 / 4.0 if swings and max(speeds_mps) > 0.0 else 0.0
    assert evidence.drift_m == close(-math.hypot(change_m, swung_m))


@pytest.mark.parametrize("speed_mps", [None, math.nan, math.inf])
def test_a_receiver_that_tells_no_speed_gives_no_drift(speed_mps: float | None) -> None:
    driven = Driven()
    for second in range(4):
        evidence = driven.at(float(second), (float(second), 0.0), speed_mps=speed_mps)
        assert evidence.drift_m is None
        assert evidence.course_off_deg is None
        assert evidence.curvature_per_m == 0.0


@pytest.mark.parametrize("course_deg", [None, math.nan])
@pytest.mark.parametrize(("speed_mps", "told"), [(RESTING_MPS - 0.001, True), (RESTING_MPS, False)])
def test_only_at_rest_the_course_may_be_left_out(
    speed_mps: float, course_deg: float | None, told: bool
) -> None:
    driven = Driven()
    for second in range(2):
        evidence = driven.at(float(second), speed_mps=speed_mps, course_deg=course_deg)
    aimless_m = speed_mps - STANDING_MPS
    assert evidence.drift_m == (close(-aimless_m) if told else None)


def test_a_receiver_that_is_slower_from_now_on_misses_nothing_once_the_window_has_seen_it() -> None:
    driven = Driven(way_error=0.0, window_s=5.0)
    for n in range(2):
        driven.at(0.5 * n, towards(0.0, 0.2 * n), speed_mps=0.4, course_deg=0.0)
    for second in range(1, 20):
        place = towards(0.0, 0.4 * second)
        evidence = driven.at(float(second), place, speed_mps=0.4, course_deg=0.0)
    assert evidence.drift_m == close(0.0)


@pytest.mark.parametrize("course_deg", [0.0, 77.0, 300.0])
@pytest.mark.parametrize(
    ("speed_mps", "drift_m"), [(STANDING_MPS, 0.15), (0.05, 0.05), (RESTING_MPS - 0.001, -0.195)]
)
def test_a_slow_way_without_a_course_may_have_led_anywhere(
    course_deg: float, speed_mps: float, drift_m: float
) -> None:
    driven = Driven()
    for step in range(26):
        place = towards(course_deg, 0.006 * step)
        evidence = driven.at(0.2 * step, place, speed_mps=speed_mps)
    assert evidence.drift_m == close(drift_m)


stretch = st.tuples(
    st.integers(1, 30),
    st.sampled_from([0.0, 0.15, 0.3, TOP_MPS]),
    st.one_of(st.just(0.0), st.floats(-45.0, 45.0)),
)
"""A number of epochs, the speed in m/s that they lead to, and a turning rate in degrees per s."""


@given(st.lists(stretch, min_size=1, max_size=8), st.sampled_from([0.05, 0.125, 0.2, 0.5, 1.0]))
@examples(max_examples=many(1.5), deadline=None)
def test_a_path_driven_as_the_speed_says_does_not_drift(
    stretches: list[tuple[int, float, float]], every_s: float
) -> None:
    """Arcs, stops and starts; the truth is added up in small steps, apart from the track."""
    driven = Driven(way_error=WAY_ERROR)
    place, course_deg, speed_mps, passed_s = HERE, 30.0, 0.0, 0.0
    parts = 20
    for epochs, next_mps, rate_dps in stretches:
        for _ in range(epochs):
            evidence = driven.at(
                passed_s, place, speed_mps=speed_mps, course_deg=course_deg % 360.0
            )
            assert evidence.drift_m is None or evidence.drift_m <= 1e-4
            assert evidence.jump_m is None or evidence.jump_m < 0.0
            assert evidence.refix_m is None
            for part in range(parts):
                now_mps = speed_mps + (next_mps - speed_mps) * (part + 0.5) / parts
                turned = rate_dps * every_s / parts
                place = towards(course_deg + turned / 2.0, now_mps * every_s / parts, place)
                course_deg += turned
            speed_mps, passed_s = next_mps, passed_s + every_s


@given(
    st.floats(0.0, TOP_MPS),
    st.floats(0.0, TOP_MPS),
    st.floats(0.0, 360.0),
    st.floats(0.0, 1.0),
    st.sampled_from([0.1, 0.2, 1.0]),
)
def test_a_sudden_change_of_speed_at_any_moment_is_no_drift(
    before_mps: float, after_mps: float, turned_by_deg: float, share: float, every_s: float
) -> None:
    driven = Driven(way_error=0.0)
    driven.at(0.0, speed_mps=before_mps, course_deg=0.0)
    corner = towards(0.0, before_mps * share * every_s)
    place = towards(turned_by_deg, after_mps * (1.0 - share) * every_s, corner)
    evidence = driven.at(every_s, place, speed_mps=after_mps, course_deg=turned_by_deg)
    assert known(evidence.drift_m) <= 1e-6


# Forgetting, and a UTC that stands still or goes back


def test_what_is_forgotten_is_compared_with_no_more() -> None:
    driven = doubted()
    driven.track.forget()
    assert driven.at(2.0, (9.0, 0.0), late_s=5.0) == Evidence(late_s=0.0)
    assert driven.at(3.0, (9.0, 0.0), late_s=5.0).refix_m is None


@pytest.mark.parametrize("passed_s", [1.0, 0.5, -100.0])
def test_a_utc_that_stands_still_or_goes_back_keeps_a_standing_doubt(passed_s: float) -> None:
    driven = doubted()
    again = driven.at(passed_s, late_s=2.0 - passed_s)
    assert again.refix_m == close(1.0 - math.hypot(BOUND_M, BOUND_M))
    assert (again.jump_m, again.drift_m, again.course_off_deg) == (None, None, None)
    assert driven.at(1.5, (1.0, 0.0)).refix_m == again.refix_m


def test_a_repeated_utc_without_a_doubt_tells_none() -> None:
    driven = Driven()
    driven.at(0.0)
    assert driven.at(0.0, (5.0, 0.0)).refix_m is None
