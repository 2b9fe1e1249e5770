"""The supervisor: where the mower points, what lies ahead, and how fast it may go there."""

import math
from typing import Any

import pytest

from fenceguard.judgement.types import Rung
from tests.support.lawns import OUTLINE
from tests.support.mowing import BODY, REACH_M, Mower, finding, settings

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
UNTOLD: dict[str, Any] = {"speed_mps": None, "course_deg": None}


# Where the mower points


@pytest.mark.parametrize(
    ("fields", "turned"),
    [
        ({"heading_deg": 90.0}, True),
        ({"heading_deg": 90.0, "course_deg": 0.0, "speed_mps": 0.5}, True),
        ({"course_deg": 90.0, "speed_mps": 0.201}, True),
        ({"course_deg": 90.0, "speed_mps": 0.1}, False),
        ({"course_deg": 90.0, "speed_mps": None}, False),
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
    for _ in range(12):
        decision = mower.hear(east_m=29.0, course_deg=0.0, speed_mps=0.5)
    assert decision.situation.clearance_m == pytest.approx(1.0 - 0.25, abs=0.01)


@pytest.mark.parametrize("told", [{"heading_deg": 90.0}, {"course_deg": 90.0, "speed_mps": 0.5}])
@pytest.mark.parametrize(("held_s", "turned"), [(0.375, True), (0.5, True), (0.625, False)])
def test_a_lost_direction_is_held_for_a_moment(
    told: dict[str, Any], held_s: float, turned: bool
) -> None:
    mower = Mower(mower={**BODY, "held_s": 0.5})
    mower.hear(east_m=29.0, **told)
    mower.hear(east_m=29.0, after_s=0.25, **UNTOLD)
    decision = mower.hear(east_m=29.0, after_s=held_s - 0.25, **UNTOLD)
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


@pytest.mark.usefixtures("exact_clearance")
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
    assert decision.situation.attitude.course_off_deg == pytest.approx(0.0, abs=0.5)


def test_a_heading_that_nothing_contradicts_is_believed_however_little_it_may_be_off() -> None:
    decision = Mower(mower={**BODY, "course_within_deg": 0.0}).hear(east_m=29.0, heading_deg=90.0)
    assert decision.situation.clearance_m == pytest.approx(1.0 - 0.35, abs=0.01)


@pytest.mark.parametrize(("before", "contradicts"), [(5, False), (4, True)])
def test_a_place_that_is_found_in_another_way_is_no_way_taken(
    before: int, contradicts: bool
) -> None:
    """Before the first fix, going north as it points, it was seen half a metre aside."""
    mower = Mower()
    told = {"heading_deg": 0.0, "course_deg": 0.0, "speed_mps": 0.5}
    for step in range(10):
        mower.hear(east_m=15.5, north_m=8.0 + 0.0625 * step, quality=before, **told)
    fixed = mower.hear(east_m=15.0, north_m=8.0 + 0.0625 * 10, **told)
    assert (fixed.situation.attitude.course_off_deg is not None) is contradicts


def test_nor_is_one_out_of_the_reach_that_has_grown_too_wide() -> None:
    """In the shade, half a metre aside of where the mower was last seen to go."""
    mower = Mower()
    for step in range(20):
        told = {"heading_deg": 0.0, "course_deg": 0.0, "speed_mps": 0.5}
        mower.hear(north_m=5.0 + 0.0625 * step, **told)
    shade: dict[str, Any] = {"quality": 5, "sigma_major_m": 0.05, "heading_deg": 0.0, **UNTOLD}
    seen = [
        mower.hear(east_m=15.5, north_m=5.0 + 0.0625 * step, **shade).situation
        for step in range(20, 40)
    ]
    bounds = [one.bound for one in seen]
    out = next(number for number, one in enumerate(bounds) if one and not one.reach_m)
    assert out > 1
    assert seen[out - 1].attitude.course_off_deg == pytest.approx(0.0, abs=0.1)
    assert seen[out].attitude.course_off_deg is None


# The way ahead, and how fast it may be gone

REACTION_S = 0.3
WAITS_S = REACTION_S + 0.125 + 0.6 + 0.4
"""Reaction, the time from epoch to epoch, what slowing needs, and what the controller takes."""
LATE_S = 1.5 * 0.125
"""An epoch may come so late before it is a missing one."""


def test_a_speed_that_is_not_told_is_the_last_one_and_what_it_may_have_gained() -> None:
    mower = Mower(mower={**BODY, "held_s": 0.5})
    assert mower.hear(**UNTOLD).situation.speed_mps == 0.5
    mower.up()
    assert mower.hear(speed_mps=0.125).situation.speed_mps == 0.125
    for held, untold in enumerate([None, math.nan, None, math.inf], start=1):
        gained_mps = 0.5 * 0.125 * held
        assert mower.hear(speed_mps=untold).situation.speed_mps == 0.125 + gained_mps
    at_most = mower.hear(**UNTOLD).situation
    assert at_most.speed_mps == at_most.most_mps > 0.125 + 0.5 * 0.5


def test_a_speed_that_is_not_told_is_no_more_than_the_top_speed() -> None:
    mower = Mower().up()
    mower.hear(speed_mps=0.45)
    assert mower.hear(**UNTOLD).situation.speed_mps == 0.5


@pytest.mark.parametrize("drive_line", ["cuts_power", "told"])
@pytest.mark.parametrize("speed_mps", [0.25, 1.0])
def test_it_looks_a_little_farther_ahead_than_the_told_speed_needs(
    speed_mps: float, drive_line: str
) -> None:
    """Away from the fence, by the speed or the top speed, whichever is greater.

    That much is left once the bound is taken off.
    """
    mower = Mower(mower={**BODY, "stopping": {"drive_line": drive_line}})
    told = {"heading_deg": 270.0, "course_deg": 270.0, "speed_mps": speed_mps}
    for step in range(40):
        decision = mower.hear(east_m=29.2 - 0.125 * speed_mps * step, **told)
    look_mps = max(speed_mps, 0.5)
    rests_m = look_mps**2 / (2.0 * 0.5)
    if drive_line == "told":
        rests_m = max(rests_m, look_mps * 1.0)
    kept_m, waits_s = 0.05 + 0.1, WAITS_S + LATE_S
    assert decision.situation.ahead_m == pytest.approx(kept_m + look_mps * waits_s + rests_m)


def test_a_speed_that_is_no_mowers_is_not_looked_ahead_for_and_halts() -> None:
    """10,000 knots are the most that a sentence may tell; to look as far would take minutes."""
    mower = Mower().up()
    for _ in range(4):
        decision = mower.hear(heading_deg=0.0, speed_mps=5144.0)
        assert decision.situation.ahead_m is not None
        assert decision.situation.ahead_m <= 10.0
    found = finding(decision, "speed")
    assert found is not None
    assert found.rung is decision.rung is HALTED


@pytest.mark.parametrize("speed_mps", [1.0, 1.5, 5144.0])
def test_no_farther_than_for_twice_the_top_speed(speed_mps: float) -> None:
    """Facing away from the east line, which is near; what is told twice is no outlier."""
    mower = Mower().up(east_m=29.2, heading_deg=270.0)
    told = {"heading_deg": 270.0, "course_deg": 270.0, "speed_mps": speed_mps}
    mower.hear(east_m=29.2, **told)
    ahead_m = mower.hear(east_m=29.2, **told).situation.ahead_m
    assert ahead_m == pytest.approx(0.05 + 0.1 + 1.0 * (WAITS_S + LATE_S) + 1.0)


@pytest.mark.parametrize("told", [{"age_s": math.nan}, {"sigma_major_m": math.inf}])
def test_a_bound_that_is_no_number_leaves_nothing_ahead(told: dict[str, Any]) -> None:
    decision = Mower().hear(heading_deg=0.0, **told)
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


@pytest.mark.parametrize("keep_m", [0.0, 0.1])
@pytest.mark.parametrize("drive_line", ["cuts_power", "told"])
def test_no_more_speed_is_told_than_comes_to_rest_with_enough_kept_free(
    keep_m: float, drive_line: str
) -> None:
    """Standing with its nose before the east line: the root of v t + v²/(2 a) = d, or d / t."""
    stopping = {"drive_line": drive_line, "keep_m": keep_m}
    mower = Mower(mower={**BODY, "stopping": stopping})
    parameters = settings(mower={**BODY, "stopping": stopping}).parameters().mower
    for _ in range(60):
        decision = mower.hear(east_m=29.1, heading_deg=90.0, speed_mps=0.0)
    left_m = decision.situation.ahead_m
    assert left_m is not None
    # Where the drive line is only told, it could not speed up and have its blade rest in time.
    assert decision.rung is (SLOWED if drive_line == "told" else FULL)
    slowing_mps = 0.5 * WAITS_S
    told_mps = -slowing_mps + math.sqrt(slowing_mps**2 + 2.0 * 0.5 * (left_m - keep_m))
    if drive_line == "told":
        told_mps = min(told_mps, (left_m - keep_m) / (WAITS_S + 1.0))
    # Nor more than it may be halted for, while it is not seen to keep what it is told.
    unseen_s, top_mps = REACTION_S + 0.125, 0.25 if decision.rung is SLOWED else 0.5
    told_mps = min(
        told_mps, parameters.stopping.unhalted_mps(left_m - keep_m, 0.4, unseen_s, top_mps)
    )
    assert 0.05 < told_mps < 0.5
    assert decision.grant.top_speed_mps == pytest.approx(told_mps)


def test_between_epochs_the_mower_goes_on_and_less_speed_is_granted() -> None:
    mower = Mower()
    for step in range(61):
        east_m = 29.0 - 0.01 * (60 - step)
        decision = mower.hear(east_m=east_m, heading_deg=90.0, speed_mps=0.08, course_deg=90.0)
    assert decision.rung is FULL
    for ticks in (1, 2, 3):
        later = mower.tick()
        assert later.situation.since_s == 0.125 * ticks
        assert later.situation.ahead_m == decision.situation.ahead_m
        assert later.grant.top_speed_mps < decision.grant.top_speed_mps
        decision = later


def keeps_told(steps: int = 44) -> Mower:
    """A mower on its way to the east line that keeps the told speed, and is seen to keep it."""
    mower = Mower().up(east_m=27.0, heading_deg=90.0, course_deg=90.0)
    east_m, mps = 27.0, 0.0
    for _ in range(steps):
        assert mower.last is not None
        mps = min(mps + 0.5 * 0.125, mower.last.grant.top_speed_mps)
        east_m += 0.125 * mps
        seen = mower.hear(east_m=east_m, heading_deg=90.0, course_deg=90.0, speed_mps=mps)
    assert seen.rung is FULL
    assert seen.situation.most_mps < 0.4
    return mower


def test_a_mower_that_keeps_the_told_speed_is_told_no_less_for_what_else_it_could_do() -> None:
    decision = keeps_told(50).last
    assert decision is not None
    assert decision.situation.ahead_m is not None
    left_m, stopping = decision.situation.ahead_m - 0.05, decision.situation.stopping
    assert stopping is not None
    told_mps = stopping.permitted_mps(left_m, WAITS_S, 0.5)
    assert stopping.unhalted_mps(left_m, 0.4, REACTION_S + 0.125, 0.5) < told_mps
    assert decision.grant.top_speed_mps == pytest.approx(told_mps)


def test_a_mower_that_keeps_the_told_speed_may_gain_while_an_epoch_is_overdue() -> None:
    """Until nobody sees it; the slow line brings it down again."""
    mower = keeps_told()
    unseen_mps = [mower.tick().situation.most_mps for _ in range(16)]
    assert unseen_mps[0] < unseen_mps[1] < unseen_mps[2] < unseen_mps[3]
    assert max(unseen_mps) == 0.5
    assert unseen_mps[-1] == 0.25


def test_once_an_epoch_is_missing_a_mower_that_stood_may_have_set_out_either_way() -> None:
    """Seen or a little late, it counts as going west as it faces; then the line behind counts."""
    mower = Mower().up(east_m=29.2, heading_deg=270.0)
    seen_m = mower.hear(east_m=29.2, heading_deg=270.0).situation.ahead_m
    assert seen_m is not None
    assert seen_m > 1.0
    assert mower.tick(0.125).situation.ahead_m == seen_m
    assert mower.tick(LATE_S - 0.125).situation.ahead_m == seen_m
    for _ in range(2):
        unseen_m = mower.tick(1.0 / 64.0).situation.ahead_m
        assert unseen_m is not None
        assert unseen_m < 0.8 - 0.25
