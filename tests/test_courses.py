"""Courses: the mean of the last ones that agree."""

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.courses import AVERAGED_S, NOISES, Courses, course_noise_deg, turned_deg

EVERY_S = 0.2
FEW = 4
"""As many as there are in `AVERAGED_S`."""


def test_a_single_course_is_itself() -> None:
    mean = Courses().hear(7.0, 0.5, 123.0)
    assert mean.course_deg == pytest.approx(123.0)
    assert mean.noise_deg == pytest.approx(course_noise_deg(0.5))
    assert mean.agreeing == 1


@given(st.floats(0.0, 360.0, exclude_max=True), st.floats(0.11, 2.0))
def test_of_those_that_agree_the_noise_shrinks_with_their_root(
    course_deg: float, mps: float
) -> None:
    """Of the mean of n independent values: 1 / sqrt(n)."""
    courses = Courses()
    for number in range(20):
        mean = courses.hear(EVERY_S * number, mps, course_deg)
    assert abs(turned_deg(mean.course_deg, course_deg)) < 1e-6
    assert mean.agreeing == FEW
    assert mean.noise_deg == pytest.approx(course_noise_deg(mps) / math.sqrt(FEW))


@given(st.integers(0, 10_000), st.sampled_from([0.12, 0.3, 0.5]))
def test_straight_ahead_the_mean_is_nearer_than_the_courses(seed: int, mps: float) -> None:
    """By the root of their number, or a bit less where one fell out of line."""
    random, courses = Random(seed), Courses()
    told_deg2 = mean_deg2 = 0.0
    for number in range(400):
        east_mps, north_mps = random.gauss(0.0, 0.03), mps + random.gauss(0.0, 0.03)
        told_deg = math.degrees(math.atan2(east_mps, north_mps))
        mean = courses.hear(EVERY_S * number, math.hypot(east_mps, north_mps), told_deg)
        told_deg2 += told_deg**2
        mean_deg2 += turned_deg(0.0, mean.course_deg) ** 2
    assert mean_deg2 < told_deg2 / 2.5


@pytest.mark.parametrize(("times", "agreeing"), [(0.99, 2), (1.01, 1)])
def test_one_that_is_off_by_more_than_noise_begins_anew(times: float, agreeing: int) -> None:
    courses, noise_deg = Courses(), course_noise_deg(0.5)
    courses.hear(0.0, 0.5, 350.0)
    off_deg = times * NOISES * math.sqrt(2.0) * noise_deg
    mean = courses.hear(EVERY_S, 0.5, 350.0 + off_deg)
    assert mean.agreeing == agreeing
    if agreeing == 1:
        assert mean.course_deg == pytest.approx((350.0 + off_deg) % 360.0)


@pytest.mark.parametrize("turns_dps", [10.0, 30.0, 60.0, -120.0])
def test_in_a_turn_it_lags_no_more_than_noise(turns_dps: float) -> None:
    courses = Courses()
    for number in range(50):
        course_deg = turns_dps * EVERY_S * number
        mean = courses.hear(EVERY_S * number, 0.5, course_deg % 360.0)
        lag_deg = abs(turned_deg(mean.course_deg, course_deg))
        assert lag_deg <= NOISES * math.sqrt(2.0) * course_noise_deg(0.5)
        assert lag_deg <= abs(turns_dps) * AVERAGED_S / 2.0


@pytest.mark.parametrize(("gap_s", "agreeing"), [(AVERAGED_S - 0.01, 2), (AVERAGED_S + 0.01, 1)])
def test_older_ones_are_forgotten(gap_s: float, agreeing: int) -> None:
    courses = Courses()
    courses.hear(0.0, 0.5, 10.0)
    assert courses.hear(gap_s, 0.5, 10.0).agreeing == agreeing


def test_a_clock_that_was_set_back_begins_anew() -> None:
    courses = Courses()
    courses.hear(100.0, 0.5, 10.0)
    assert courses.hear(99.9, 0.5, 10.0).agreeing == 1


def test_forgotten_is_forgotten() -> None:
    courses = Courses()
    courses.hear(0.0, 0.5, 10.0)
    courses.forget()
    assert courses.hear(0.2, 0.5, 10.0).agreeing == 1
