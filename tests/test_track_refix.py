"""The track: when a fixed position is doubted after a loss, and until when."""

import math

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.track import GAP_S
from fenceguard.receiver.epoch import FLOAT
from tests.conftest import many
from tests.support.driven import (
    BOUND_M,
    HERE,
    TOP_MPS,
    WAY_ERROR,
    Driven,
    close,
    doubted,
    known,
    moving,
    towards,
)


def test_fixed_positions_that_go_on_are_not_questioned() -> None:
    driven = Driven()
    for step in range(20):
        assert moving(driven, 0.2 * step, (0.08 * step, 0.0)).refix_m is None


def test_the_first_fixed_position_of_all_is_taken_as_it_is() -> None:
    driven = Driven()
    assert driven.at(0.0, quality=FLOAT).refix_m is None
    assert driven.at(1.0, (50.0, 0.0)).refix_m is None


@pytest.mark.parametrize("beyond_m", [-0.02, -0.001, 0.001, 1.0])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_reach_moves_with_the_told_speed_and_widens_with_its_error(
    beyond_m: float, side: float
) -> None:
    """20 steps of 0.5 s at 0.4 m/s lead 4 m to the east; 2 % of that may be off."""
    driven = Driven(way_error=WAY_ERROR)
    moving(driven, 0.0, HERE)
    for step in range(1, 20):
        evidence = moving(driven, 0.5 * step, (0.2 * step, 3.0), FLOAT)
        assert evidence.refix_m is None
    reach_m = math.hypot(BOUND_M, BOUND_M) + WAY_ERROR * 4.0
    refix_m = moving(driven, 10.0, (4.0 + side * (reach_m + beyond_m), 0.0)).refix_m
    assert refix_m == close(beyond_m)


@pytest.mark.parametrize("lost", ["no position", "float"])
def test_a_fixed_position_within_reach_is_trusted_at_once(lost: str) -> None:
    driven = Driven()
    driven.at(0.0)
    if lost == "float":
        driven.at(0.5, quality=FLOAT)
    else:
        driven.track.lost()
    assert driven.at(1.0, (0.01, 0.0)).refix_m == close(0.01 - math.hypot(BOUND_M, BOUND_M))
    assert driven.at(1.5, (0.02, 0.0)).refix_m is None


def test_each_loss_is_judged_from_the_last_position_that_was_trusted() -> None:
    """Two steps of 0.06 m: each within reach of the one before, both together not of the first."""
    driven = Driven()
    driven.at(0.0)
    for half_second, east_m in [(1, 0.06), (2, 0.12)]:
        driven.track.lost()
        assert known(driven.at(0.5 * half_second, (east_m, 0.0)).refix_m) < 0.0


def test_a_doubted_position_stays_doubted_however_long_it_stands_there() -> None:
    driven = doubted()
    first_m = driven.at(1.5, (1.0, 0.0)).refix_m
    for second in range(2, 200):
        assert driven.at(float(second), (1.0, 0.0)).refix_m == first_m


def test_a_doubt_outlasts_another_loss_and_is_told_throughout() -> None:
    driven = doubted()
    first_m = driven.at(1.5, (1.0, 0.0)).refix_m
    assert driven.at(2.0, quality=FLOAT).refix_m == first_m
    driven.track.lost()
    assert driven.at(3.0, (1.0, 0.0)).refix_m == first_m


def test_a_doubt_does_not_fade_while_no_speed_is_told() -> None:
    driven = doubted()
    first_m = driven.at(1.5, (1.0, 0.0)).refix_m
    for second in range(2, 30):
        assert driven.at(float(second), (1.0, 0.0), speed_mps=None).refix_m == first_m


def test_a_doubt_ends_when_a_fixed_position_lies_within_reach() -> None:
    driven = doubted()
    assert known(driven.at(1.5, (0.02, 0.0)).refix_m) < 0.0
    assert driven.at(2.0, (0.03, 0.0)).refix_m is None


def test_a_position_that_turned_out_good_is_the_new_beginning() -> None:
    driven = doubted()
    driven.at(1.5, (0.06, 0.0))
    driven.track.lost()
    assert driven.at(2.0, (0.12, 0.0)).refix_m == close(0.06 - math.hypot(BOUND_M, BOUND_M))


def test_the_reach_of_a_doubted_position_moves_but_widens_no_more() -> None:
    driven = Driven(way_error=WAY_ERROR)
    moving(driven, 0.0, HERE)
    moving(driven, 0.5, HERE, FLOAT)
    doubt_m = moving(driven, 1.0, (0.4, 2.0)).refix_m
    assert doubt_m == close(2.0 - math.hypot(BOUND_M, BOUND_M) - WAY_ERROR * 0.4)
    for step in range(3, 60):
        assert moving(driven, 0.5 * step, (0.2 * step, 2.0)).refix_m == close(doubt_m)


def test_changes_of_speed_do_not_widen_the_reach_of_a_doubted_position() -> None:
    """From 0 to 0.4 m/s and back, each within half a second, is 0.1 m."""
    driven = Driven(way_error=0.0)
    driven.at(0.0)
    driven.at(0.5, quality=FLOAT)
    doubt_m = driven.at(1.0, (1.0, 0.0)).refix_m
    for step in range(1, 20):
        speed_mps = 0.4 if step % 2 else 0.0
        evidence = driven.at(
            1.0 + 0.5 * step, (1.0, 0.1 * step), speed_mps=speed_mps, course_deg=0.0
        )
        assert evidence.refix_m == close(doubt_m)


def test_a_person_ends_a_doubt() -> None:
    driven = doubted()
    driven.track.trust_again()
    assert driven.at(1.5, (1.0, 0.0)).refix_m is None
    driven.track.lost()
    assert known(driven.at(2.0, (1.0, 0.0)).refix_m) < 0.0
    driven.track.lost()
    assert known(driven.at(2.5).refix_m) > 0.0


def test_a_person_ends_a_doubt_once_and_for_the_next_fixed_position_only() -> None:
    driven = doubted()
    driven.track.trust_again()
    assert driven.at(1.5, (5.0, 0.0), quality=FLOAT).refix_m is None
    assert driven.at(2.0, (2.0, 0.0)).refix_m is None
    assert known(driven.at(2.5, (4.0, 0.0)).refix_m) > 0.0


def test_a_fixed_position_that_jumps_is_doubted_without_a_loss() -> None:
    driven = Driven()
    driven.at(0.0)
    evidence = driven.at(0.5, (2.0, 0.0))
    assert known(evidence.jump_m) > 0.0
    assert evidence.refix_m == close(2.0 - math.hypot(BOUND_M, BOUND_M))
    later = driven.at(1.0, (2.0, 0.0))
    assert known(later.jump_m) < 0.0
    assert later.refix_m == evidence.refix_m


def test_the_least_of_jumps_is_enough_to_doubt() -> None:
    driven = Driven()
    driven.at(0.0)
    allowed_m = 0.5 * TOP_MPS + 2.0 * BOUND_M
    assert known(driven.at(0.5, (allowed_m + 0.001, 0.0)).refix_m) > 0.0
    driven = Driven()
    driven.at(0.0)
    assert driven.at(0.5, (allowed_m - 0.001, 0.0)).refix_m is None


def test_what_top_speed_and_bounds_just_allow_is_no_jump() -> None:
    """0.5 m/s for 1 s and two bounds of 1/16 m: 5/8 m, without rounding."""
    driven = Driven()
    driven.at(0.0, bound_m=0.0625)
    evidence = driven.at(1.0, (0.625, 0.0), bound_m=0.0625)
    assert (evidence.jump_m, evidence.refix_m) == (0.0, None)


@pytest.mark.parametrize("course_deg", [0.0, 120.0, 250.0])
def test_the_reach_moves_in_every_direction(course_deg: float) -> None:
    driven = Driven(way_error=0.0)
    driven.at(0.0, speed_mps=0.4, course_deg=course_deg)
    driven.track.lost()
    place = towards(course_deg, 0.4)
    refix_m = driven.at(1.0, place, speed_mps=0.4, course_deg=course_deg).refix_m
    assert refix_m == close(-math.hypot(BOUND_M, BOUND_M))


def test_over_a_gap_in_the_told_speed_the_reach_widens_and_does_not_move() -> None:
    driven = Driven(way_error=0.0)
    moving(driven, 0.0, HERE)
    driven.track.lost()
    reach_m = math.hypot(BOUND_M, BOUND_M) + TOP_MPS * 5.0
    assert moving(driven, 5.0, HERE).refix_m == close(-reach_m)


@pytest.mark.parametrize("untold_s", [0.2, 1.0, 1.1, 1.4, 5.0, 60.0])
@pytest.mark.parametrize("refix_tells_speed", [False, True])
@pytest.mark.parametrize("beyond_m", [-0.01, 0.01])
def test_while_no_speed_is_told_the_reach_widens_by_the_top_speed(
    untold_s: float, refix_tells_speed: bool, beyond_m: float
) -> None:
    """A speed that is told at the end of a short gap bridges it: then the mower stood still."""
    driven = Driven()
    driven.at(0.0)
    for step in range(1, round(untold_s / 0.2)):
        driven.at(0.2 * step, quality=FLOAT, speed_mps=None)
    driven.track.lost()
    bridged = refix_tells_speed and untold_s < GAP_S
    reach_m = math.hypot(BOUND_M, BOUND_M) + (0.0 if bridged else TOP_MPS * untold_s)
    refix = driven.at(
        untold_s, (reach_m + beyond_m, 0.0), speed_mps=0.0 if refix_tells_speed else None
    )
    assert refix.refix_m == close(beyond_m)


def test_a_loss_just_after_an_epoch_without_speed_is_reckoned_from_the_last_with_one() -> None:
    driven = Driven(way_error=WAY_ERROR)
    moving(driven, 0.0, HERE)
    driven.at(0.5, (0.2, 0.0), speed_mps=None)
    moving(driven, 1.0, (0.4, 0.0), FLOAT)
    refix_m = moving(driven, 1.5, (0.6, 0.0)).refix_m
    assert refix_m == close(-math.hypot(BOUND_M, BOUND_M) - WAY_ERROR * 0.6)


def test_a_receiver_without_any_speed_is_judged_by_the_top_speed_alone() -> None:
    driven = Driven()
    for second in range(60):
        driven.at(float(second), speed_mps=None)
    driven.track.lost()
    reach_m = math.hypot(BOUND_M, BOUND_M) + TOP_MPS
    assert driven.at(60.0, (1.0, 0.0), speed_mps=None).refix_m == close(1.0 - reach_m)


@given(
    st.lists(
        st.tuples(st.sampled_from([0.1, 0.5, 1.0, 1.3, 3.0]), st.booleans()),
        min_size=1,
        max_size=20,
    ),
    st.sampled_from([0.0, 0.3, TOP_MPS]),
)
@examples(max_examples=many(1.5), deadline=None)
def test_an_honest_refix_is_never_doubted(
    steps: list[tuple[float, bool]], speed_mps: float
) -> None:
    """However epochs come and with whatever gaps in the speed, the true place is within reach."""
    driven = Driven(way_error=0.0)
    driven.at(0.0, speed_mps=speed_mps, course_deg=90.0)
    passed_s = 0.0
    for after_s, told in steps:
        passed_s += after_s
        told_mps = speed_mps if told else None
        driven.at(passed_s, (50.0, 0.0), quality=FLOAT, speed_mps=told_mps, course_deg=90.0)
    passed_s += 0.2
    place = (speed_mps * passed_s, 0.0)
    evidence = driven.at(passed_s, place, speed_mps=speed_mps, course_deg=90.0)
    assert known(evidence.refix_m) < 0.0
