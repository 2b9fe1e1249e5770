"""Stopping, against closed forms of kinematics as any handbook has them."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from fenceguard.mower.stopping import GRAVITY_MPS2, SPARE_M, Stopping, downhill_mps2
from fenceguard.settings.models import LEAST_BRAKING_MPS2, StoppingSettings

MOWER = Stopping(reaction_s=0.3, deceleration_mps2=1.5, blade_stop_s=1.0)
MOWERS = st.builds(
    Stopping,
    reaction_s=st.floats(0.01, 10.0),
    deceleration_mps2=st.floats(0.3, 20.0),
    blade_stop_s=st.floats(0.0, 10.0),
)
SPEEDS_MPS = st.floats(0.0, 3.0)
DISTANCES_M = st.floats(0.0, 100.0)


@pytest.mark.parametrize(
    ("speed_mps", "distance_m"),
    [(0.0, 0.0), (0.6, 0.18 + 0.12), (1.5, 0.45 + 0.75), (3.0, 0.9 + 3.0)],
)
def test_the_way_to_standstill(speed_mps: float, distance_m: float) -> None:
    """d = v t + v²/(2 a): kinematics, any handbook; worked by hand."""
    assert MOWER.distance_m(speed_mps) == pytest.approx(distance_m)
    assert MOWER.permitted_mps(distance_m) == pytest.approx(speed_mps)


@given(mower=MOWERS, speed_mps=SPEEDS_MPS)
def test_the_way_is_the_integral_of_the_speed(mower: Stopping, speed_mps: float) -> None:
    """Constant while reacting, then falling in a straight line: a trapezium, summed up."""
    pieces = 1000
    braking_s = speed_mps / mower.deceleration_mps2
    piece_s = braking_s / pieces
    way_m = speed_mps * mower.reaction_s
    for n in range(pieces):
        way_m += (speed_mps - mower.deceleration_mps2 * (n + 0.5) * piece_s) * piece_s
    assert mower.distance_m(speed_mps) == pytest.approx(way_m)


@given(mower=MOWERS, speed_mps=SPEEDS_MPS)
def test_the_permitted_speed_undoes_the_distance(mower: Stopping, speed_mps: float) -> None:
    permitted_mps = mower.permitted_mps(mower.distance_m(speed_mps))
    assert permitted_mps == pytest.approx(speed_mps, abs=1e-9)


@given(mower=MOWERS, distance_m=DISTANCES_M)
def test_the_distance_undoes_the_permitted_speed(mower: Stopping, distance_m: float) -> None:
    assert mower.distance_m(mower.permitted_mps(distance_m)) == pytest.approx(distance_m, abs=1e-9)


@given(mower=MOWERS, distance_m=DISTANCES_M)
def test_the_permitted_speed_as_written_out(mower: Stopping, distance_m: float) -> None:
    """v = -a t + sqrt((a t)² + 2 a d): the greater root of the same quadratic."""
    a, t = mower.deceleration_mps2, mower.reaction_s
    expected = -a * t + math.sqrt((a * t) ** 2 + 2.0 * a * distance_m)
    assert mower.permitted_mps(distance_m) == pytest.approx(expected, abs=1e-9)


@given(mower=MOWERS, distance_m=st.floats(-100.0, 0.0))
def test_no_way_left_permits_no_speed(mower: Stopping, distance_m: float) -> None:
    assert mower.permitted_mps(distance_m) == 0.0
    assert mower.blade_permitted_mps(distance_m) == 0.0


@given(mower=MOWERS, one_m=st.floats(-1.0, 100.0), other_m=st.floats(-1.0, 100.0))
def test_more_way_never_permits_less(mower: Stopping, one_m: float, other_m: float) -> None:
    less_m, more_m = sorted((one_m, other_m))
    assert mower.permitted_mps(less_m) <= mower.permitted_mps(more_m)
    assert mower.blade_permitted_mps(less_m) <= mower.blade_permitted_mps(more_m)


@given(mower=MOWERS, one_mps=SPEEDS_MPS, other_mps=SPEEDS_MPS)
def test_faster_never_stops_sooner(mower: Stopping, one_mps: float, other_mps: float) -> None:
    slower_mps, faster_mps = sorted((one_mps, other_mps))
    assert mower.distance_m(slower_mps) <= mower.distance_m(faster_mps)
    assert mower.blade_distance_m(slower_mps) <= mower.blade_distance_m(faster_mps)


def test_the_way_until_the_blade_rests() -> None:
    """Constant speed through reaction and run-down: d = v t."""
    assert MOWER.blade_distance_m(0.0) == 0.0
    assert MOWER.blade_distance_m(0.5) == pytest.approx(0.65)
    assert MOWER.blade_permitted_mps(0.65) == pytest.approx(0.5)


@given(mower=MOWERS, speed_mps=SPEEDS_MPS)
def test_the_blades_permitted_speed_undoes_its_distance(mower: Stopping, speed_mps: float) -> None:
    permitted_mps = mower.blade_permitted_mps(mower.blade_distance_m(speed_mps))
    assert permitted_mps == pytest.approx(speed_mps, abs=1e-9)


@given(mower=MOWERS, speed_mps=SPEEDS_MPS)
def test_a_way_free_to_the_horizon_permits_the_speed(mower: Stopping, speed_mps: float) -> None:
    free_m = mower.horizon_m(speed_mps) - SPARE_M
    permitted_mps = min(mower.permitted_mps(free_m), mower.blade_permitted_mps(free_m))
    assert permitted_mps == pytest.approx(speed_mps, abs=1e-9)


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
    assert level.worst() == Stopping(0.3, level_mps2, 1.0)
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
