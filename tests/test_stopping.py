"""Stopping, against closed forms of kinematics as any handbook has them."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from fenceguard.mower.stopping import GRAVITY_MPS2, LONG_S, Stopping, downhill_mps2
from fenceguard.settings.models import LEAST_BRAKING_MPS2, StoppingSettings

MOWER = Stopping(0.3, 1.5, 1.0, speeding_up_mps2=0.5, drive_cut=True)
MOWERS = st.builds(
    Stopping,
    reaction_s=st.floats(0.01, 10.0),
    deceleration_mps2=st.floats(0.3, 20.0),
    blade_stop_s=st.floats(0.0, 10.0),
    speeding_up_mps2=st.one_of(st.just(0.0), st.floats(0.01, 10.0)),
    drive_cut=st.booleans(),
)
SPEEDS_MPS = st.floats(0.0, 3.0)
WAYS_M = st.floats(-1.0, 20.0)
TIMES_S = st.floats(0.0, 30.0)
BRAKING_MPS2 = st.floats(0.1, 3.0)


def gone(mower: Stopping, speed_mps: float, most_mps: float, after_s: float) -> tuple[float, float]:
    """Way and speed of a mower that speeds up as long as it may: v t + a t²/2, then v t."""
    top_mps, gains = max(speed_mps, most_mps), mower.speeding_up_mps2
    gaining_s = after_s if gains == 0.0 else min(after_s, (top_mps - speed_mps) / gains)
    ends_mps = speed_mps + gains * gaining_s
    way_m = speed_mps * gaining_s + gains * gaining_s**2 / 2.0
    return way_m + ends_mps * (after_s - gaining_s), ends_mps


@given(MOWERS, SPEEDS_MPS, SPEEDS_MPS, TIMES_S)
def test_the_latest_time_to_brake_undoes_the_way_until_then_and_the_braking(
    mower: Stopping, speed_mps: float, most_mps: float, after_s: float
) -> None:
    way_m, ends_mps = gone(mower, speed_mps, most_mps, after_s)
    left_m = way_m + ends_mps**2 / (2.0 * mower.deceleration_mps2)
    latest_s = mower.latest_s(left_m, speed_mps, most_mps)
    if ends_mps > 0.05:
        assert latest_s == pytest.approx(after_s, abs=1e-4)
    # Where it hardly moves, times tell little, and ways do.
    again_m, again_mps = gone(mower, speed_mps, most_mps, max(0.0, latest_s))
    again_m += again_mps**2 / (2.0 * mower.deceleration_mps2)
    assert latest_s == LONG_S or again_m == pytest.approx(left_m, abs=1e-6)


@given(MOWERS, SPEEDS_MPS, SPEEDS_MPS, TIMES_S)
def test_how_far_it_may_have_gone(
    mower: Stopping, speed_mps: float, most_mps: float, after_s: float
) -> None:
    way_m, _ends_mps = gone(mower, speed_mps, most_mps, after_s)
    assert mower.gone_m(speed_mps, most_mps, after_s) == pytest.approx(way_m, abs=1e-9)


@given(MOWERS, SPEEDS_MPS, SPEEDS_MPS, TIMES_S)
def test_the_latest_time_for_the_blade_undoes_the_way_until_it_rests(
    mower: Stopping, speed_mps: float, most_mps: float, after_s: float
) -> None:
    """It runs down while the mower goes on as before."""
    left_m, ends_mps = gone(mower, speed_mps, most_mps, after_s)
    latest_s = mower.blade_latest_s(left_m, speed_mps, most_mps) + mower.blade_stop_s
    if left_m > 0.0 and ends_mps > 0.05:
        assert latest_s == pytest.approx(after_s, abs=1e-4)


@pytest.mark.parametrize(
    ("speed_mps", "most_mps", "left_m", "latest_s"),
    [
        (0.6, 0.6, 0.12, 0.0),
        (0.6, 0.6, 0.12 + 0.3, 0.5),
        (0.0, 0.5, 0.0, 0.0),
        # 1 s to 0.5 m/s takes 0.25 m, and 0.25 / 3 m to stand again; 2 m more take 4 s.
        (0.0, 0.5, 0.25 + 0.25 / 3.0, 1.0),
        (0.0, 0.5, 0.25 + 0.25 / 3.0 + 2.0, 5.0),
        (0.6, 0.2, 0.12 - 0.3, -0.5),
        (0.0, 0.5, -0.1, -2.0),
    ],
)
def test_the_latest_time_by_hand(
    speed_mps: float, most_mps: float, left_m: float, latest_s: float
) -> None:
    """v²/(2 a) at 1.5 m/s²: kinematics, any handbook. Past the fence it goes on at 0.05 m/s."""
    assert MOWER.latest_s(left_m, speed_mps, most_mps) == pytest.approx(latest_s, abs=1e-9)


@pytest.mark.parametrize(
    ("speed_mps", "left_m", "latest_s"),
    [(0.5, 0.5, 0.0), (0.5, 1.0, 1.0), (0.0, 0.25, 0.0), (0.5, -0.5, -2.0), (0.0, -0.1, -3.0)],
)
def test_the_latest_time_for_the_blade_by_hand(
    speed_mps: float, left_m: float, latest_s: float
) -> None:
    """1 s of run-down at 0.5 m/s, or from a standstill up to that."""
    assert MOWER.blade_latest_s(left_m, speed_mps, 0.5) == pytest.approx(latest_s, abs=1e-9)


@given(MOWERS, st.tuples(WAYS_M, WAYS_M), st.tuples(SPEEDS_MPS, SPEEDS_MPS), SPEEDS_MPS)
def test_less_way_or_more_speed_never_leaves_more_time(
    mower: Stopping, ways_m: tuple[float, float], speeds_mps: tuple[float, float], most_mps: float
) -> None:
    (less_m, more_m), (slower_mps, faster_mps) = sorted(ways_m), sorted(speeds_mps)
    for latest_s in (mower.latest_s, mower.blade_latest_s):
        assert latest_s(less_m, slower_mps, most_mps) <= latest_s(more_m, slower_mps, most_mps)
        if less_m > 0.0:
            assert (
                latest_s(less_m, faster_mps, most_mps)
                <= latest_s(less_m, slower_mps, most_mps) + 1e-9
            )
        assert (
            latest_s(less_m, most_mps, faster_mps) <= latest_s(less_m, most_mps, slower_mps) + 1e-9
        )


@pytest.mark.parametrize("left_m", [5e-324, 1e-320, 1e-300, 1e-9])
def test_next_to_no_way_leaves_next_to_no_time(left_m: float) -> None:
    """From a standstill, even where the speed at the end of the way is too small for a number."""
    assert MOWER.latest_s(left_m, 0.0, 0.5) == pytest.approx(0.0, abs=1e-3)
    assert MOWER.blade_latest_s(left_m, 0.0, 0.5) == pytest.approx(-MOWER.blade_stop_s, abs=1e-3)


@pytest.mark.parametrize("gains_mps2", [0.0, 0.5])
def test_what_cannot_move_has_all_the_time(gains_mps2: float) -> None:
    mower = MOWER._replace(speeding_up_mps2=gains_mps2)
    for most_mps in (0.0, 0.5):
        if most_mps == 0.0 or gains_mps2 == 0.0:
            assert mower.latest_s(0.01, 0.0, most_mps) == LONG_S
            assert mower.blade_latest_s(0.01, 0.0, most_mps) == LONG_S - 1.0
    assert mower.latest_s(1e9, 0.5, 0.5) == LONG_S
    assert mower.latest_s(-1e9, 0.5, 0.5) == -LONG_S
    assert mower.blade_latest_s(-1e9, 0.5, 0.5) == -LONG_S - 1.0


@given(MOWERS, SPEEDS_MPS, st.floats(0.01, 10.0), BRAKING_MPS2)
def test_the_told_speed_uses_up_the_way(
    mower: Stopping, speed_mps: float, wait_s: float, braking_mps2: float
) -> None:
    """v t + v²/(2 a), or the blade's run-down at v where that is farther and counts."""
    way_m = speed_mps * wait_s + speed_mps**2 / (2.0 * braking_mps2)
    if not mower.drive_cut:
        way_m = max(way_m, speed_mps * (wait_s + mower.blade_stop_s))
    assert mower.permitted_mps(way_m, wait_s, braking_mps2) == pytest.approx(speed_mps, abs=1e-6)


@given(MOWERS, WAYS_M, WAYS_M, st.floats(0.01, 10.0), BRAKING_MPS2)
def test_more_way_never_permits_less_and_none_permits_nothing(
    mower: Stopping, one_m: float, other_m: float, wait_s: float, braking_mps2: float
) -> None:
    less_m, more_m = sorted((one_m, other_m))
    permitted_mps = mower.permitted_mps(less_m, wait_s, braking_mps2)
    assert permitted_mps <= mower.permitted_mps(more_m, wait_s, braking_mps2)
    assert less_m > 0.0 or permitted_mps == 0.0


@given(MOWERS, WAYS_M, st.floats(0.0, 3.0), st.floats(0.01, 10.0), st.floats(0.05, 3.0))
def test_from_the_unhalted_speed_it_speeds_up_for_a_time_and_still_stands_in_time(
    mower: Stopping, left_m: float, hears_s: float, wait_s: float, top_mps: float
) -> None:
    speed_mps = mower.unhalted_mps(left_m, hears_s, wait_s, top_mps)
    assert 0.0 <= speed_mps <= top_mps + 1e-9
    way_m, ends_mps = gone(mower, speed_mps, top_mps, wait_s)
    way_m += speed_mps * hears_s + ends_mps**2 / (2.0 * mower.deceleration_mps2)
    if speed_mps == 0.0:
        assert way_m >= left_m - 1e-9
    elif speed_mps >= top_mps - 1e-9:
        assert way_m <= left_m + 1e-6
    else:
        assert way_m == pytest.approx(left_m, abs=1e-6)


@given(MOWERS, SPEEDS_MPS, st.floats(0.01, 10.0), BRAKING_MPS2)
def test_a_way_free_to_the_horizon_permits_the_speed(
    mower: Stopping, speed_mps: float, wait_s: float, braking_mps2: float
) -> None:
    free_m = mower.horizon_m(speed_mps, wait_s, braking_mps2)
    assert mower.permitted_mps(free_m, wait_s, braking_mps2) >= speed_mps - 1e-6
    # And beyond it neither brakes nor blade can be too late.
    if speed_mps > 0.01:
        assert mower.latest_s(free_m, speed_mps, speed_mps) >= min(wait_s, LONG_S) - 1e-6
    if speed_mps > 0.01 and not mower.drive_cut:
        assert (
            mower.blade_latest_s(free_m, speed_mps, speed_mps)
            >= min(wait_s, LONG_S - mower.blade_stop_s) - 1e-6
        )


def test_it_rests_after_reaction_and_braking() -> None:
    assert MOWER.rest_s(0.6) == pytest.approx(0.3 + 0.4)


@given(level_mps2=st.floats(0.1, 20.0))
def test_level_ground_takes_nothing_and_a_wall_holds_nothing(level_mps2: float) -> None:
    assert downhill_mps2(level_mps2, 0.0) == level_mps2
    assert downhill_mps2(level_mps2, 90.0) == pytest.approx(-GRAVITY_MPS2)


@given(friction=st.floats(0.05, 2.0))
def test_the_steepest_slope_that_holds_is_the_friction_angle(friction: float) -> None:
    """A body on an incline slides where tan(slope) exceeds the friction: any handbook."""
    angle_deg = math.degrees(math.atan(friction))
    level_mps2 = friction * GRAVITY_MPS2
    assert downhill_mps2(level_mps2, angle_deg) == pytest.approx(0.0, abs=1e-9)
    assert downhill_mps2(level_mps2, angle_deg - 0.1) > 0.0
    assert downhill_mps2(level_mps2, angle_deg + 0.1) < 0.0


def test_down_a_slope_by_hand() -> None:
    """At 30 degrees: 0.8660 of the grip, less half of standard gravity (9.80665 m/s², BIPM)."""
    assert downhill_mps2(8.0, 30.0) == pytest.approx(8.0 * math.sqrt(3.0) / 2.0 - 4.903325)


@pytest.mark.parametrize(
    ("given", "level_mps2"),
    [
        ({}, 1.5),
        ({"ground": "either"}, 1.5),
        ({"ground": "wet"}, 1.5),
        ({"ground": "dry"}, 2.5),
        ({"dry_mps2": 1.0}, 1.0),
        ({"dry_mps2": 1.0, "ground": "wet"}, 1.5),
    ],
)
def test_the_worse_ground_counts_unless_told(given: dict[str, Any], level_mps2: float) -> None:
    level = StoppingSettings(slope_deg=0.0, **given)
    assert level.worst(0.7) == Stopping(0.3, level_mps2, 1.0, 0.7, drive_cut=True)
    sloping = StoppingSettings(slope_deg=2.0, **given)
    assert sloping.worst().deceleration_mps2 == downhill_mps2(level_mps2, 2.0)


def test_a_slope_that_cannot_be_held_is_refused() -> None:
    def holding(level_mps2: float) -> StoppingSettings:
        return StoppingSettings(wet_mps2=level_mps2, slope_deg=10.0)

    slope = math.radians(10.0)
    needed_mps2 = (LEAST_BRAKING_MPS2 + GRAVITY_MPS2 * math.sin(slope)) / math.cos(slope)
    least_mps2 = holding(needed_mps2 + 1e-6).worst().deceleration_mps2
    assert least_mps2 == pytest.approx(LEAST_BRAKING_MPS2, abs=2e-6)
    with pytest.raises(ValidationError, match=r"down a slope of 10 degrees 0\.30 m/s²"):
        holding(needed_mps2 - 1e-6)
    with pytest.raises(ValidationError, match=r"down a slope of 10 degrees -0\.23 m/s²"):
        holding(1.5)
    assert StoppingSettings(wet_mps2=1.5, slope_deg=10.0, ground="dry").worst()


@pytest.mark.parametrize(("drive_line", "cut"), [("cuts_power", True), ("told", False)])
def test_the_wiring_says_whether_the_drive_line_forces(drive_line: Any, cut: bool) -> None:
    assert StoppingSettings(drive_line=drive_line).worst().drive_cut is cut
