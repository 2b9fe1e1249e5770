"""Reckoning: added-up speeds against the true ways of simulated mowers."""

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import (
    ACROSS,
    BRIDGED_M,
    CRUISES,
    MISSING,
    RESTING_MPS,
    STANDING_MPS,
    STEPS,
    Reckoned,
    Velocity,
    velocity_of,
)
from fenceguard.receiver.epoch import Epoch
from tests.conftest import many
from tests.support.motion import LEGS, UP_MPS2, Leg, Moment, drive, every
from tests.support.trusting import TRUST, Added

TOP_MPS = TRUST.top_mps
HARDEST_MPS2 = TRUST.hardest_mps2
WAY_ERROR = TRUST.way_error


# What an epoch tells


@pytest.mark.parametrize(
    ("speed_mps", "course_deg", "expected"),
    [
        (None, 90.0, None),
        (math.nan, 90.0, None),
        (math.inf, 90.0, None),
        (0.4, 90.0, (0.4, 0.0, 0.0)),
        (0.4, 180.0, (0.0, -0.4, 0.0)),
        (0.01, 90.0, (0.01, 0.0, 0.0)),
        # At rest there is no course, none needed.
        (0.0, None, (0.0, 0.0, 0.0)),
        (STANDING_MPS, None, (0.0, 0.0, 0.0)),
        (STANDING_MPS + 0.001, None, (0.0, 0.0, STANDING_MPS + 0.001)),
        (RESTING_MPS - 0.001, math.nan, (0.0, 0.0, RESTING_MPS - 0.001)),
        (RESTING_MPS, None, None),
        (0.4, math.inf, None),
    ],
)
def test_what_speed_and_course_tell(
    speed_mps: float | None, course_deg: float | None, expected: tuple[float, ...] | None
) -> None:
    told = velocity_of(Epoch(1e9, speed_mps=speed_mps, course_deg=course_deg), 7.0)
    if expected is None:
        assert told is None
    else:
        assert told is not None
        assert told == pytest.approx((7.0, *expected), abs=1e-12)
        assert told.mps == pytest.approx(sum(map(abs, expected)))


# Ways

NUMBERS = st.floats(-100.0, 100.0)
SOME = st.floats(0.0, 100.0)
WAYS = st.builds(
    Reckoned, NUMBERS, NUMBERS, SOME, SOME, SOME, st.floats(-1.0, 1.0), SOME, SOME
).map(
    lambda way: way._replace(
        length_m=way.length_m + math.hypot(way.east_m, way.north_m),
        # No more than a covariance can be.
        both_m2=way.both_m2 * math.sqrt(way.east_m2 * way.north_m2),
    )
)


@given(WAYS, WAYS)
def test_since_undoes_plus(one: Reckoned, other: Reckoned) -> None:
    assert one.plus(other).since(one) == pytest.approx(other, abs=1e-9)


@given(WAYS, WAYS)
def test_a_way_as_sure_as_an_earlier_one_leads_to_the_same_place(
    one: Reckoned, other: Reckoned
) -> None:
    sure = one.as_sure_as(other)
    assert sure[:3] == one[:3]
    assert sure[3:] == other[3:]


@given(WAYS, st.floats(0.0, 0.5), st.floats(0.0, math.tau))
def test_what_is_likely_is_never_more_than_what_is_possible(
    way: Reckoned, way_error: float, angle: float
) -> None:
    likely_m = way.likely_m(way_error, math.sin(angle), math.cos(angle))
    assert 0.0 <= likely_m <= way.error_m(way_error) - way.unlikely_m + 1e-9
    assert way.most_m == pytest.approx(way.length_m + way.error_m(0.0))


@given(st.floats(0.0, math.tau), st.floats(0.0, math.tau), st.floats(0.01, 5.0))
def test_an_error_counts_along_its_own_direction(angle: float, seen: float, off_m: float) -> None:
    """The covariance of a single error is its outer product: across it nothing is off."""
    east_m, north_m = off_m * math.sin(angle), off_m * math.cos(angle)
    way = Reckoned(east_m2=east_m**2, north_m2=north_m**2, both_m2=east_m * north_m)
    expected_m = abs(east_m * math.sin(seen) + north_m * math.cos(seen))
    assert way.likely_m(0.0, math.sin(seen), math.cos(seen)) == pytest.approx(expected_m, abs=1e-6)


def test_of_a_way_there_and_back_no_share_is_likely_to_be_left() -> None:
    """An error of scale is the same both ways: a fact of the trade, common practice, no source."""
    there = Reckoned(east_m=10.0, length_m=10.0)
    back = there.plus(Reckoned(east_m=-10.0, length_m=10.0))
    assert there.likely_m(0.01, 1.0, 0.0) == pytest.approx(0.1)
    assert back.likely_m(0.01, 1.0, 0.0) == 0.0
    assert back.error_m(0.01) == pytest.approx(0.2)


# Adding up


def test_nothing_is_known_at_first() -> None:
    added = Added()
    assert added.reckoning.blind_s == math.inf
    assert added.reckoning.period_s == math.inf
    assert added.reckoning.is_told
    assert not added.reckoning.is_odd
    added.at(0.0)
    way = added.at(2.0)
    # Without any speed it may have gone anywhere that its grants let it.
    assert way.error_m(WAY_ERROR) >= 2.0 * TOP_MPS
    assert way.length_m == 0.0


def test_what_was_driven_before_the_first_speed_stays_in_doubt() -> None:
    added = Added()
    before = added.at(0.0)
    way = added.at(2.0, 0.4)
    assert way.since(before).plain_m == pytest.approx(2.0 * TOP_MPS)


@pytest.mark.parametrize("period_s", [0.1, 0.2, 1.0])
def test_at_a_steady_speed_only_a_share_of_the_way_is_in_doubt(period_s: float) -> None:
    added = Added()
    begin = added.at(0.0, 0.3, 0.4)
    for number in range(1, 21):
        way = added.at(period_s * number, 0.3, 0.4).since(begin)
    assert way.east_m == pytest.approx(0.3 * 20 * period_s)
    assert way.north_m == pytest.approx(0.4 * 20 * period_s)
    assert way.length_m == pytest.approx(0.5 * 20 * period_s)
    assert way.error_m(WAY_ERROR) == pytest.approx(WAY_ERROR * way.length_m)
    assert added.reckoning.period_s == pytest.approx(period_s)


def test_half_of_each_change_of_speed_is_in_doubt_along_it() -> None:
    added = Added()
    begin = added.at(0.0, 0.0)
    way = added.at(0.2, 0.1, 0.2).since(begin)
    assert way[:3] == pytest.approx((0.01, 0.02, math.hypot(0.01, 0.02)))
    assert way[3:6] == pytest.approx((0.01**2, 0.02**2, 0.01 * 0.02))
    assert way[6:] == (0.0, 0.0)
    # Independent errors add up in squares.
    back = added.at(0.4, 0.0, 0.0).since(begin)
    assert back[3:6] == pytest.approx((2 * 0.01**2, 2 * 0.02**2, 2 * 0.01 * 0.02))


def test_a_change_that_the_mower_cannot_make_is_an_error_of_the_speed() -> None:
    added = Added()
    begin = added.at(0.0, 0.0)
    most_mps = HARDEST_MPS2 * 0.1
    way = added.at(0.1, most_mps + 0.2).since(begin)
    assert way.plain_m == pytest.approx(0.2 / 2.0 * 0.1)
    assert way.east_m2 == pytest.approx((most_mps / 2.0 * 0.1) ** 2)


@pytest.mark.parametrize("aimless_mps", [0.05, 0.09])
def test_a_slow_speed_without_a_course_may_lead_anywhere(aimless_mps: float) -> None:
    reckoning = Added().reckoning
    reckoning.hear(0.0, Velocity(0.0, 0.0, 0.0, aimless_mps))
    begin = reckoning.way
    reckoning.unseen.go_on(0.2)
    reckoning.hear(0.2, Velocity(0.2, 0.0, 0.0, aimless_mps))
    assert reckoning.way.since(begin) == pytest.approx(Reckoned(plain_m=0.2 * aimless_mps))
    reckoning.unseen.go_on(0.5)
    reckoning.hear(0.5, None)
    # It may have gone on as slowly, and faster.
    faster_m = TRUST.speeding_up_mps2 * 0.3**2 / 2.0
    assert reckoning.way.since(begin).plain_m == pytest.approx(0.5 * aimless_mps + faster_m)


# While no speed is told


def test_without_speeds_it_goes_on_with_what_may_have_changed() -> None:
    """At worst it braked its hardest, or sped up: v t less v² / 2a, or a t² / 2."""
    added = Added(granted_mps=2.0)
    for number in range(6):
        begin = added.at(0.2 * number, 0.4)
    for later_s in (0.1, 0.16, 0.5, 1.0):
        way = added.at(1.0 + later_s).since(begin)
        assert way.east_m == pytest.approx(0.4 * later_s)
        stops_s = min(later_s, 0.4 / HARDEST_MPS2)
        lost_m = 0.4 * later_s - (0.4 * stops_s - HARDEST_MPS2 * stops_s**2 / 2.0)
        expected_m = max(lost_m, TRUST.speeding_up_mps2 * later_s**2 / 2.0)
        assert way.plain_m == pytest.approx(expected_m)
        assert added.reckoning.blind_s == pytest.approx(later_s)
        assert not added.reckoning.is_told


def test_unseen_at_rest_with_the_drive_off_it_goes_nowhere() -> None:
    added = Added(granted_mps=0.0)
    for number in range(6):
        begin = added.at(0.2 * number, 0.0)
    assert added.at(1000.0).since(begin).error_m(WAY_ERROR) == pytest.approx(0.0, abs=1e-9)
    assert added.at(2000.0, 0.0).since(begin).error_m(WAY_ERROR) == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=many(0.5))
@given(
    legs=LEGS,
    period_s=st.sampled_from([0.1, 0.2]),
    gaps=st.lists(st.tuples(st.integers(5, 150), st.integers(1, 12)), max_size=3),
    silent=st.booleans(),
)
def test_the_true_way_is_within_the_error_whatever_is_not_seen(
    legs: list[Leg], period_s: float, gaps: list[tuple[int, int]], silent: bool
) -> None:
    """Gaps in the speeds alone, or in the epochs, on straight ways: turns unseen have no bound.

    A speed that rises and falls between two epochs is not seen: at most the change of acceleration
    times a quarter of the time between them, squared, by half.
    """
    if gaps:
        legs = [leg._replace(turn=0.0) for leg in legs]
    added, truth = Added(), every(drive([Leg(2.0, 0.0, 0.0), *legs]), period_s)
    away = {first + n for first, count in gaps for n in range(count)}
    begin = added.at(0.0, 0.0)
    unknown_m, change_mps2 = 0.005, UP_MPS2 + 1.5
    for number, moment in enumerate(truth[1:], 1):
        unknown_m += change_mps2 * period_s**2 / 8.0 * _changes(truth, number)
        if number in away and silent:
            continue
        told = (None,) if number in away else (moment.east_mps, moment.north_mps)
        way = added.at(moment.at_s, *told).since(begin)
        off_m = math.dist(moment.place, (way.east_m, way.north_m))
        assert off_m <= way.error_m(WAY_ERROR) + unknown_m


def _changes(truth: list[Moment], number: int) -> bool:
    """Whether the acceleration may have changed in the step before a moment."""
    speeds = [moment.mps for moment in truth[max(0, number - 2) : number + 2]]
    rises = [b - a for a, b in pairwise(speeds)]
    return max(rises) - min(rises) > 1e-6


@given(
    st.lists(st.tuples(st.floats(0.02, 3.0), st.floats(-0.14, 0.14)), min_size=1, max_size=40),
    st.booleans(),
)
def test_the_error_never_shrinks_while_speeds_come_or_stay_away(
    steps: list[tuple[float, float]], told: bool
) -> None:
    """Of speeds that are no outliers: what is guessed over one of those is known better later."""
    added, at_s = Added(), 1.2
    for number in range(6):
        added.at(0.2 * number, 0.1)
    last_m = added.reckoning.way.error_m(WAY_ERROR)
    for step_s, mps in steps:
        at_s += step_s
        error_m = added.at(at_s, mps if told else None).error_m(WAY_ERROR)
        assert error_m >= last_m - 1e-9
        last_m = error_m


# Across epochs that are missing


@pytest.mark.parametrize(("times", "across"), [(0.999 * MISSING, False), (1.001 * MISSING, True)])
def test_from_one_and_a_half_periods_on_epochs_are_missing(times: float, across: bool) -> None:
    added = Added()
    for number in range(6):
        begin = added.at(float(number), 0.45)
    way = added.at(5.0 + times, 0.45).since(begin)
    assert (way.unlikely_m > 0.0) == across


def swung_m(passed_s: float) -> float:
    """The way that is lost by braking and then speeding up again to the old speed: it is longest
    with both as hard as can be, v(t) going down and up in straight lines (elementary kinematics).
    """
    up, down = TRUST.speeding_up_mps2, TRUST.hardest_mps2
    slows_s = passed_s * up / (up + down)
    return down * slows_s * passed_s / 2.0


def test_an_epoch_is_missed_by_nobody_where_no_mower_can_swing_out_by_much() -> None:
    """At 5 Hz one, not two, at the default accelerations."""
    for missing, bridged in ((1, True), (2, False)):
        added = Added()
        for number in range(6):
            begin = added.at(0.2 * number, 0.45)
        passed_s = 0.2 * (missing + 1)
        assert (swung_m(passed_s) <= BRIDGED_M) is bridged
        way = added.at(1.0 + passed_s, 0.45).since(begin)
        assert (way.unlikely_m == 0.0) is bridged
        if bridged:
            assert way.east_m == pytest.approx(0.45 * passed_s)
            assert way.error_m(0.0) == 0.0


def test_a_way_unseen_is_no_shorter_than_by_braking_and_speeding_up_again() -> None:
    added = Added()
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, 0.5)
    way = added.at(1.6, 0.0, 0.5).since(begin)
    least_m = 0.6 * 0.5 - swung_m(0.6)
    assert least_m > 0.6 * 0.5 / 2.0
    assert way.length_m - way.likely_m(0.0, 0.0, 1.0) == pytest.approx(least_m)
    assert way.length_m + way.likely_m(0.0, 0.0, 1.0) == pytest.approx(0.6 * 0.5)


def test_epochs_are_missing_between_two_speeds_that_no_receiver_leaves_so_far_apart() -> None:
    """Though none came closer together yet: it may have driven and stopped again."""
    added = Added()
    begin = added.at(0.0, 0.0)
    assert added.at(3.0, 0.0).since(begin).error_m(WAY_ERROR) > 0.5


def test_a_mower_that_cruised_is_known_better_across_its_way() -> None:
    added = Added()
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, CRUISES * TOP_MPS)
    way = added.at(4.0, 0.0, CRUISES * TOP_MPS).since(begin)
    assert way.east_m == 0.0
    # Between half of what it coasted, and all of it.
    assert way.length_m == pytest.approx(0.75 * 3.0 * CRUISES * TOP_MPS)
    assert way.likely_m(0.0, 0.0, 1.0) == pytest.approx(0.25 * 3.0 * CRUISES * TOP_MPS)
    assert way.likely_m(0.0, 1.0, 0.0) == pytest.approx(ACROSS * way.length_m)
    assert way.unlikely_m > 0.0


@given(st.floats(0.0, math.tau), st.floats(-0.4, 0.4), st.sampled_from([0.05, 0.3, 0.45, 0.5]))
def test_a_way_unseen_is_as_long_and_as_sure_in_any_direction(
    turned: float, after: float, mps: float
) -> None:
    """A drive and the same one turned, after which it goes on a little to the side."""

    def way(course: float) -> Reckoned:
        added = Added()
        for number in range(6):
            begin = added.at(0.2 * number, mps * math.sin(course), mps * math.cos(course))
        aside = course + after
        return added.at(2.4, mps * math.sin(aside), mps * math.cos(aside)).since(begin)

    north, other = way(0.0), way(turned)
    sin, cos = math.sin(turned), math.cos(turned)
    assert other.east_m == pytest.approx(north.east_m * cos + north.north_m * sin, abs=1e-9)
    assert other.north_m == pytest.approx(north.north_m * cos - north.east_m * sin, abs=1e-9)
    assert other[6:] == pytest.approx(north[6:], abs=1e-9)
    for seen in (0.0, 0.7, 1.5, 2.2):
        off_m = other.likely_m(WAY_ERROR, math.sin(turned + seen), math.cos(turned + seen))
        assert off_m == pytest.approx(north.likely_m(WAY_ERROR, math.sin(seen), math.cos(seen)))


def test_what_a_slower_one_was_up_to_is_not_known() -> None:
    added = Added()
    slow_mps = 0.99 * CRUISES * TOP_MPS
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, slow_mps)
    way = added.at(4.0, 0.0, slow_mps).since(begin)
    assert way.north_m == pytest.approx(3.0 * slow_mps)
    assert way.east_m2 == way.north_m2 > 0.0
    assert way.both_m2 == 0.0
    # It may be up to the same again next time.
    assert way.unlikely_m == pytest.approx(math.sqrt(2.0 * way.east_m2))


def test_what_a_slower_one_was_up_to_is_no_farther_than_it_can_have_gone() -> None:
    added = Added(granted_mps=0.25)
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, 0.15)
    steady = added.at(4.0, 0.0, 0.15)
    assert steady.since(begin).unlikely_m == pytest.approx(3.0 * 0.15)
    # With 0.25 m/s granted it may have gone to and fro.
    slower = added.at(7.0, 0.0, 0.05)
    assert slower.since(steady).unlikely_m == pytest.approx(3.0 * 0.25 - 3.0 * 0.1)


def test_what_a_slower_one_was_up_to_goes_on_top_of_how_its_speed_changed() -> None:
    """Before 0.25 m/s north, after 0.25 m/s east: half of the change may be off."""
    added = Added()
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, 0.25)
    way = added.at(1.8, 0.25, 0.0).since(begin)
    changed_m = math.hypot(0.25, 0.25) / 2.0 * 0.8
    assert way.unlikely_m == pytest.approx(math.hypot(changed_m, swung_m(0.8)))


@pytest.mark.parametrize(("passed_s", "by_way"), [(0.8, False), (3.0, True)])
def test_at_worst_one_that_cruised_swung_out_and_no_farther_than_it_can_have_gone(
    passed_s: float, by_way: bool
) -> None:
    added = Added()
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, CRUISES * TOP_MPS)
    way = added.at(1.0 + passed_s, 0.0, CRUISES * TOP_MPS).since(begin)
    gone_m = max(way.length_m, TOP_MPS * passed_s - way.length_m)
    assert (gone_m < swung_m(passed_s)) is by_way
    assert way.unlikely_m == pytest.approx(min(gone_m, swung_m(passed_s)))


def test_a_turn_unseen_is_in_doubt_to_its_side() -> None:
    """Before 0.5 m/s north, after 0.5 m/s east: the way is the mean of both, and off as much."""
    added = Added()
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, 0.5)
    way = added.at(2.0, 0.5, 0.0).since(begin)
    assert way.east_m == pytest.approx(0.25)
    assert way.likely_m(0.0, 1.0, 0.0) >= 0.25


@pytest.mark.parametrize("steps", [STEPS, STEPS + 1])
def test_the_shortest_of_the_last_steps_is_the_period(steps: int) -> None:
    added = Added()
    added.at(0.0, 0.1)
    added.at(0.2, 0.1)
    for number in range(1, steps):
        added.at(0.2 + number, 0.1)
    assert added.reckoning.period_s == pytest.approx(0.2 if steps == STEPS else 1.0)
