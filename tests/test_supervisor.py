"""The supervisor: what each step decides, and what no sequence of steps may ever bring about."""

import ast
import math
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import event, given
from hypothesis import settings as examples
from hypothesis import strategies as st

import fenceguard.judgement
from fenceguard.judgement.parameters import MonitorParameters, Row
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Finding, Inputs, Rung
from fenceguard.lawn.fence import Fence
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Settings
from tests.conftest import many
from tests.support.lawns import LAWN, OUTLINE, collection, fence_of, offset, polygon
from tests.support.made import monitor_of

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
START_UTC_S = 1_700_000_000.0
REACH_M = math.hypot(0.35, 0.25)
LAWN_ALONE = polygon(LAWN, "keep_in", "lawn")
LAWN_ALONE["properties"]["stations"] = ["0001", "0002"]
FENCE: Fence = fence_of(collection(LAWN_ALONE))
WIDTH_M, DEPTH_M = LAWN[2]
BODY: dict[str, Any] = {"outline_m": OUTLINE, "antenna_m": [0, 0]}


def settings(**changes: Any) -> Settings:
    """Short times, so that the way up fits into a few steps."""
    content: dict[str, Any] = {
        "fence": "x",
        "outputs": "none",
        "mower": BODY,
        "arm": {"fixed_for_s": 1.0},
        "clear_s": {"slowed": 0.5, "blade_off": 0.5, "halted": 0.5},
        "blade_delay_s": 0.3,
        **changes,
    }
    return Settings.model_validate(content)


def epoch(utc_s: float, east_m: float = 15.0, north_m: float = 10.0, **fields: Any) -> Epoch:
    """A good epoch in the middle of the lawn, with changes."""
    lat, lon = offset(east_m, north_m)
    good: dict[str, Any] = {
        "lat_deg": lat,
        "lon_deg": lon,
        "quality": 4,
        "satellites": 20,
        "hdop": 0.7,
        "age_s": 1.0,
        "sigma_major_m": 0.01,
        "station": "0001",
    }
    return Epoch(utc_s, **{**good, **fields})


class Mower:
    """A supervisor with a clock, fed at 8 Hz: eighths of a second add up exactly."""

    def __init__(self, fence: Fence = FENCE, **changes: Any) -> None:
        self.supervisor = Supervisor.from_settings(settings(**changes), fence)
        self.now_s = 100.0
        self.last: Decision | None = None

    def hear(self, *, after_s: float = 0.125, **fields: Any) -> Decision:
        """The next epoch, good but for the changes."""
        self.now_s += after_s
        fields.setdefault("utc_s", START_UTC_S + self.now_s)
        return self.take(epoch(**fields))

    def take(self, heard: Epoch | None, reset: bool = False) -> Decision:
        self.last = self.supervisor.step(self.now_s, heard, Inputs(reset))
        return self.last

    def tick(self, after_s: float = 0.125, reset: bool = False) -> Decision:
        self.now_s += after_s
        return self.take(None, reset)

    def up(self) -> "Mower":
        """Bring it to full."""
        for _ in range(60):
            if self.hear().rung is FULL:
                return self
        raise AssertionError(f"not at full: {self.last}")


def finding(decision: Decision, monitor: str) -> Finding | None:
    return next((one for one in decision.findings if one.monitor == monitor), None)


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
        {"sigma_major_m": 0.2},
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


def test_it_is_not_armed_outside_the_fence_even_if_nothing_demands_it() -> None:
    """A limit for room may be negative; the fence is the fence."""
    far = {"slowed": -90.0, "blade_off": -95.0, "halted": -99.0}
    outside = Mower(limits={"room": far, "stopping": far, "blade_stop": far})
    outside.hear(east_m=-5.0)
    for _ in range(50):
        decision = outside.hear(east_m=-5.0)
        assert decision.findings == ()
        assert not decision.armed


def test_a_float_solution_that_the_settings_permit_does_not_arm_it() -> None:
    permits_float = {"solution": {"blade_off": "never"}, "bound": {"slowed": 1.0, "blade_off": 2.0}}
    mower = Mower(limits=permits_float)
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


# Where the mower points


@pytest.mark.parametrize(
    ("fields", "turned"),
    [
        ({"heading_deg": 90.0}, True),
        ({"heading_deg": 90.0, "course_deg": 0.0, "speed_mps": 0.5}, True),
        ({"course_deg": 90.0, "speed_mps": 0.201}, True),
        ({"course_deg": 90.0, "speed_mps": 0.2}, False),
        ({"course_deg": 90.0}, False),
        ({"course_deg": math.nan, "speed_mps": 0.5}, False),
        ({"heading_deg": math.inf}, False),
        ({"heading_deg": math.nan, "course_deg": 90.0, "speed_mps": 0.5}, True),
        ({}, False),
    ],
)
def test_heading_then_course_then_the_worst(fields: dict[str, Any], turned: bool) -> None:
    """Facing east the nose reaches 0.35 m towards the east line; the farthest corner 0.43 m."""
    decision = Mower().hear(east_m=29.0, **fields)
    reach_m = 0.35 if turned else REACH_M
    assert decision.situation.clearance_m == pytest.approx(1.0 - reach_m, abs=0.01)
    assert decision.situation.nearest == "lawn"


def test_by_its_course_alone_a_mower_may_be_reversing() -> None:
    """Nose 0.35 m ahead, tail 0.25 m behind: going west, the nose may still point east."""
    going_west = Mower().hear(east_m=29.0, course_deg=270.0, speed_mps=0.5)
    assert going_west.situation.clearance_m == pytest.approx(1.0 - 0.35, abs=0.01)
    pointing_west = Mower().hear(east_m=29.0, heading_deg=270.0)
    assert pointing_west.situation.clearance_m == pytest.approx(1.0 - 0.25, abs=0.01)


@pytest.mark.parametrize(("after_s", "held"), [(0.5, True), (0.625, False)])
def test_a_heading_that_is_held_goes_before_a_course(after_s: float, held: bool) -> None:
    """By the course the mower may be reversing, with its nose at the line."""
    mower = Mower(mower={**BODY, "held_s": 0.5})
    mower.hear(east_m=29.0, heading_deg=270.0)
    decision = mower.hear(after_s=after_s, east_m=29.0, course_deg=270.0, speed_mps=0.5)
    reach_m = 0.25 if held else 0.35
    assert decision.situation.clearance_m == pytest.approx(1.0 - reach_m, abs=0.01)


def test_a_course_that_is_held_gives_way_to_a_new_one() -> None:
    """Going north, the side of the mower is towards the line."""
    mower = Mower()
    mower.hear(east_m=29.0, course_deg=270.0, speed_mps=0.5)
    decision = mower.hear(east_m=29.0, course_deg=0.0, speed_mps=0.5)
    assert decision.situation.clearance_m == pytest.approx(1.0 - 0.25, abs=0.01)


@pytest.mark.parametrize("told", [{"heading_deg": 90.0}, {"course_deg": 90.0, "speed_mps": 0.5}])
@pytest.mark.parametrize(("held_s", "turned"), [(0.375, True), (0.5, True), (0.625, False)])
def test_a_lost_direction_is_held_for_a_moment(
    told: dict[str, Any], held_s: float, turned: bool
) -> None:
    mower = Mower(mower={**BODY, "held_s": 0.5})
    mower.hear(east_m=29.0, **told)
    mower.hear(east_m=29.0, after_s=0.25)
    decision = mower.hear(east_m=29.0, after_s=held_s - 0.25)
    reach_m = 0.35 if turned else REACH_M
    assert decision.situation.clearance_m == pytest.approx(1.0 - reach_m, abs=0.01)


@pytest.mark.parametrize(
    ("course_deg", "reversing"),
    [(90.0, False), (0.0, False), (180.0, False), (359.9, True), (180.1, True), (270.0, True)],
)
def test_a_course_nearer_to_the_tail_than_to_the_nose_is_reversing(
    course_deg: float, reversing: bool
) -> None:
    """The nose at the east line, the lawn behind."""
    decision = Mower().hear(east_m=29.2, heading_deg=90.0, course_deg=course_deg, speed_mps=0.5)
    assert decision.situation.ahead_m is not None
    assert (decision.situation.ahead_m > 0.8 - 0.35) is reversing


@pytest.mark.parametrize("antenna_ahead_m", [-0.2, 0.2])
def test_by_its_course_alone_the_end_that_sticks_out_farther_may_go_first(
    antenna_ahead_m: float,
) -> None:
    def ahead_m(**told: Any) -> float:
        mower = Mower(mower={"outline_m": OUTLINE, "antenna_m": [antenna_ahead_m, 0.0]})
        found_m = mower.hear(east_m=29.0, course_deg=90.0, speed_mps=0.5, **told).situation.ahead_m
        assert found_m is not None
        return found_m

    nose_first_m, tail_first_m = ahead_m(heading_deg=90.0), ahead_m(heading_deg=270.0)
    assert (nose_first_m < tail_first_m) is (antenna_ahead_m < 0.0)
    assert ahead_m() == pytest.approx(min(nose_first_m, tail_first_m), abs=1e-9)


def test_along_the_fence_a_told_heading_is_not_turned_round() -> None:
    """0.15 m of it are left of the antenna, towards the west line 0.3 m away, and 0.35 m right."""
    body = {"outline_m": OUTLINE, "antenna_m": [0.0, 0.1]}
    told = {"heading_deg": 0.0, "course_deg": 0.0, "speed_mps": 0.5}
    situation = Mower(mower=body).hear(east_m=0.3, **told).situation
    assert situation.clearance_m == pytest.approx(0.15, abs=0.01)
    assert situation.ahead_m is not None
    assert situation.ahead_m > 1.0
    turned = Mower(mower=body).hear(east_m=0.3, **{**told, "heading_deg": 180.0}).situation
    assert turned.clearance_m == pytest.approx(-0.05, abs=0.01)


@pytest.mark.parametrize(
    ("within_deg", "off_deg", "believed"),
    [(45.0, 44.0, True), (45.0, 46.0, False), (70.0, 69.0, True), (180.0, 180.0, True)],
)
def test_a_heading_that_the_way_taken_contradicts_is_believed_no_more(
    within_deg: float, off_deg: float, believed: bool
) -> None:
    """Facing north, the side reaches 0.25 m towards the east line."""
    mower = Mower(mower={**BODY, "course_within_deg": within_deg})
    off = math.radians(off_deg)
    for step in range(8):
        way_m = 0.0625 * step
        decision = mower.hear(
            east_m=28.5 + way_m * math.sin(off),
            north_m=10.0 + way_m * math.cos(off),
            heading_deg=0.0,
            speed_mps=0.5,
            course_deg=0.0,
        )
    east_m = 28.5 + way_m * math.sin(off)
    reach_m = 0.25 if believed else REACH_M
    assert decision.situation.clearance_m == pytest.approx(30.0 - east_m - reach_m, abs=0.01)


@pytest.mark.parametrize("heading_deg", [0.0, 170.0, 350.0])
def test_the_way_of_a_mower_in_reverse_does_not_contradict_its_heading(heading_deg: float) -> None:
    mower, back = Mower(), math.radians(heading_deg + 180.0)
    for step in range(12):
        way_m = 0.0625 * step
        decision = mower.hear(
            east_m=15.0 + way_m * math.sin(back),
            north_m=10.0 + way_m * math.cos(back),
            heading_deg=heading_deg,
            speed_mps=0.5,
            course_deg=(heading_deg + 180.0) % 360.0,
        )
    assert decision.situation.evidence.course_off_deg == pytest.approx(0.0, abs=0.5)


def test_a_heading_that_nothing_contradicts_is_believed_however_little_it_may_be_off() -> None:
    decision = Mower(mower={**BODY, "course_within_deg": 0.0}).hear(east_m=29.0, heading_deg=90.0)
    assert decision.situation.clearance_m == pytest.approx(1.0 - 0.35, abs=0.01)


# The way ahead, and how fast it may be gone

REACTION_S = 0.3
BRAKING_MPS2 = 1.5 * math.cos(math.radians(5.0)) - 9.80665 * math.sin(math.radians(5.0))
"""On wet grass, down a slope of 5 degrees."""


def with_blade(blade_stop_s: float, **stopping: float) -> Mower:
    return Mower(mower={**BODY, "stopping": {"blade_stop_s": blade_stop_s, **stopping}})


def test_a_speed_that_is_not_told_is_the_last_one_and_what_it_may_have_gained() -> None:
    mower = Mower(mower={**BODY, "held_s": 0.5})
    assert mower.hear().situation.speed_mps == 0.5
    assert mower.hear(speed_mps=0.125).situation.speed_mps == 0.125
    for held, untold in enumerate([None, math.nan, None, math.inf], start=1):
        gained_mps = 0.5 * 0.125 * held
        assert mower.hear(speed_mps=untold).situation.speed_mps == 0.125 + gained_mps
    assert mower.hear().situation.speed_mps == 0.5


def test_a_speed_that_is_not_told_is_no_more_than_the_top_speed() -> None:
    mower = Mower()
    mower.hear(speed_mps=0.45)
    assert mower.hear().situation.speed_mps == 0.5


@pytest.mark.parametrize(
    ("speed_mps", "blade_stop_s", "way_m"),
    [
        (0.25, 1.0, 0.5 * (REACTION_S + 1.0)),
        (1.0, 1.0, 1.0 * (REACTION_S + 1.0)),
        (0.25, 0.0, 0.5 * REACTION_S + 0.5**2 / (2.0 * BRAKING_MPS2)),
        (1.0, 0.0, 1.0 * REACTION_S + 1.0**2 / (2.0 * BRAKING_MPS2)),
    ],
)
def test_it_looks_half_a_metre_farther_ahead_than_mower_and_blade_may_come(
    speed_mps: float, blade_stop_s: float, way_m: float
) -> None:
    """Away from the fence, by the told speed or the top speed, whichever is greater.

    That much is left once the bound is taken off.
    """
    mower = with_blade(blade_stop_s)
    situation = mower.hear(east_m=29.2, heading_deg=270.0, speed_mps=speed_mps).situation
    assert situation.ahead_m == pytest.approx(0.5 + way_m)


def test_a_speed_that_is_no_mowers_is_not_looked_ahead_for_and_halts() -> None:
    """10,000 knots are the most that a sentence may tell; to look as far would take minutes."""
    decision = Mower().up().hear(heading_deg=0.0, speed_mps=5144.0)
    assert decision.rung is HALTED
    assert finding(decision, "stopping") is not None
    assert decision.situation.ahead_m is not None
    assert decision.situation.ahead_m <= 10.0


@pytest.mark.parametrize("told", [{"age_s": math.nan}, {"sigma_major_m": math.inf}])
def test_a_bound_that_is_no_number_leaves_nothing_ahead(told: dict[str, Any]) -> None:
    decision = Mower().up().hear(heading_deg=0.0, **told)
    assert decision.rung is HALTED
    assert decision.situation.ahead_m is None
    assert decision.grant.top_speed_mps == 0.0


@pytest.mark.parametrize(("sigma_m", "halts"), [(0.5, False), (1.0, False), (3.0, True)])
def test_a_wide_bound_takes_nothing_from_what_is_free_beyond_it(
    sigma_m: float, halts: bool
) -> None:
    """In the middle of the lawn; 3 m of σ reach past every line."""
    mower = Mower(limits={"bound": {"slowed": 50.0, "blade_off": 50.0, "halted": 50.0}})
    for step in range(12):
        decision = mower.hear(sigma_major_m=sigma_m, heading_deg=15.0 * step, speed_mps=0.0)
    assert (finding(decision, "stopping") is not None) is halts


def blade_permits_mps(left_m: float, blade_stop_s: float) -> float:
    """All the way until the blade rests at one speed."""
    return left_m / (REACTION_S + blade_stop_s)


def brakes_permit_mps(left_m: float) -> float:
    """The root of v t + v²/(2 a) = d."""
    slowing_mps = BRAKING_MPS2 * REACTION_S
    return -slowing_mps + math.sqrt(slowing_mps**2 + 2.0 * BRAKING_MPS2 * left_m)


@pytest.mark.parametrize(("keep_m", "blade_keep_m"), [(0.2, 0.15), (0.0, 0.0)])
@pytest.mark.parametrize("blade_stop_s", [0.0, 2.0])
def test_no_more_speed_is_granted_than_comes_to_rest_with_enough_kept_free(
    keep_m: float, blade_keep_m: float, blade_stop_s: float
) -> None:
    """Standing with its nose at the east line; the brakes decide, or the blade."""
    mower = with_blade(blade_stop_s, keep_m=keep_m, blade_keep_m=blade_keep_m)
    for _ in range(60):
        decision = mower.hear(east_m=29.3, heading_deg=90.0, speed_mps=0.0)
    left_m = decision.situation.left_ahead_m
    assert left_m is not None
    assert decision.rung is FULL
    by_blade_mps = blade_permits_mps(left_m - blade_keep_m, blade_stop_s)
    by_brakes_mps = brakes_permit_mps(left_m - keep_m)
    assert (by_blade_mps < by_brakes_mps) is (blade_stop_s > 0.0)
    permitted_mps = min(by_blade_mps, by_brakes_mps)
    assert 0.0 < permitted_mps < 0.5
    assert decision.grant.top_speed_mps == pytest.approx(permitted_mps)


def test_between_epochs_the_mower_goes_on_and_less_speed_is_granted() -> None:
    mower = Mower()
    for step in range(61):
        east_m = 29.0 - 0.01 * (60 - step)
        decision = mower.hear(east_m=east_m, heading_deg=90.0, speed_mps=0.08, course_deg=90.0)
    left_m = decision.situation.left_ahead_m
    assert left_m is not None
    assert decision.rung is FULL
    for ticks in (1, 2, 3):
        later = mower.tick()
        assert later.situation.since_s == 0.125 * ticks
        assert later.situation.left_ahead_m == pytest.approx(left_m - 0.08 * 0.125 * ticks)
        assert later.grant.top_speed_mps < decision.grant.top_speed_mps
        decision = later


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
    Case("bound", SLOWED, {"sigma_major_m": 0.0271}, {"sigma_major_m": 0.0272}),
    Case("bound", BLADE_OFF, {"sigma_major_m": 0.0563}, {"sigma_major_m": 0.0564}),
    Case("bound", HALTED, {"sigma_major_m": 0.483}, {"sigma_major_m": 0.484}),
    Case("room", BLADE_OFF, {"east_m": 0.472}, {"east_m": 0.452}),
    Case("room", HALTED, {"east_m": 0.442}, {"east_m": 0.422}),
]
"""The bound is 4.2919 sigma (Rayleigh, 99.99 %) times an optimism of 1.2, and 0.01 m: it comes to
0.15 m at 0.02718 m. The corner reaches 0.430 m, and the bound of a good epoch is 0.0615 m."""


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


def test_a_centimetre_of_the_bound_used_up_slows_once_it_lasts() -> None:
    assert finding(Mower().up().hear(east_m=0.492), "room") is None
    mower = Mower().up()
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


# Whatever comes


POSITIONS = st.one_of(
    st.tuples(st.floats(2.0, 28.0), st.floats(2.0, 18.0)),
    st.tuples(st.floats(-2.0, 32.0), st.floats(-2.0, 22.0)),
)
ODD = [None, math.nan, math.inf, -math.inf, -1.0]
FIELDS = {
    "quality": st.one_of(st.sampled_from([4, 4, 4, 5, 1, 2]), st.integers(0, 9), st.none()),
    "age_s": st.one_of(st.floats(0.0, 5.0), st.floats(0.0, 100.0), st.sampled_from(ODD)),
    "satellites": st.one_of(st.integers(8, 30), st.integers(0, 12), st.none()),
    "hdop": st.one_of(st.floats(0.4, 1.9), st.floats(0.0, 12.0), st.sampled_from(ODD)),
    "sigma_major_m": st.one_of(st.none(), st.floats(0.005, 0.03), st.floats(0.0, 3e5)),
    "heading_deg": st.sampled_from([None, math.nan, 0.0, 45.0, 359.9]),
    "course_deg": st.sampled_from([None, math.nan, 0.0, 120.0]),
    "speed_mps": st.sampled_from([None, math.nan, 0.0, 0.5]),
    "station": st.sampled_from(["0001", "0002", "0009", "", None]),
    "lat_deg": st.sampled_from([None, math.nan, math.inf, 91.0]),
    "lon_deg": st.sampled_from([None, math.nan, 181.0]),
}
TIMES = st.one_of(
    st.sampled_from([0.0, 0.05, 0.1, 0.1, 0.1, 0.2, 0.4999, 0.5, 0.5001, 1.0, 1.5001, 30.0]),
    st.floats(0.0, 0.3),
)
CLOCK_FAULTS = st.sampled_from([-0.01, -5.0, -1e5, math.nan, math.inf, 1e5])


class Step(NamedTuple):
    """One step of a made-up life: its time since the last, the epoch's fields, the button."""

    after_s: float
    utc_after_s: float | None
    """None: no epoch. Not equal to `after_s`: the receiver's clock is off."""
    place: tuple[float, float]
    fields: dict[str, Any]
    reset: bool


@st.composite
def steps(draw: st.DrawFn) -> Step:
    after_s = draw(st.one_of(TIMES, TIMES, TIMES, TIMES, CLOCK_FAULTS))
    arrives = draw(st.sampled_from([True, True, True, False]))
    utc_after_s = draw(
        st.sampled_from([after_s] * 6 + [0.0, -1.0, math.nan, 3600.0]) if arrives else st.none()
    )
    names = draw(st.lists(st.sampled_from(sorted(FIELDS)), max_size=2, unique=True))
    fields = {name: draw(FIELDS[name]) for name in names}
    reset = draw(st.sampled_from([False, False, False, True]))
    return Step(after_s, utc_after_s, draw(POSITIONS), fields, reset)


GOOD = Step(0.1, 0.1, (15.0, 10.0), {}, False)
LIVES = st.lists(st.one_of(steps(), st.just(GOOD), st.just(GOOD)), min_size=1, max_size=40)
BEFORE = [GOOD, GOOD._replace(reset=True), *[GOOD] * 45]
"""Good steps enough to come to full from any start; at the second the reset button goes down."""


class Moment(NamedTuple):
    """What a supervisor is told in one step."""

    now_s: float
    epoch: Epoch | None
    place: tuple[float, float]
    reset: bool


def told(life: Sequence[Step]) -> list[Moment]:
    now_s, utc_s = 50.0, START_UTC_S
    moments = []
    for step in life:
        now_s = (now_s if math.isfinite(now_s) else 60.0) + step.after_s
        heard = None
        if step.utc_after_s is not None:
            utc_s = (utc_s if math.isfinite(utc_s) else START_UTC_S + 1e6) + step.utc_after_s
            heard = epoch(utc_s, *step.place, **step.fields)
        moments.append(Moment(now_s, heard, step.place, step.reset))
    return moments


def run(moments: Sequence[Moment], **changes: Any) -> list[Decision]:
    supervisor = Supervisor.from_settings(settings(**changes), FENCE)
    return [supervisor.step(moment.now_s, moment.epoch, Inputs(moment.reset)) for moment in moments]


ABOVE = {
    "age_s": ((10.0, SLOWED), (20.0, BLADE_OFF), (60.0, HALTED)),
    "hdop": ((2.0, SLOWED), (4.0, BLADE_OFF), (8.0, HALTED)),
    "bound": ((0.15, SLOWED), (0.3, BLADE_OFF), (2.5, HALTED)),
    "silence": ((0.5, SLOWED), (1.0, BLADE_OFF), (1.5, HALTED)),
}
SIGMA_M = {1: 3.0, 2: 1.0, 3: 1.0, 4: 0.02, 5: 0.5}
OPTIMISM = {1: 1.5, 2: 1.5, 3: 1.5, 4: 1.2, 5: 2.0}
FLOOR_M = {1: 1.0, 2: 0.5, 3: 0.5, 4: 0.01, 5: 0.1}
SLACK = 1e-6
FENCE_SLACK_M = 0.03


def over(name: str, value: float | None) -> Rung:
    """The rung that a value demands by the limits as they are published."""
    if value is None or not math.isfinite(value):
        return HALTED
    return max((rung for limit, rung in ABOVE[name] if value > limit + SLACK), default=FULL)


def outright(moment: Moment) -> Rung:
    """What an epoch demands by itself: the limits once more, written without the project's code."""
    heard = moment.epoch
    assert heard is not None
    fields = heard._asdict()
    demands = [{4: FULL, 5: BLADE_OFF}.get(heard.quality or 0, HALTED)]
    if heard.quality in (2, 4, 5):
        demands.append(over("age_s", fields["age_s"]))
    demands.append(over("hdop", fields["hdop"]))
    satellites = fields["satellites"]
    demands.append(
        HALTED
        if satellites is None or satellites < 5
        else BLADE_OFF
        if satellites < 6
        else SLOWED
        if satellites < 8
        else FULL
    )
    quality = heard.quality or 0
    if quality in (2, 4, 5) and heard.station not in ("0001", "0002"):
        demands.append(HALTED)
    sigma_m = fields["sigma_major_m"]
    if not located(heard) or quality not in SIGMA_M:
        return HALTED
    if sigma_m is None:
        sigma_m = SIGMA_M[quality] * (1.0 if fields["hdop"] is None else fields["hdop"])
    stale_m = 0.0017 * max(0.0, (fields["age_s"] or 0.0) - 1.0)
    spread_m = math.hypot(OPTIMISM[quality] * sigma_m, stale_m)
    bound_m = 4.2919 * spread_m + FLOOR_M[quality] - 1e-4
    if not math.isfinite(bound_m):
        return HALTED
    demands.append(over("bound", bound_m))
    east_m, north_m = moment.place
    # The nearest that any part of the footprint can be to a line, over the kindest heading.
    nearest_m = min(east_m, north_m, WIDTH_M - east_m, DEPTH_M - north_m)
    room_m = nearest_m - 0.25 - bound_m + FENCE_SLACK_M
    demands.append(
        HALTED
        if room_m < -0.06
        else BLADE_OFF
        if room_m < -0.03
        else SLOWED
        if room_m < -0.01
        else FULL
    )
    return max(demands)


def located(heard: Epoch) -> bool:
    lat, lon = heard.lat_deg, heard.lon_deg
    return (
        bool(heard.quality)
        and lat is not None
        and lon is not None
        and abs(lat) < 90.5 > 0.0
        and (abs(lon) < 180.5)
    )


def check(moments: Sequence[Moment], decisions: Sequence[Decision]) -> None:
    """No step is above what the limits, computed here once more, demand of it."""
    valid_at_s: float | None = None
    last: Moment | None = None
    before_s = -math.inf
    utc_s = -math.inf
    for moment, decision in zip(moments, decisions, strict=True):
        if not moment.now_s >= before_s:
            valid_at_s, last, utc_s = None, None, -math.inf
            assert decision.rung >= HALTED
        before_s = moment.now_s
        demand = FULL
        if moment.epoch is not None:
            if not moment.epoch.utc_s >= utc_s:
                demand = HALTED
            utc_s = moment.epoch.utc_s
            last = moment
        demand = HALTED if last is None else max(demand, outright(last))
        silence_s = None if valid_at_s is None else moment.now_s - valid_at_s
        first = moment.epoch is not None and silence_s is None
        if not first:
            demand = max(demand, over("silence", silence_s))
        if moment.epoch is not None and located(moment.epoch):
            valid_at_s = moment.now_s
        assert decision.rung >= demand, (moment, decision)
        if decision.rung is FULL:
            assert decision.findings == ()
            assert last is not None
            assert last.epoch is not None
            assert last.epoch.quality == 4
        assert decision.rung >= decision.was - 1
        if decision.was is LOCKED and decision.rung is not LOCKED:
            assert moment.reset
        assert decision.grant.drive is (decision.rung < HALTED)
        assert not decision.grant.blade or decision.rung < BLADE_OFF


def test_the_good_steps_come_to_full_from_either_start() -> None:
    """Else the properties below would be said of a mower that never ran."""
    for start in ("halted", "locked"):
        assert run(told(BEFORE), start=start)[-1].rung is FULL


@examples(max_examples=many(5.0))
@given(st.sampled_from(["halted", "locked"]), st.booleans(), LIVES)
def test_never_above_what_any_limit_demands(start: str, up: bool, life: list[Step]) -> None:
    moments = told([*(BEFORE if up else []), *life])
    decisions = run(moments, start=start)
    check(moments, decisions)
    event(f"at full within the life: {any(d.rung is FULL for d in decisions[-len(life) :])}")


@given(LIVES)
def test_the_same_again_gives_the_same_bit_for_bit(life: list[Step]) -> None:
    moments = told([*BEFORE, *life])
    assert repr(run(moments)) == repr(run(moments))


WORSE: dict[str, Any] = {
    "quality": lambda q: {4: 5, 5: 1, 2: 1}.get(q, 0),
    "age_s": lambda age_s: None if age_s is None else age_s + 7.0,
    "satellites": lambda count: None if count is None else max(0, count - 3),
    "hdop": lambda hdop: None if hdop is None else hdop + 1.5,
    "sigma_major_m": lambda sigma_m: None if sigma_m is None else sigma_m + 0.05,
    "heading_deg": lambda _heading_deg: None,
    "lat_deg": lambda _lat_deg: None,
}


@examples(max_examples=many(3.0))
@given(LIVES, st.data())
def test_more_error_never_gives_a_higher_rung(life: list[Step], data: st.DataObject) -> None:
    """Of a mower that stands. Positions that contradict each other are another matter: there a
    greater stated error may explain what a smaller one does not.
    """
    standing = [step._replace(place=BEFORE[0].place) for step in life]
    moments = told([*BEFORE, *standing])
    worse = []
    for moment in moments:
        heard = moment.epoch
        if heard is not None and data.draw(st.sampled_from([False, False, False, True])):
            name = data.draw(st.sampled_from(sorted(WORSE)))
            value = getattr(heard, name)
            if name != "sigma_major_m" or value is not None:
                heard = heard._replace(**{name: WORSE[name](value)})
        worse.append(moment._replace(epoch=heard))
    for base, poorer in zip(run(moments), run(worse), strict=True):
        assert poorer.rung >= base.rung


# What the rooms may know


def imported(package: str) -> set[str]:
    """All that the modules of a package import, wherever in them."""
    directory = Path(fenceguard.__file__).parent / package
    names: set[str] = set()
    for file in directory.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                names |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0
                names.add(str(node.module))
    return names


def test_the_judgement_knows_no_port_clock_file_or_output() -> None:
    outside = {
        name for name in imported("judgement") if not name.startswith("fenceguard.judgement")
    }
    assert outside == {
        "math",
        "collections",
        "itertools",
        "enum",
        "typing",
        "collections.abc",
        "fenceguard.lawn.fence",
        "fenceguard.mower.footprint",
        "fenceguard.mower.path",
        "fenceguard.mower.stopping",
        "fenceguard.receiver.epoch",
    }


def test_lawn_and_mower_know_nothing_of_rungs() -> None:
    for package in ("lawn", "mower"):
        assert not [name for name in imported(package) if "judgement" in name]


@pytest.mark.parametrize("room", ["judgement", "lawn", "mower", "receiver"])
def test_the_core_knows_nothing_of_settings(room: str) -> None:
    """Not for types either."""
    assert not [name for name in imported(room) if name.startswith("fenceguard.settings")]


LIGHT = ("types", "parameters", "monitors", "bound", "ladder", "limits", "track")


@pytest.mark.parametrize("module", LIGHT)
def test_what_the_audit_needs_of_the_judgement_starts_without_heavy_libraries(module: str) -> None:
    heavy = ("numpy", "shapely", "pydantic", "yaml", "pymap3d", "pynmea2")
    code = f"import sys, fenceguard.judgement.{module}; print(*(set(sys.modules) & set({heavy})))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
