"""Motion: wheels and gyro held against the receiver."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.motion import BRIDGED_S, Motion
from fenceguard.judgement.types import NO_CONTRADICTION, Contradiction, Decision, Inputs, Rung
from fenceguard.receiver.epoch import Epoch
from tests.support.mowing import BLADE_OFF, BODY, FULL, Mower, settings

EVERY_S = 0.25
"""Four times a second: quarters add up exactly."""
SLIP = 0.2


class Told:
    """A mower whose controller and receiver tell of the same drive, or not quite."""

    def __init__(self, **body: Any) -> None:
        mower = {**BODY, "wheel_slip": SLIP, **body}
        self.motion = Motion(settings(mower=mower).parameters().mower)
        self.now_s, self.heading_deg = 100.0, 350.0

    def goes(
        self,
        wheel_mps: float | None,
        doppler_mps: float | None,
        yaw_dps: float | None = None,
        turns_dps: float | None = 0.0,
        seconds: float = 3.0,
    ) -> Contradiction:
        """What is found in the end; `turns_dps` is what the heading does, None: none is told."""
        found = NO_CONTRADICTION
        for _ in range(round(seconds / EVERY_S)):
            self.motion.go_on(self.now_s, Inputs(False, wheel_mps, yaw_dps))
            self.now_s += EVERY_S
            self.motion.go_on(self.now_s, Inputs(False, wheel_mps, yaw_dps))
            heading_deg = None
            if turns_dps is not None:
                self.heading_deg = (self.heading_deg + turns_dps * EVERY_S) % 360.0
                heading_deg = self.heading_deg
            told = Epoch(0.0, speed_mps=doppler_mps, heading_deg=heading_deg)
            found = self.motion.hear(self.now_s, told)
        return found


def wheels_mps(
    wheel_mps: float, doppler_mps: float, yaw_dps: float | None = None, **body: Any
) -> float | None:
    return Told(**body).goes(wheel_mps, doppler_mps, yaw_dps).wheels_mps


# Wheels


@given(st.floats(0.0, 3.0), st.floats(-1.0, 1.0))
def test_wheels_that_slip_no_more_than_they_may_agree(doppler_mps: float, share: float) -> None:
    wheels = doppler_mps / (1.0 - SLIP * share) if share > 0.0 else doppler_mps * (1 + SLIP * share)
    assert wheels_mps(wheels, doppler_mps) == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0.01, 3.0), st.booleans())
def test_past_that_they_are_apart(beyond_mps: float, faster: bool) -> None:
    """Of the greater of the two speeds a share is allowed."""
    slow_mps = 0.4
    fast_mps = (slow_mps + beyond_mps) / (1.0 - SLIP)
    pair = (fast_mps, slow_mps) if faster else (slow_mps, fast_mps)
    assert wheels_mps(*pair) == pytest.approx(beyond_mps)


def test_carried_or_held_shows_within_a_second_of_comparing() -> None:
    carried, held = Told(), Told()
    assert carried.goes(0.0, 1.4).wheels_mps == pytest.approx(1.4 * (1.0 - SLIP))
    assert held.goes(0.3, 0.0).wheels_mps == pytest.approx(0.3 * (1.0 - SLIP))
    mower = Told()
    assert mower.goes(0.5, 0.5).wheels_mps == 0.0
    assert (mower.goes(0.5, 0.0, seconds=0.75).wheels_mps or 0.0) > 0.12


def test_backwards_is_as_fast_as_forwards() -> None:
    assert wheels_mps(-0.4, 0.4) == 0.0


def test_one_slow_epoch_is_no_second_of_them() -> None:
    mower = Told()
    mower.goes(0.5, 0.5)
    assert (mower.goes(0.5, 0.35, seconds=EVERY_S).wheels_mps or 0.0) < 0.05


@pytest.mark.parametrize(("yaw_dps", "allowed_mps"), [(0.0, 0.0), (60.0, 0.314), (None, 0.3)])
def test_an_antenna_off_the_axle_has_a_speed_of_its_own(
    yaw_dps: float | None, allowed_mps: float
) -> None:
    """Rigid body: turn in radians per s times 0.3 m; where no turn is told, at 1 rad/s."""
    found = wheels_mps(0.0, 0.6, yaw_dps, antenna_m=[0.3, 0.0], axle_m=[0.0, 0.0])
    assert found == pytest.approx(0.6 * (1.0 - SLIP) - allowed_mps, abs=1e-3)


# Yaw


@given(st.floats(-90.0, 90.0))
def test_a_heading_that_turns_as_the_gyro_does_agrees(turns_dps: float) -> None:
    """Past north and round and round."""
    assert Told().goes(0.0, 0.0, turns_dps, turns_dps).yaw_deg == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("leap_deg", [25.0, -40.0])
def test_a_heading_that_leaps_does_not(leap_deg: float) -> None:
    mower = Told()
    mower.goes(0.5, 0.5, 0.0)
    mower.heading_deg += leap_deg
    assert mower.goes(0.5, 0.5, 0.0, seconds=0.5).yaw_deg == pytest.approx(abs(leap_deg))


def test_a_gyro_may_be_off_by_a_share_of_the_turn() -> None:
    assert Told().goes(0.0, 0.0, 60.0, 57.0).yaw_deg == pytest.approx(0.0, abs=1e-6)
    assert (Told().goes(0.0, 0.0, 60.0, 56.0).yaw_deg or 0.0) > 0.5


def test_no_heading_and_there_is_no_turn_to_compare() -> None:
    mower = Told()
    found = mower.goes(0.5, 0.5, 10.0, None)
    assert found.yaw_deg is None
    assert found.wheels_mps == 0.0


# What is there to compare


def test_without_wheels_gyro_or_doppler_there_is_nothing() -> None:
    assert Told().goes(None, 0.5) == NO_CONTRADICTION
    assert Told().goes(0.5, None) == NO_CONTRADICTION
    assert Told().goes(0.5, 0.5, seconds=0.75) == NO_CONTRADICTION
    assert Told().goes(None, 0.5, 5.0).wheels_mps is None
    assert Told().goes(0.5, 0.5).yaw_deg is None


@pytest.mark.parametrize(("gap_s", "bridged"), [(BRIDGED_S, True), (BRIDGED_S + 0.25, False)])
def test_over_a_long_gap_nothing_is_compared(gap_s: float, bridged: bool) -> None:
    mower = Told()
    mower.goes(0.5, 0.5)
    mower.now_s += gap_s - EVERY_S
    found = mower.goes(0.5, 0.5, seconds=EVERY_S)
    assert (found != NO_CONTRADICTION) is bridged


def test_what_was_told_and_stays_away_is_missed() -> None:
    mower = Told()
    assert mower.motion.missing is None
    mower.goes(0.5, 0.5, 0.0)
    assert mower.motion.missing is None
    mower.goes(None, 0.5, 0.0, seconds=1.0)
    missing = mower.motion.missing
    assert missing is not None
    assert (missing.name, missing.for_s) == ("wheels", 1.0)
    mower.goes(None, 0.5, None, seconds=1.0)
    assert mower.motion.missing is not None
    mower.goes(0.5, 0.5, 0.0)
    assert mower.motion.missing is None
    mower.goes(0.5, 0.5, None, seconds=1.0)
    assert mower.motion.missing is not None
    assert mower.motion.missing.name == "yaw"
    mower.motion.forget()
    assert mower.motion.missing is None


def test_what_comes_again_is_compared_anew() -> None:
    """Nothing was told of the way between."""
    mower = Told()
    mower.goes(0.5, 0.5)
    mower.goes(None, 0.5)
    assert mower.goes(0.5, 0.5, seconds=0.75) == NO_CONTRADICTION
    assert mower.goes(0.5, 0.5).wheels_mps == 0.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_told(value: float) -> None:
    mower = Told()
    mower.goes(0.5, 0.5, 0.0)
    assert mower.goes(value, 0.5, value) == NO_CONTRADICTION
    assert mower.motion.missing is not None
    assert mower.goes(0.5, 0.5, 0.0).wheels_mps == 0.0


# In the supervisor


def stands(inputs: Inputs, seconds: float = 8.0, mower: Mower | None = None) -> Decision:
    """The last decision on a mower that stands in the open, as its receiver says."""
    mower = mower or Mower()
    for _ in range(round(seconds * 8.0)):
        mower.now_s += 0.0625
        mower.supervisor.step(mower.now_s, None, inputs)
        mower.now_s += 0.0625
        decision = mower.supervisor.step(mower.now_s, mower.good(heading_deg=0.0), inputs)
    return decision


@given(st.sampled_from([None, 0.0, 0.03]), st.sampled_from([None, 0.0, 2.0]))
def test_what_agrees_gives_nothing(wheel_mps: float | None, yaw_dps: float | None) -> None:
    """Confidence is only taken away: what is told changes no decision where it agrees."""
    told, untold = stands(Inputs(False, wheel_mps, yaw_dps)), stands(Inputs())
    assert told.rung is untold.rung is FULL
    assert told.grant == untold.grant
    assert told.situation.bound == untold.situation.bound


@pytest.mark.parametrize(
    ("inputs", "monitor"),
    [(Inputs(False, 0.4, 0.0), "wheels"), (Inputs(False, 0.0, 60.0), "yaw")],
)
def test_what_contradicts_takes_the_blade(inputs: Inputs, monitor: str) -> None:
    mower = Mower()
    assert stands(Inputs(False, 0.0, 0.0), mower=mower).rung is FULL
    decision = stands(inputs, seconds=3.0, mower=mower)
    assert decision.rung >= BLADE_OFF
    assert [one.monitor for one in decision.findings] == [monitor]
    assert stands(Inputs(False, 0.0, 0.0), mower=mower).rung is FULL


def test_a_controller_that_tells_no_more_is_a_finding() -> None:
    mower = Mower()
    stands(Inputs(False, 0.0, 0.0), mower=mower)
    decision = stands(Inputs(), mower=mower, seconds=4.0)
    (finding,) = decision.findings
    assert (finding.monitor, finding.note, finding.rung) == ("tells", "wheels", Rung.SLOWED)
    assert stands(Inputs(), mower=mower, seconds=12.0).rung is BLADE_OFF


def test_a_reset_ends_what_is_missed() -> None:
    """A person has seen to the link, or has taken it away."""
    mower = Mower()
    stands(Inputs(False, 0.0, 0.0), mower=mower)
    stands(Inputs(), mower=mower, seconds=12.0)
    stands(Inputs(True), mower=mower, seconds=1.0)
    assert stands(Inputs(), mower=mower).rung is FULL
