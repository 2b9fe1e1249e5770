"""The track: the way taken against the course, and how sharply it turns.

Angles are compared with plane geometry, written out beside the checks.
"""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.track import LEAST_WAY_M, MOVED_M, TURN_S, turned_deg
from tests.support.driven import Driven, close, towards

# The way taken, against the course


@pytest.mark.parametrize("told_deg", [0.0, 10.0, 90.0, 200.0, 355.0])
@pytest.mark.parametrize("off_deg", [0.0, 30.0, -75.0, 180.0])
def test_the_course_is_compared_with_the_way_taken(told_deg: float, off_deg: float) -> None:
    driven = Driven()
    for step in range(20):
        place = towards(told_deg + off_deg, 0.1 * step)
        evidence = driven.at(0.2 * step, place, travel_deg=told_deg)
    assert evidence.course_off_deg == close(abs(off_deg))


@pytest.mark.parametrize(("way_m", "says"), [(MOVED_M - 0.001, False), (MOVED_M, True)])
def test_a_shorter_way_says_nothing_about_its_direction(way_m: float, says: bool) -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=0.0)
    evidence = driven.at(1.0, (way_m, 0.0), travel_deg=0.0)
    assert evidence.course_off_deg == (close(90.0) if says else None)


@pytest.mark.parametrize(
    ("after_s", "says"), [(0.999 * TURN_S, True), (TURN_S, True), (1.001 * TURN_S, False)]
)
def test_a_way_that_took_too_long_says_nothing_about_its_direction(
    after_s: float, says: bool
) -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=0.0)
    assert driven.at(after_s, (0.15, 0.0), travel_deg=0.0).course_off_deg is None
    evidence = driven.at(2.0 * after_s, (0.3, 0.0), travel_deg=0.0)
    assert evidence.course_off_deg == (close(90.0) if says else None)


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize(
    ("way_deg", "off_deg"), [(-5.0, 5.0), (0.0, 0.0), (70.0, 0.0), (85.0, 5.0)]
)
def test_a_way_between_the_directions_of_a_turn_contradicts_neither(
    side: float, way_deg: float, off_deg: float
) -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=0.0)
    evidence = driven.at(1.0, towards(side * way_deg, 0.4), travel_deg=side * 80.0)
    assert evidence.course_off_deg == close(off_deg)


@pytest.mark.parametrize("told", [(None, 90.0), (90.0, None), (None, None)])
def test_without_a_direction_there_is_nothing_to_contradict(
    told: tuple[float | None, float | None],
) -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=told[0])
    evidence = driven.at(1.0, (0.4, 0.0), travel_deg=told[1])
    assert evidence.course_off_deg is None
    assert evidence.curvature_per_m == 0.0


# Turns


def circle(driven: Driven, radius_m: float, speed_mps: float, steps: int, every_s: float) -> Any:
    """The evidence at each epoch of an even turn clockwise, or the other way if below 0."""
    for step in range(steps):
        turned = speed_mps * every_s * step / radius_m
        place = (radius_m * (1.0 - math.cos(turned)), radius_m * math.sin(turned))
        course_deg = math.degrees(turned) % 360.0
        yield driven.at(
            every_s * step,
            place,
            speed_mps=speed_mps,
            course_deg=course_deg,
            travel_deg=course_deg,
        )


@given(
    st.floats(0.4, 50.0),
    st.sampled_from([-1.0, 1.0]),
    st.floats(LEAST_WAY_M / TURN_S + 0.02, 0.5),
    st.sampled_from([0.1, 0.125, 0.2, 0.25]),
)
@examples(deadline=None)
def test_an_even_turn_has_the_curvature_of_its_circle_and_contradicts_nothing(
    radius_m: float, side: float, speed_mps: float, every_s: float
) -> None:
    """Curvature of a circle: 1/radius; its chord points halfway between the two tangents.

    The mean of two velocities that an angle lies between is shorter by the cosine of half of it.
    """
    for evidence in circle(Driven(), side * radius_m, speed_mps, 40, every_s):
        if evidence.course_off_deg is not None:
            assert evidence.course_off_deg == pytest.approx(0.0, abs=0.01)
    shorter = math.cos(speed_mps * every_s / radius_m / 2.0)
    assert evidence.curvature_per_m == pytest.approx(side / radius_m / shorter, rel=1e-6)


def test_straight_on_there_is_no_curvature() -> None:
    driven = Driven()
    for step in range(10):
        place = towards(359.0, 0.1 * step)
        evidence = driven.at(0.2 * step, place, speed_mps=0.5, course_deg=359.0, travel_deg=359.0)
    assert evidence.curvature_per_m == 0.0


def test_a_turn_on_the_spot_counts_as_one_along_a_short_way() -> None:
    driven = Driven()
    for step in range(10):
        evidence = driven.at(0.25 * step, travel_deg=10.0 * step)
    assert evidence.curvature_per_m == close(math.radians(40.0) / LEAST_WAY_M)


def test_a_turn_is_averaged_over_its_time_and_no_longer() -> None:
    driven = Driven()
    for step in range(4):
        evidence = driven.at(0.5 * step, travel_deg=20.0 * min(step, 1))
    assert evidence.curvature_per_m == close(0.0)


def test_soon_after_a_beginning_the_turn_is_that_since_the_beginning() -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=350.0)
    driven.at(0.25, travel_deg=10.0)
    evidence = driven.at(0.5, travel_deg=30.0)
    assert evidence.curvature_per_m == close(math.radians(20.0) / LEAST_WAY_M)


@pytest.mark.parametrize("off_deg", [-40.0, 3.0, 179.0])
def test_a_single_direction_that_is_off_is_no_turn(off_deg: float) -> None:
    driven = Driven()
    for step in range(20):
        evidence = driven.at(0.25 * step, travel_deg=off_deg if step == 7 else 0.0)
        assert evidence.curvature_per_m == 0.0


@pytest.mark.parametrize(
    ("first_deg", "then_deg", "counts_deg"),
    [(10.0, 30.0, 10.0), (30.0, 10.0, 10.0), (-10.0, -30.0, -10.0), (10.0, -30.0, 0.0)],
)
def test_of_two_bends_the_gentler_counts(
    first_deg: float, then_deg: float, counts_deg: float
) -> None:
    driven = Driven()
    driven.at(0.0, travel_deg=0.0)
    driven.at(0.25, travel_deg=first_deg)
    evidence = driven.at(0.5, travel_deg=then_deg)
    assert evidence.curvature_per_m == close(math.radians(counts_deg) / LEAST_WAY_M)


@pytest.mark.parametrize(
    ("from_deg", "to_deg", "turned"),
    [(0.0, 90.0, 90.0), (90.0, 0.0, -90.0), (350.0, 10.0, 20.0), (10.0, 350.0, -20.0)],
)
def test_the_shorter_way_round(from_deg: float, to_deg: float, turned: float) -> None:
    assert turned_deg(from_deg, to_deg) == turned


@given(st.floats(-720.0, 720.0), st.floats(-720.0, 720.0))
def test_turning_by_what_was_turned_leads_there(from_deg: float, to_deg: float) -> None:
    turned = turned_deg(from_deg, to_deg)
    assert -180.0 <= turned <= 180.0
    there = math.radians(from_deg + turned)
    assert math.cos(there) == pytest.approx(math.cos(math.radians(to_deg)), abs=1e-9)
    assert math.sin(there) == pytest.approx(math.sin(math.radians(to_deg)), abs=1e-9)
