"""The supervisor: silence, the receiver's clock, and the board's."""

import math
from typing import Any

import pytest

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Inputs, Rung
from tests.support.mowing import FENCE, START_UTC_S, Mower, epoch, finding, settings

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung


# Silence


def test_silence_is_seen_at_a_tick_at_each_limit() -> None:
    for limit_s, rung in ((0.5, SLOWED), (1.0, BLADE_OFF), (1.5, HALTED)):
        mower = Mower().up()
        assert mower.tick(limit_s - 0.001).rung < rung
        found = finding(mower.tick(0.002), "silence")
        assert mower.supervisor.rung is rung
        assert found is not None
        assert (found.limit, found.unit, found.rung) == (limit_s, "s", rung)
        assert found.value == pytest.approx(limit_s + 0.001)


def test_an_epoch_that_ends_a_gap_tells_the_gap() -> None:
    mower = Mower().up()
    decision = mower.hear(after_s=1.6)
    found = finding(decision, "silence")
    assert decision.rung is HALTED
    assert found is not None
    assert found.value == pytest.approx(1.6)
    assert finding(mower.hear(), "silence") is None


def test_epochs_without_a_position_do_not_break_the_silence() -> None:
    mower = Mower().up()
    for _ in range(20):
        decision = mower.hear(quality=0, lat_deg=None, lon_deg=None)
    found = finding(decision, "silence")
    assert found is not None
    assert found.value == pytest.approx(2.5)
    assert found.rung is HALTED
    assert finding(decision, "frozen") is None


def test_epochs_without_a_position_are_looked_at_as_well() -> None:
    mower = Mower().up()
    decision = mower.hear(quality=0, lat_deg=None, lon_deg=None, satellites=2)
    solution, satellites = finding(decision, "solution"), finding(decision, "satellites")
    assert solution is not None
    assert solution.limit == "float"
    assert satellites is not None
    assert satellites.value == 2
    stuck_s = START_UTC_S + mower.now_s
    decision = mower.hear(utc_s=stuck_s, quality=0, lat_deg=None, lon_deg=None, after_s=0.625)
    frozen = finding(decision, "frozen")
    assert frozen is not None
    assert frozen.value == 0.625


@pytest.mark.parametrize(
    "position",
    [
        {"lat_deg": None},
        {"lon_deg": None},
        {"lat_deg": math.nan},
        {"lon_deg": math.inf},
        {"lat_deg": 90.001},
        {"lat_deg": -90.001},
        {"lon_deg": 180.001},
        {"lon_deg": -180.001},
        {"quality": 0},
        {"quality": None},
    ],
)
def test_a_position_that_makes_no_sense_is_none(position: dict[str, Any]) -> None:
    mower = Mower().up()
    decision = mower.hear(**position)
    assert decision.rung is HALTED
    assert decision.situation.clearance_m is None
    found = finding(decision, "room")
    assert found is not None
    assert found.value is None
    assert found.note


def test_a_position_at_the_edge_of_the_earth_is_far_outside() -> None:
    decision = Mower().up().hear(lat_deg=-90.0, lon_deg=180.0)
    assert decision.situation.clearance_m is not None
    assert decision.situation.clearance_m < -1000.0
    assert decision.rung is HALTED


# The receiver's clock, and ours


def test_the_same_utc_again_is_frozen_once_it_has_lasted() -> None:
    mower = Mower().up()
    stuck_s = START_UTC_S + mower.now_s
    assert mower.hear(utc_s=stuck_s, after_s=0.5).rung < BLADE_OFF
    decision = mower.hear(utc_s=stuck_s, after_s=0.001)
    found = finding(decision, "frozen")
    assert decision.rung is BLADE_OFF
    assert found is not None
    assert found.value == pytest.approx(0.501)
    assert mower.hear(utc_s=stuck_s, after_s=0.4999).rung is HALTED


@pytest.mark.parametrize(("moves_m", "stands"), [(0.0, False), (0.002, True)])
@pytest.mark.parametrize("digit_m", [None, 0.0001])
def test_a_position_that_never_changes_is_frozen_where_its_last_digit_should(
    moves_m: float, stands: bool, digit_m: float | None
) -> None:
    """A position told so finely never stays the same, if it is measured."""
    mower = Mower().up(digit_m=None)
    for step in range(16):
        decision = mower.hear(east_m=15.0 + moves_m * (step % 2), digit_m=digit_m)
    assert (finding(decision, "frozen") is None) is (stands or digit_m is None)


def test_the_first_utc_of_all_is_not_frozen() -> None:
    assert finding(Mower().hear(), "frozen") is None


@pytest.mark.parametrize("back_s", [0.001, 1.0, 1e6, math.nan])
def test_utc_that_goes_back_or_is_missing_halts(back_s: float) -> None:
    mower = Mower().up()
    utc_s = START_UTC_S + mower.now_s - back_s
    decision = mower.hear(utc_s=utc_s)
    found = finding(decision, "frozen")
    assert decision.rung is HALTED
    assert found is not None
    assert found.value is None
    assert math.isnan(back_s) or finding(mower.hear(utc_s=utc_s + 0.125), "frozen") is None


@pytest.mark.parametrize("step_s", [-0.001, -3600.0, math.nan])
def test_a_clock_that_goes_back_halts_and_asks_for_arming(step_s: float) -> None:
    mower = Mower().up()
    utc_s = START_UTC_S + mower.now_s
    mower.now_s += step_s
    decision = mower.take(epoch(utc_s + 0.1))
    assert decision.rung is HALTED
    assert not decision.armed
    if math.isnan(step_s):
        mower.now_s = 7000.0
    for tenth in range(2, 12):
        mower.now_s += 0.1
        assert mower.take(epoch(utc_s + tenth / 10)).rung is HALTED


def test_after_an_endless_time_nothing_is_known_and_it_halts() -> None:
    mower = Mower()
    mower.hear()
    mower.hear(after_s=0.0)
    mower.hear(after_s=0.05, lat_deg=None)
    decision = mower.hear(after_s=math.inf)
    assert decision.rung is HALTED
    assert decision.situation.bound is None


def test_a_clock_that_has_not_moved_has_not_gone_back() -> None:
    mower = Mower().up()
    decision = mower.tick(0.0)
    assert decision.rung is FULL
    assert decision.armed


def test_while_the_clock_is_not_a_number_nothing_is_granted() -> None:
    supervisor = Supervisor.from_settings(settings(), FENCE)
    for step in range(200):
        decision = supervisor.step(math.nan, epoch(START_UTC_S + step / 10), Inputs(True))
        assert decision.rung is HALTED
        assert not decision.grant.drive


def test_an_epoch_that_is_no_news_leaves_time_going_on_since_the_last() -> None:
    """The same instant again: the place is that of the last one, the epoch the newest."""
    mower = Mower().up(heading_deg=0.0)
    last = mower.hear(heading_deg=0.0).situation
    stuck_s = START_UTC_S + mower.now_s
    for number in (1, 2, 3):
        again = mower.hear(utc_s=stuck_s, heading_deg=90.0, north_m=10.02).situation
        assert again.since_s == again.silence_s == 0.125 * number
        assert (again.place, again.attitude) == (last.place, last.attitude)
        assert again.epoch is not None
        assert again.epoch.heading_deg == 90.0
