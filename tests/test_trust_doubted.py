"""Trust: when a doubt ends, and when it does not."""

from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fenceguard.judgement.trust import HEIGHT_M, KEPT_FIXES
from fenceguard.judgement.types import Trust
from fenceguard.judgement.usual import NOISE_M, TIMES, Usual
from tests.support.trusting import BOUND_M, TRUST, Watched, doubted, trusted

DOUBT_M = TRUST.doubt_m


# doubted to trusted: a sight back in reach


@pytest.mark.parametrize(("off_m", "state"), [(-0.001, Trust.TRUSTED), (0.001, Trust.DOUBTED)])
def test_a_sight_back_in_reach_ends_the_doubt(off_m: float, state: Trust) -> None:
    one = doubted()
    one.goes_on(0.5, times=50)
    one.passes()
    assert one.sees(max(BOUND_M, TIMES * NOISE_M) + off_m) is state
    assert one.trust.strained == (state is Trust.DOUBTED)


def test_a_sight_between_two_speeds_does_not_end_it() -> None:
    one = doubted()
    one.passes()
    assert one.sees(0.0, reckoned=False) is Trust.DOUBTED
    one.passes()
    assert one.sees(0.0) is Trust.TRUSTED


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["sees", "loses", "silent"]),
            st.floats(0.0, 1e4),
            st.floats(0.0, 5.0),
            st.floats(0.0, 5.0),
        ),
        max_size=40,
    ),
    st.floats(0.35, 3.0),
)
def test_neither_time_nor_what_is_not_seen_ends_a_doubt(
    moves: list[tuple[str, float, float, float]], off_m: float
) -> None:
    """Whatever may have been driven unseen; there are fewer fixes after losses than it takes."""
    one, losses = doubted(off_m), 0
    for what, passed_s, plain_m, unlikely_m in moves:
        one.passes(passed_s, plain_m=plain_m, unlikely_m=unlikely_m)
        if what == "loses" and losses < TRUST.fixes - 1:
            one.loses()
            losses += 1
        elif what == "sees":
            one.sees(off_m)
        assert one.trust.trust is Trust.DOUBTED
    reach = one.trust.reach(one.at_s, one.way)
    assert reach is not None and reach.place == (0.0, 0.0)


def test_the_reach_of_a_doubt_moves_with_the_mower() -> None:
    one = doubted()
    one.goes_on(0.5, times=10, east_m=0.1, north_m=-0.05)
    reach = one.trust.reach(one.at_s, one.way)
    assert reach is not None
    assert reach.place == pytest.approx((1.0, -0.5))
    assert one.goes_on(0.0, times=1, east_m=0.1) is Trust.TRUSTED


def test_what_was_possible_when_it_began_is_no_excess_later_either() -> None:
    one = trusted()
    one.passes(unlikely_m=0.2)
    assert one.sees(BOUND_M + 1.0) is Trust.DOUBTED
    for _ in range(3):
        assert one.trust.excess.metres == pytest.approx(0.8)
        assert one.trust.excess.likely_m == pytest.approx(1.0)
        assert one.goes_on(BOUND_M + 1.0, unlikely_m=0.1) is Trust.DOUBTED


def test_a_reach_that_is_too_wide_takes_nothing_back() -> None:
    one = doubted()
    one.passes(1.0, plain_m=TRUST.reach_m)
    assert one.sees(0.0) is Trust.DOUBTED


# doubted to trusted: several fixes, each after a loss of its own and apart in time


def fix_again(one: Watched, off_m: float, apart_s: float, **sight: Any) -> Trust:
    """A loss, and a sight after it."""
    one.passes(apart_s / 2.0)
    one.loses()
    one.passes(apart_s / 2.0)
    return one.sees(off_m, **sight)


@pytest.mark.parametrize("fixes", [2, 3, 5])
def test_fixes_that_agree_end_the_doubt_and_not_fewer(fixes: int) -> None:
    one = doubted(fixes=fixes)
    for _ in range(fixes - 1):
        assert fix_again(one, 0.5, TRUST.fixes_apart_s) is Trust.DOUBTED
    assert fix_again(one, 0.5, TRUST.fixes_apart_s) is Trust.TRUSTED
    assert not one.trust.strained
    assert one.goes_on(0.5) is Trust.TRUSTED
    # What was believed before is out of reach now.
    assert one.goes_on(0.0, times=1) is Trust.DOUBTED


@pytest.mark.parametrize(("short_s", "state"), [(0.0, Trust.TRUSTED), (0.1, Trust.DOUBTED)])
def test_they_must_be_apart_in_time(short_s: float, state: Trust) -> None:
    one = doubted()
    for _ in range(TRUST.fixes):
        found = fix_again(one, 0.5, TRUST.fixes_apart_s - short_s)
    assert found is state


def test_each_needs_a_loss_of_its_own() -> None:
    one = doubted()
    fix_again(one, 0.5, 20.0)
    assert one.goes_on(0.5, times=500) is Trust.DOUBTED
    assert fix_again(one, 0.5, 20.0) is Trust.DOUBTED
    assert one.goes_on(0.5, times=500) is Trust.DOUBTED
    assert fix_again(one, 0.5, 20.0) is Trust.TRUSTED


@pytest.mark.parametrize(("more_m", "state"), [(-0.001, Trust.TRUSTED), (0.001, Trust.DOUBTED)])
def test_fixes_that_do_not_agree_do_not_count(more_m: float, state: Trust) -> None:
    one = doubted(5.0)
    noise_m = Usual().noise_m(20.0)
    fix_again(one, 5.0, 20.0)
    fix_again(one, 5.0, 20.0)
    far_m = noise_m + DOUBT_M + more_m
    # Two of them lie nearer to it by their age, and none does.
    found = fix_again(one, 5.0 + far_m, 20.0, bound_m=noise_m)
    assert found is (Trust.DOUBTED if more_m > 0.0 else Trust.TRUSTED)


def test_what_may_have_been_driven_unseen_is_no_agreement() -> None:
    """Fixes metres apart that only a way which nobody saw could join."""
    one = doubted(30.0)
    for number in range(6):
        one.passes(10.0, unlikely_m=5.0, plain_m=5.0)
        one.loses()
        one.passes(10.0)
        assert one.sees(30.0 + 4.0 * (number % 2)) is Trust.DOUBTED


def test_a_fix_whose_way_is_a_guess_is_none_of_them() -> None:
    one = doubted()
    for _ in range(5):
        assert fix_again(one, 0.5, 20.0, reckoned=False) is Trust.DOUBTED


@pytest.mark.parametrize("wrong", [KEPT_FIXES - 3, KEPT_FIXES])
def test_wrong_fixes_in_between_do_not_hinder_but_old_ones_are_forgotten(wrong: int) -> None:
    one = doubted(2.0)
    fix_again(one, 2.0, 20.0)
    fix_again(one, 2.0, 20.0)
    for number in range(wrong):
        assert fix_again(one, 5.0 + 2.0 * number, 20.0) is Trust.DOUBTED
    state = fix_again(one, 2.0, 20.0)
    assert state is (Trust.TRUSTED if wrong < KEPT_FIXES else Trust.DOUBTED)


# A height that contradicts


@pytest.mark.parametrize("what", ["plain_m", "unlikely_m"])
@given(st.floats(0.0, 1e4), st.floats(0.0, 1.8), st.floats(0.201, 1.0))
@example(60.0, 1.6, 0.21)
def test_a_height_out_of_reach_is_not_explained_by_what_is_not_seen(
    what: str, passed_s: float, unseen_m: float, beyond_m: float
) -> None:
    """By a slope that the mower may have gone up, as its reach is narrow still."""
    one = Watched()
    one.sees(altitude_m=40.0)
    one.passes()
    high_m = 40.0 + HEIGHT_M + beyond_m
    assert one.sees(altitude_m=high_m) is Trust.DOUBTED
    one.passes(passed_s, **{what: unseen_m})
    assert one.sees(altitude_m=high_m) is Trust.DOUBTED


def test_a_height_that_is_back_ends_the_doubt() -> None:
    one = Watched()
    one.sees(altitude_m=40.0)
    one.passes()
    assert one.sees(altitude_m=43.0) is Trust.DOUBTED
    assert one.trust.excess.against == "height"
    one.passes()
    assert one.sees(altitude_m=40.1) is Trust.TRUSTED
