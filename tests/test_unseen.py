"""How far a mower may have driven unseen, by its grants and what speed told."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import RESTING_MPS, Reckoning, Unseen, Velocity
from tests.support.trusting import TRUST

TOP_MPS = TRUST.top_mps


def unseen(granted_mps: float, for_s: float = 10.0) -> Unseen:
    """From standing for long, with a grant since."""
    one = Unseen(TRUST)
    one.begin(0.0)
    one.go_on(100.0)
    one.granted(granted_mps)
    one.go_on(100.0 + for_s)
    return one


def test_what_was_driven_before_the_beginning_may_have_been_at_top_speed() -> None:
    one = Unseen(TRUST)
    one.begin(5.0)
    assert one.allowed_mps == TOP_MPS
    one.go_on(5.0 + TRUST.reaction_s)
    assert one.way_m == pytest.approx(TOP_MPS * TRUST.reaction_s)


@pytest.mark.parametrize("ticks", [1, 10, 1000])
def test_once_the_drive_is_off_it_comes_to_rest_and_goes_nowhere(ticks: int) -> None:
    """v (reaction + tick) + v² / 2a at most, however long it lasts after that; v²/2a: braking."""
    one, now_s = unseen(TOP_MPS), 110.0
    before_m, before_s = one.way_m, one.moving_s
    one.granted(0.0)
    for _ in range(ticks):
        now_s += 10.0 / ticks
        one.go_on(now_s)
    rests_s = TRUST.reaction_s + TOP_MPS / TRUST.braking_mps2
    braking_m = TOP_MPS * TRUST.reaction_s + TOP_MPS**2 / 2.0 / TRUST.braking_mps2
    assert one.way_m - before_m >= braking_m - 1e-9
    assert one.way_m - before_m <= braking_m + TOP_MPS * 10.0 / ticks
    assert rests_s - 1e-9 <= one.moving_s - before_s <= rests_s + 20.0 / ticks
    way_m = one.way_m
    one.go_on(now_s + 1e6)
    one.go_on(now_s + 2e6)
    assert one.allowed_mps == 0.0
    if ticks > 1:
        assert one.way_m == way_m


def test_slowed_it_comes_down_as_fast_as_it_speeds_up() -> None:
    one = unseen(TOP_MPS)
    one.granted(0.25)
    one.go_on(110.0 + TRUST.reaction_s)
    assert one.allowed_mps == TOP_MPS
    one.go_on(110.0 + TRUST.reaction_s + 0.2)
    assert one.allowed_mps == pytest.approx(TOP_MPS - 0.2 * TRUST.speeding_up_mps2)
    one.go_on(120.0)
    assert one.allowed_mps == 0.25
    one.granted(TOP_MPS)
    assert one.allowed_mps == TOP_MPS


def test_a_mower_that_is_told_to_be_faster_is_held_to_that() -> None:
    one = unseen(0.25)
    way_m = one.way_m
    one.driven(1.4)
    one.go_on(110.5)
    assert one.way_m - way_m == pytest.approx(0.7)
    assert one.allowed_mps == 0.25
    assert one.coasted_m == pytest.approx(0.7)
    assert one.granted_before_mps == 0.25


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["on", "on", "grant", "told"]),
            st.sampled_from([0.0, 0.1, 0.25, 0.5, 2.0]),
        ),
        max_size=60,
    )
)
def test_it_only_ever_grows(moves: list[tuple[str, float]]) -> None:
    one, now_s = Unseen(TRUST), 0.0
    one.begin(0.0)
    for what, value in moves:
        before = one.way_m, one.moving_s
        if what == "on":
            now_s += value
            one.go_on(now_s)
        elif what == "grant":
            one.granted(value)
        else:
            one.driven(value)
        assert (one.way_m, one.moving_s) >= before
        assert one.way_m >= before[0]


# At rest


@pytest.mark.parametrize(
    ("mps", "rests", "way_m"),
    [
        (RESTING_MPS - 0.001, True, 0.0),
        (RESTING_MPS, True, RESTING_MPS),
        (RESTING_MPS - 0.001, False, RESTING_MPS - 0.001),
    ],
)
def test_a_slow_speed_of_a_mower_at_rest_is_no_way(mps: float, rests: bool, way_m: float) -> None:
    reckoning = Reckoning(TRUST)
    reckoning.unseen.begin(0.0)
    reckoning.unseen.granted(0.0 if rests else TOP_MPS)
    for step in range(301):
        at_s = step / 5.0
        reckoning.unseen.go_on(at_s)
        reckoning.hear(at_s, Velocity(at_s, mps, 0.0, 0.0))
        if step == 250:
            before = reckoning.way
    assert reckoning.way.since(before).east_m == pytest.approx(10.0 * way_m)
