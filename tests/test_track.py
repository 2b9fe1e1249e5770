"""The track: what epochs say about each other, against paths whose truth is known.

Distances and angles are compared with plane geometry, written out beside the checks.
"""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.track import (
    CLOCK_DRIFT,
    GAP_S,
    LEAST_WAY_M,
    MOVED_M,
    RESTING_MPS,
    STANDING_MPS,
    TURN_S,
    Place,
    Track,
    turned_deg,
)
from fenceguard.judgement.types import Evidence
from fenceguard.receiver.epoch import FIXED, FLOAT, Epoch
from fenceguard.settings import Settings
from tests.conftest import many
from tests.support.lawns import OUTLINE

UTC_S = 1_700_000_000.0
TOP_MPS = 0.5
BOUND_M = 0.05
SPEEDING_UP_MPS2 = 0.5
WAY_ERROR = 0.02
HERE: Place = (0.0, 0.0)


def close(value: float | None) -> Any:
    """Equal but for what a UTC of this size rounds away."""
    return pytest.approx(value, abs=1e-5)


class Driven:
    """A track that hears epochs at times and places which a test gives."""

    def __init__(self, **track: float) -> None:
        mower = {"outline_m": OUTLINE, "antenna_m": [0, 0], "full_mps": TOP_MPS}
        content = {"fence": "x", "outputs": "none", "mower": mower, "track": track}
        self.track = Track(Settings.model_validate(content).parameters().track)

    def at(
        self,
        passed_s: float,
        place: Place = HERE,
        *,
        quality: int = FIXED,
        speed_mps: float | None = 0.0,
        course_deg: float | None = None,
        travel_deg: float | None = None,
        bound_m: float = BOUND_M,
        late_s: float = 0.1,
    ) -> Evidence:
        """The evidence at an epoch `passed_s` after the beginning, arriving `late_s` later."""
        epoch = Epoch(UTC_S + passed_s, quality=quality, speed_mps=speed_mps, course_deg=course_deg)
        return self.track.hear(passed_s + late_s, epoch, place, bound_m, travel_deg)


def known(value: float | None) -> float:
    assert value is not None
    return value


def towards(course_deg: float, way_m: float, start: Place = HERE) -> Place:
    """The place that lies a way off in a direction, clockwise from north."""
    course = math.radians(course_deg)
    return start[0] + way_m * math.sin(course), start[1] + way_m * math.cos(course)


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


# Refix


def moving(driven: Driven, passed_s: float, place: Place, quality: int = FIXED) -> Evidence:
    """An epoch of a mower that goes east at 0.4 m/s."""
    return driven.at(passed_s, place, quality=quality, speed_mps=0.4, course_deg=90.0)


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


def doubted() -> Driven:
    """A mower at rest whose fix came back 1 m off."""
    driven = Driven()
    driven.at(0.0)
    driven.at(0.5, quality=FLOAT)
    assert driven.at(1.0, (1.0, 0.0)).refix_m == close(1.0 - math.hypot(BOUND_M, BOUND_M))
    return driven


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


# Late


def test_prompt_epochs_are_not_late() -> None:
    driven = Driven()
    for step in range(50):
        assert driven.at(0.2 * step, late_s=0.08).late_s == close(0.0)


@pytest.mark.parametrize("delay_s", [0.05, 0.3, 20.0])
def test_a_delay_is_measured_from_the_promptest(delay_s: float) -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.3)
    driven.at(1.0, late_s=0.1)
    assert driven.at(2.0, late_s=0.2).late_s == pytest.approx(0.1, abs=1e-3)
    late_s = driven.at(3.0, late_s=0.1 + delay_s).late_s
    assert late_s == close(delay_s - CLOCK_DRIFT * (2.0 + delay_s))


@pytest.mark.parametrize("ahead_s", [-1000.0, 1000.0])
def test_it_does_not_matter_what_time_the_other_clock_shows(ahead_s: float) -> None:
    driven = Driven()
    heard = [
        driven.track.hear(UTC_S + ahead_s + arrived_s, Epoch(UTC_S + utc_s), HERE, BOUND_M, None)
        for utc_s, arrived_s in [(0.0, 0.1), (0.2, 0.3), (0.4, 0.6)]
    ]
    late_s = 0.1 - CLOCK_DRIFT * 0.3
    assert [evidence.late_s for evidence in heard] == [close(0.0), close(0.0), close(late_s)]


@pytest.mark.parametrize("share", [0.5, 1.0])
def test_clocks_that_drift_apart_as_far_as_allowed_are_not_late(share: float) -> None:
    driven = Driven()
    for hour in range(25):
        passed_s = 3600.0 * hour
        late_s = 0.1 + share * CLOCK_DRIFT * passed_s
        assert driven.at(passed_s, late_s=late_s).late_s == pytest.approx(0.0, abs=0.01)


def test_what_creeps_faster_than_clocks_drift_is_late() -> None:
    driven = Driven()
    for second in range(101):
        evidence = driven.at(float(second), late_s=0.1 + 0.01 * second)
    assert evidence.late_s == close(1.0 - CLOCK_DRIFT * 101.0)


def test_the_mark_creeps_towards_a_standing_delay_and_no_further() -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.0)
    assert driven.at(0.0, late_s=1.0).late_s == close(1.0 - CLOCK_DRIFT)
    creeping_s = 1.0 / CLOCK_DRIFT
    assert driven.at(creeping_s / 2.0, late_s=1.0).late_s == pytest.approx(0.5, abs=1e-3)
    assert driven.at(2.0 * creeping_s, late_s=1.0).late_s == close(0.0)


@pytest.mark.parametrize("stepped_s", [0.5, 3600.0])
def test_a_utc_that_is_set_forward_makes_the_mark_earlier(stepped_s: float) -> None:
    driven = Driven()
    driven.at(0.0)
    assert driven.at(1.0 + stepped_s, late_s=0.1 - stepped_s).late_s == close(0.0)
    back = driven.at(2.0, late_s=0.1)
    assert known(back.late_s) == pytest.approx(stepped_s, abs=1e-2)


@pytest.mark.parametrize("stepped_s", [0.5, 18.0, 3600.0])
def test_while_a_utc_that_was_set_back_hides_the_track_it_is_told_as_late(
    stepped_s: float,
) -> None:
    driven = Driven()
    driven.at(0.0)
    for tenth in range(1, 10):
        passed_s = -stepped_s + stepped_s * tenth / 10.0
        evidence = driven.at(passed_s, (9.0, 9.0), late_s=0.1 + stepped_s)
        assert (evidence.jump_m, evidence.drift_m) == (None, None)
        assert known(evidence.late_s) > 0.99 * stepped_s


def test_an_arrival_that_is_told_to_be_earlier_than_the_one_before_moves_no_mark() -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.1)
    driven.at(10.0, late_s=0.1)
    assert driven.at(5.0, late_s=0.3).late_s == pytest.approx(0.2, abs=0.003)


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
