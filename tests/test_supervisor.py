"""The supervisor: how it starts and is armed, what it is told, and what each limit brings about."""

import math
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.parameters import MonitorParameters, Row
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Inputs, Rung
from fenceguard.lawn.fence import Fence
from tests.support.lawns import LAWN, fence_of, polygon
from tests.support.made import monitor_of
from tests.support.mowing import BODY, FENCE, START_UTC_S, Mower, epoch, finding, settings

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung


# How it starts, and how it is armed


@pytest.mark.parametrize("start", ["halted", "locked"])
def test_it_starts_where_the_settings_say_and_knows_nothing(start: str) -> None:
    mower = Mower(start=start)
    assert mower.supervisor.rung.word == start
    decision = mower.tick()
    assert decision.rung.word == start
    assert not decision.grant.drive
    assert not decision.grant.blade
    assert decision.grant.top_speed_mps == 0.0
    assert {one.monitor for one in decision.findings if one.value is None} >= {
        "silence",
        "solution",
        "correction_age",
        "bound",
        "room",
    }


def test_it_is_armed_by_a_fixed_solution_held_long_enough_and_not_before() -> None:
    mower = Mower()
    mower.hear()
    sound_since_s = mower.hear().now_s
    for _ in range(7):
        assert not mower.hear().armed
    assert mower.hear(after_s=0.12).armed is False
    mower.now_s = sound_since_s + 1.0
    assert mower.hear(after_s=0.0).armed is True


@pytest.mark.parametrize(
    "spoilt",
    [
        {"quality": 5},
        {"age_s": 10.1},
        {"age_s": None},
        {"satellites": 7},
        {"hdop": 2.1},
        {"station": "0009"},
    ],
)
def test_arming_begins_anew_after_any_demand(spoilt: dict[str, Any]) -> None:
    mower = Mower()
    for _ in range(9):
        mower.hear()
    assert mower.hear(**spoilt).findings
    for _ in range(8):
        assert not mower.hear().armed
    assert mower.hear().armed


def test_what_room_demands_does_not_keep_it_from_being_armed() -> None:
    """Standing with its nose over the line: only a way out can lead away from there."""
    mower = Mower()
    for _ in range(20):
        decision = mower.hear(east_m=29.7, heading_deg=90.0, speed_mps=0.0)
    assert {one.monitor for one in decision.findings} == {"room", "approach", "stopping"}
    assert decision.armed


def test_a_float_solution_that_the_settings_permit_does_not_arm_it() -> None:
    permits_float = {"solution": {"blade_off": "never"}, "bound": {"slowed": 1.0, "blade_off": 2.0}}
    mower = Mower(limits={**permits_float, "trust": {"blade_off": "never"}})
    mower.hear(quality=5)
    for _ in range(50):
        decision = mower.hear(quality=5)
        assert decision.findings == ()
        assert not decision.armed


def test_on_the_way_up_it_is_told_for_how_long_all_was_clear() -> None:
    mower = Mower()
    entered_s, told = mower.hear().now_s, []
    while mower.supervisor.rung is not FULL:
        decision = mower.hear()
        if decision.rung is decision.was:
            assert decision.clear_s is None
        else:
            told.append((decision.why, decision.clear_s))
            assert decision.clear_s == decision.now_s - entered_s
            entered_s = decision.now_s
    assert [why for why, _clear_s in told] == ["clear"] * 3


def test_locked_is_left_by_a_reset_alone_and_must_then_be_armed() -> None:
    mower = Mower(start="locked")
    for _ in range(50):
        assert mower.hear().rung is LOCKED
    assert mower.take(epoch(START_UTC_S + mower.now_s + 0.01), reset=True).why == "reset"
    assert mower.supervisor.rung is HALTED
    mower.up()


def test_a_reset_does_nothing_while_something_demands_locked() -> None:
    mower = Mower(start="locked", limits={"silence": {"locked": 10.0}})
    mower.hear()
    mower.tick(10.1)
    assert mower.tick(reset=True).rung is LOCKED
    mower.hear()
    assert mower.tick(reset=True).rung is HALTED


# Inputs are held


def test_a_button_that_is_down_at_the_first_step_is_no_press_until_it_was_released() -> None:
    mower = Mower(start="locked")
    for _ in range(20):
        mower.now_s += 0.125
        assert mower.take(epoch(START_UTC_S + mower.now_s), reset=True).rung is LOCKED
    mower.hear()
    assert mower.tick(reset=True).why == "reset"
    assert mower.supervisor.rung is HALTED


def test_a_button_that_is_held_is_one_press() -> None:
    """It is down while something demands `locked`; that goes away, and it is still down."""
    mower = Mower(start="locked", limits={"silence": {"locked": 10.0}})
    mower.hear()
    mower.tick(10.1)
    for _ in range(20):
        mower.now_s += 0.125
        assert mower.take(None, reset=True).rung is LOCKED
    for _ in range(20):
        mower.now_s += 0.125
        assert mower.take(epoch(START_UTC_S + mower.now_s), reset=True).rung is LOCKED
    assert mower.hear().rung is LOCKED
    assert mower.tick(reset=True).why == "reset"


def test_a_clock_that_goes_back_makes_no_press_of_a_button_that_is_down() -> None:
    mower = Mower(start="locked")
    mower.tick(reset=True)
    mower.now_s = 5.0
    assert mower.tick(reset=True).rung is LOCKED
    mower.tick()
    assert mower.tick(reset=True).why == "reset"


HELD = monitor_of("held", lambda given: float(given.inputs.reset))
"""Finds something while the button is down. Time alone does not change what it reads."""


def holding(monkeypatch: pytest.MonkeyPatch) -> Supervisor:
    """A supervisor with that monitor and no other."""
    monkeypatch.setattr("fenceguard.judgement.limits.MONITORS", (HELD,))
    alone = {"held": MonitorParameters((Row(SLOWED, 0.5),))}
    return Supervisor(settings().parameters()._replace(monitors=alone), FENCE)


@given(
    st.lists(st.tuples(st.booleans(), st.booleans(), st.sampled_from([0.125, -1.0])), max_size=20)
)
def test_what_an_input_brings_about_lasts_exactly_as_long_as_it_is_held(
    steps: list[tuple[bool, bool, float]],
) -> None:
    """At epochs and at ticks alike, from the step on at which it changes."""
    now_s, utc_s = 100.0, START_UTC_S
    with pytest.MonkeyPatch.context() as patched:
        supervisor = holding(patched)
    assert not supervisor._timed
    for down, hears, after_s in steps:
        now_s, utc_s = now_s + after_s, utc_s + 0.125
        decision = supervisor.step(now_s, epoch(utc_s) if hears else None, Inputs(reset=down))
        assert decision.situation.inputs == Inputs(reset=down)
        assert [one.monitor for one in decision.findings] == (["held"] if down else [])


# The height


def test_the_height_is_off_by_what_mount_and_tolerance_leave_unexplained() -> None:
    """A plane with one corner 0.4 m up is 0.1 m up in the middle, and its tolerance 0.6 m."""
    lawn = polygon(LAWN, "keep_in", "lawn")
    for position, height_m in zip(
        lawn["geometry"]["coordinates"][0], [100.4, 100.0, 100.0, 100.0, 100.4], strict=True
    ):
        position.append(height_m)
    uneven = fence_of(lawn)

    def off_m(
        height_m: float | None, mount_m: float | None = 0.3, fence: Fence = uneven
    ) -> float | None:
        body = {**BODY, "antenna_height_m": mount_m}
        return Mower(fence, mower=body).hear(height_m=height_m).situation.height_off_m

    for extra_m, expected_m in [(0.0, 0.0), (0.59, 0.0), (-0.59, 0.0), (0.9, 0.3), (-0.9, 0.3)]:
        assert off_m(100.1 + 0.3 + extra_m) == pytest.approx(expected_m, abs=1e-3)
    assert off_m(None) is None
    assert off_m(100.4, mount_m=None) is None
    assert off_m(100.4, fence=FENCE) is None


def test_an_altitude_tells_the_height_once_both_were_told_together() -> None:
    """A level lawn at 100 m: its tolerance is 0.5 m. The altitude is 47 m less than the height."""
    lawn = polygon(LAWN, "keep_in", "lawn")
    for position in lawn["geometry"]["coordinates"][0]:
        position.append(100.0)
    level = fence_of(lawn)
    mower = Mower(level, mower={**BODY, "antenna_height_m": 0.3})

    def off_m(**heights_m: float) -> float | None:
        return mower.hear(**heights_m).situation.height_off_m

    assert level.surface is not None
    assert off_m(altitude_m=53.3) is None
    assert off_m(altitude_m=53.3, height_m=100.3) == pytest.approx(0.0)
    expected_m = 0.9 - level.surface.tolerance_m
    assert expected_m > 0.1
    assert off_m(altitude_m=54.2) == pytest.approx(expected_m)
    assert off_m() is None


# A single step, limit by limit


class Case(NamedTuple):
    monitor: str
    rung: Rung
    good: dict[str, Any]
    bad: dict[str, Any]


CASES = [
    Case("correction_age", SLOWED, {"age_s": 10.0}, {"age_s": 10.01}),
    Case("correction_age", BLADE_OFF, {"age_s": 20.0}, {"age_s": 20.01}),
    Case("correction_age", HALTED, {"age_s": 60.0}, {"age_s": 60.01}),
    Case("correction_age", HALTED, {"age_s": 0.0}, {"age_s": None}),
    Case("correction_age", HALTED, {"age_s": 0.0}, {"age_s": math.nan}),
    Case("satellites", SLOWED, {"satellites": 8}, {"satellites": 7}),
    Case("satellites", BLADE_OFF, {"satellites": 6}, {"satellites": 5}),
    Case("satellites", HALTED, {"satellites": 5}, {"satellites": 4}),
    Case("satellites", HALTED, {"satellites": 8}, {"satellites": None}),
    Case("hdop", SLOWED, {"hdop": 2.0}, {"hdop": 2.01}),
    Case("hdop", BLADE_OFF, {"hdop": 4.0}, {"hdop": 4.01}),
    Case("hdop", HALTED, {"hdop": 8.0}, {"hdop": 8.01}),
    Case("hdop", HALTED, {"hdop": 1.0}, {"hdop": math.nan}),
    Case("solution", BLADE_OFF, {"quality": 4}, {"quality": 5}),
    Case("solution", HALTED, {"quality": 5}, {"quality": 2}),
    Case("solution", HALTED, {"quality": 5}, {"quality": 1}),
    Case("solution", HALTED, {"quality": 4}, {"quality": 6}),
    Case("solution", HALTED, {"quality": 4}, {"quality": 9}),
]
FIRST = [
    Case("bound", SLOWED, {"sigma_major_m": 0.0368}, {"sigma_major_m": 0.0369}),
    Case("bound", BLADE_OFF, {"sigma_major_m": 0.0563}, {"sigma_major_m": 0.0564}),
    Case("bound", HALTED, {"sigma_major_m": 0.483}, {"sigma_major_m": 0.484}),
    Case("room", BLADE_OFF, {"east_m": 0.472}, {"east_m": 0.452}),
    Case("room", HALTED, {"east_m": 0.442}, {"east_m": 0.422}),
]
"""The bound is 4.2919 sigma (Rayleigh, 99.99 %) times an optimism of 1.2, and 0.01 m: it comes to
0.2 m at 0.03689 m. The corner reaches 0.430 m, and the bound of a good epoch is 0.0615 m."""


@pytest.mark.parametrize("case", CASES)
def test_each_limit_on_both_sides(case: Case) -> None:
    on_the_good_side = finding(Mower().up().hear(**case.good), case.monitor)
    assert on_the_good_side is None or on_the_good_side.rung < case.rung
    decision = Mower().up().hear(**case.bad)
    found = finding(decision, case.monitor)
    assert found is not None
    assert found.rung is case.rung
    assert decision.rung >= case.rung
    assert decision.why == "demand"


@pytest.mark.parametrize("case", FIRST)
def test_each_limit_on_both_sides_while_no_earlier_position_narrows_the_bound(case: Case) -> None:
    mower = Mower()
    mower.hear(**case.good)
    on_the_good_side = finding(mower.tick(0.5), case.monitor)
    assert on_the_good_side is None or on_the_good_side.rung < case.rung
    mower = Mower()
    mower.hear(**case.bad)
    found = finding(mower.tick(0.5), case.monitor)
    assert found is not None
    assert found.rung is case.rung


def test_a_wide_bound_widens_nothing_where_the_mower_is_known_to_be() -> None:
    assert finding(Mower().hear(sigma_major_m=0.2), "bound") is not None
    assert finding(Mower().up().hear(sigma_major_m=0.2), "bound") is None


def test_a_centimetre_of_the_bound_used_up_slows_once_it_lasts() -> None:
    mower = Mower()
    assert finding(mower.hear(east_m=0.492), "room") is None
    assert finding(mower.tick(0.501), "room") is None
    mower = Mower()
    assert finding(mower.hear(east_m=0.472), "room") is None
    assert finding(mower.tick(0.499), "room") is None
    found = finding(mower.tick(0.002), "room")
    assert found is not None
    assert found.rung is SLOWED


def test_a_limit_with_a_time_waits_for_it_between_epochs_as_well() -> None:
    mower = Mower(limits={"hdop": {"slowed": {"limit": 2.0, "for_s": 0.3}}}).up()
    mower.hear(hdop=3.0)
    assert mower.tick(0.299).rung is FULL
    assert mower.tick(0.001).rung is SLOWED


def test_the_grant_follows_the_rung_and_runs_out() -> None:
    mower = Mower()
    halted = mower.tick().grant
    assert (halted.drive, halted.slow, halted.top_speed_mps) == (False, True, 0.0)
    full = mower.up().hear().grant
    assert (full.drive, full.blade, full.slow, full.warning) == (True, True, False, False)
    assert full.top_speed_mps == 0.5
    assert full.valid_until_s == mower.now_s + 0.5
    slowed = mower.hear(age_s=11.0).grant
    assert (slowed.blade, slowed.slow, slowed.top_speed_mps) == (True, True, 0.25)


def test_unseen_it_is_taken_to_have_gone_no_faster_than_the_rung_lets_it() -> None:
    """For 3 s at rest, and for 2 s without a speed: it may have sped up to what is granted.

    At 0.5 m/s², from a noise of 0.05 m/s: 0.80 m at full, 0.46 m slowed; the position alone is off
    by less than 0.2 m.
    """
    blind = {one: {"watch_only": True} for one in ("tells", "trust", "bound", "reach")}
    reaches_m = []
    for hdop, rung in ((0.7, FULL), (1.5, SLOWED)):
        mower = Mower(limits={"hdop": {"slowed": 1.0}, **blind}).up()
        for _ in range(24):
            mower.hear(hdop=hdop)
        for _ in range(16):
            decision = mower.hear(hdop=hdop, speed_mps=None, course_deg=None)
        assert decision.rung is rung
        reach_m = decision.situation.evidence.reach_m
        assert reach_m is not None
        reaches_m.append(reach_m)
    full_m, slowed_m = reaches_m
    assert 0.8 < full_m < 1.0
    assert 0.46 < slowed_m < 0.66
