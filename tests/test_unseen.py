"""How far a mower may have driven unseen, by its grants and what speed told."""

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import RESTING_MPS, SPEED_NOISE_MPS, Reckoning, Unseen, Velocity
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


@pytest.mark.parametrize("granted_mps", [0.0, 0.25])
def test_to_be_granted_the_same_again_delays_nothing(granted_mps: float) -> None:
    once, again = unseen(TOP_MPS), unseen(TOP_MPS)
    once.granted(granted_mps)
    for tick in range(50):
        again.granted(granted_mps)
        once.go_on(110.1 + 0.1 * tick)
        again.go_on(110.1 + 0.1 * tick)
    assert again.allowed_mps == once.allowed_mps == granted_mps
    assert again.way_m == once.way_m


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


@pytest.mark.parametrize("told_mps", [0.0, 0.2])
def test_from_the_speed_that_was_told_it_can_only_speed_up(told_mps: float) -> None:
    """v t + a t²/2, from the noise of the speed more; a from the settings, to the granted speed."""
    one, now_s = unseen(TOP_MPS), 110.0
    one.driven(told_mps)
    before_m, from_mps = one.way_m, told_mps + SPEED_NOISE_MPS
    for _ in range(50):
        now_s += 0.01
        one.go_on(now_s)
    way_m = from_mps * 0.5 + TRUST.speeding_up_mps2 * 0.125
    assert one.way_m - before_m == pytest.approx(way_m, rel=0.02)
    one.go_on(now_s + 5.0)
    before_m = one.way_m
    one.go_on(now_s + 6.0)
    assert one.way_m - before_m == pytest.approx(TOP_MPS)


def test_where_it_is_told_to_stand_with_its_drive_off_it_does() -> None:
    one = unseen(0.0)
    one.go_on(130.0)
    one.driven(0.0)
    before_m, before_s = one.way_m, one.moving_s
    one.go_on(200.0)
    assert (one.way_m, one.moving_s) == (before_m, before_s)


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
        (RESTING_MPS + 0.001, True, RESTING_MPS + 0.001),
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


def at_rest() -> tuple[Reckoning, float]:
    """A mower whose drive has been off for a while, and the time."""
    reckoning = Reckoning(TRUST)
    reckoning.unseen.begin(0.0)
    for step in range(100):
        reckoning.unseen.go_on(step / 5.0)
        reckoning.hear(step / 5.0, Velocity(step / 5.0, 0.0, 0.0, 0.0))
    return reckoning, 19.8


@given(st.integers(0, 1000), st.sampled_from([0.02, 0.05]))
def test_the_noise_of_a_mower_at_rest_adds_up_to_nothing(seed: int, noise_mps: float) -> None:
    """Of 5 cm/s for each component one epoch in eight tells more than 10 cm/s (Rayleigh)."""
    reckoning, now_s = at_rest()
    random, before = Random(seed), reckoning.way
    for step in range(1, 300):
        told = random.gauss(0.0, noise_mps), random.gauss(0.0, noise_mps)
        at_s = now_s + step / 5.0
        reckoning.unseen.go_on(at_s)
        reckoning.hear(at_s, Velocity(at_s, *told, 0.0))
    since = reckoning.way.since(before)
    assert math.hypot(since.east_m, since.north_m) < 0.05


@pytest.mark.parametrize(("mps", "lost_m"), [(0.15, 0.2), (0.4, 0.05)])
def test_pushed_by_hand_it_moves(mps: float, lost_m: float) -> None:
    """A slow push takes a second to show."""
    reckoning, now_s = at_rest()
    before = reckoning.way
    for step in range(1, 51):
        reckoning.unseen.go_on(now_s + step / 5.0)
        reckoning.hear(now_s + step / 5.0, Velocity(now_s + step / 5.0, mps, 0.0, 0.0))
    assert 10.0 * mps - lost_m <= reckoning.way.since(before).east_m <= 10.0 * mps
