"""Reckoning: speeds that no mower can have, and mowers that do not obey."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import (
    NOISE_MPS,
    OVER_MPS,
    Reckoned,
)
from tests.support.trusting import TRUST, Added

TOP_MPS = TRUST.top_mps
HARDEST_MPS2 = TRUST.hardest_mps2


@pytest.mark.parametrize("more_mps", [-0.001, 0.001])
@pytest.mark.parametrize("step_s", [0.1, 0.2, 1.0])
def test_a_speed_that_no_vehicle_can_have_come_to_is_not_believed(
    more_mps: float, step_s: float
) -> None:
    added = Added()
    for number in range(6):
        begin = added.at(step_s * number, 0.0, 0.4)
    change_mps = NOISE_MPS + HARDEST_MPS2 * step_s + more_mps
    way = added.at(6.0 * step_s, 0.0, 0.4 + change_mps).since(begin)
    assert added.reckoning.is_odd == (more_mps > 0.0)
    assert added.reckoning.is_told == (more_mps < 0.0)
    if more_mps > 0.0:
        assert way.north_m == pytest.approx(0.4 * step_s)


@given(st.floats(-200.0, 200.0), st.floats(-200.0, 200.0), st.sampled_from([0.1, 0.2, 1.0]))
def test_an_outlier_changes_nothing_of_where_the_mower_is(
    east_mps: float, north_mps: float, step_s: float
) -> None:
    """As soon as speeds are right again the way is as if no speed had been told there."""
    ways = []
    for outlier in ((None,), (east_mps, north_mps)):
        added = Added()
        for number in range(12):
            told = outlier if number == 8 else (0.3, 0.2)
            way = added.at(step_s * number, *told)
        if added.reckoning.is_odd or math.dist((east_mps, north_mps), (0.3, 0.2)) > (
            NOISE_MPS + HARDEST_MPS2 * step_s
        ):
            ways.append(way)
    if len(ways) == 2:
        assert ways[0] == ways[1]


def test_a_speed_that_is_told_twice_is_no_outlier() -> None:
    """A mower that is carried off, or a first speed that was wrong."""
    added = Added()
    for number in range(6):
        added.at(0.2 * number, 0.0, 0.4)
    added.at(1.2, 3.0, 0.0)
    assert added.reckoning.is_odd
    added.at(1.4, 3.1, 0.0)
    assert not added.reckoning.is_odd
    assert added.reckoning.blind_s == 0.0
    # An outlier of another kind is none that confirms it.
    added.at(1.6, -5.0, 0.0)
    added.at(1.8, 0.0, 9.0)
    assert added.reckoning.is_odd


@pytest.mark.parametrize(("more_mps", "held"), [(-0.001, True), (0.001, False)])
def test_a_mower_faster_than_its_grants_is_not_held_by_them(more_mps: float, held: bool) -> None:
    """Such as one that is pushed while its drive is off."""
    added = Added(granted_mps=0.0)
    for number in range(6):
        begin = added.at(0.2 * number, 0.0)
    mps = OVER_MPS + more_mps
    for number in range(6, 11):
        begin = added.at(0.2 * number, mps)
    way = added.at(3.0).since(begin)
    # Unseen, by its grants it comes to rest; else it may go at top speed.
    if held:
        assert way.error_m(0.0) <= mps
    else:
        assert way.error_m(0.0) >= min(mps, TRUST.speeding_up_mps2 / 2.0) - 1e-9


def test_one_that_its_grants_do_not_hold_may_have_gone_at_top_speed_unseen() -> None:
    """With the drive off, as far as is known; it is slow again when it is seen."""
    added = Added(granted_mps=0.0)
    for number in range(6):
        begin = added.at(0.2 * number, 0.0, OVER_MPS + 0.01)
    way = added.at(4.0, 0.0, 0.05).since(begin)
    assert way.length_m < 3.0 * TOP_MPS / 2.0
    assert way.unlikely_m == pytest.approx(3.0 * TOP_MPS - way.length_m)


def test_what_was_forgotten_begins_anew() -> None:
    added = Added()
    added.at(0.0, 0.4)
    added.at(0.2, 0.4)
    added.reckoning.forget()
    assert added.reckoning.way == Reckoned()
    assert added.reckoning.blind_s == math.inf
    assert added.reckoning.period_s == math.inf
