"""Trust: how it comes, how it goes, and when a sight is doubted."""

import itertools
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import Reckoned
from fenceguard.judgement.trust import CALM_S, HEIGHT_M, SpeedTold
from fenceguard.judgement.types import Trust
from fenceguard.judgement.usual import SPANS_S, WAITS_S, Usual
from tests.conftest import many
from tests.support.trusting import BOUND_M, TRUST, Watched, doubted, trusted

DOUBT_M = TRUST.doubt_m


# unknown: there was no sight yet


def test_at_first_nothing_vouches_for_the_position() -> None:
    one = Watched()
    assert one.trust.trust is Trust.UNKNOWN
    assert one.trust.reach(0.0, Reckoned()) is None
    assert not one.trust.strained
    assert one.loses() is Trust.UNKNOWN
    assert one.trust.reach(0.2, Reckoned()) is None


# unknown to trusted: the first sight after a start or a reset, with a speed


@pytest.mark.parametrize(
    ("speed", "state"),
    [
        (SpeedTold.TOLD, Trust.TRUSTED),
        (SpeedTold.NEVER, Trust.UNKNOWN),
        (SpeedTold.STOPPED, Trust.UNKNOWN),
    ],
)
def test_the_first_sight_is_trusted_with_a_speed(speed: SpeedTold, state: Trust) -> None:
    assert Watched().sees(speed=speed) is state


def test_a_sight_that_came_before_any_speed_counts_once_there_is_one() -> None:
    one = Watched()
    one.sees(speed=SpeedTold.NEVER)
    one.passes()
    assert one.sees() is Trust.TRUSTED


def test_a_first_sight_between_two_speeds_waits_for_the_next() -> None:
    """The way up to it is a guess, and would be held against the ways to come."""
    one = Watched()
    one.passes(plain_m=0.3)
    assert one.sees(reckoned=False) is Trust.UNKNOWN
    one.passes(plain_m=-0.3)
    assert one.sees(0.05) is Trust.TRUSTED
    one.passes()
    assert one.sees(-0.02) is Trust.TRUSTED


def test_after_a_reset_the_next_sight_is_trusted() -> None:
    one = doubted()
    one.trust.forget()
    assert one.trust.trust is Trust.UNKNOWN
    assert one.trust.reach(one.at_s, one.way) is None
    one.passes()
    assert one.sees(0.5) is Trust.TRUSTED
    assert one.goes_on(0.5) is Trust.TRUSTED


# trusted to unknown: no speed is told any more, or the reach is too wide


def test_without_a_speed_nothing_could_contradict() -> None:
    one = trusted()
    one.passes()
    assert one.sees(speed=SpeedTold.STOPPED, reckoned=False) is Trust.UNKNOWN
    # Told again, the reach vouches for the position still.
    one.passes()
    assert one.sees() is Trust.TRUSTED


def test_a_float_without_a_speed_is_unknown_as_well() -> None:
    one = trusted()
    one.passes()
    assert one.loses(SpeedTold.STOPPED) is Trust.UNKNOWN
    one.passes()
    assert one.loses() is Trust.TRUSTED


@pytest.mark.parametrize(("wide_m", "state"), [(-0.001, Trust.TRUSTED), (0.001, Trust.UNKNOWN)])
def test_a_loss_is_bridged_while_the_reach_is_narrow(wide_m: float, state: Trust) -> None:
    one = trusted()
    one.passes(plain_m=TRUST.reach_m - BOUND_M + wide_m)
    assert one.radius_m == pytest.approx(TRUST.reach_m + wide_m)
    assert one.loses() is state
    one.passes()
    assert one.sees() is state


def test_sights_that_go_on_are_trusted_however_wide_the_reach_between_them() -> None:
    one = trusted()
    one.passes(plain_m=50.0)
    assert one.sees() is Trust.TRUSTED


# unknown to trusted: sights that hold, and agree, for a time


def lost() -> Watched:
    """One that does not know any more where the mower is."""
    one = trusted()
    one.passes(60.0, plain_m=30.0)
    assert one.loses() is Trust.UNKNOWN
    return one


def test_sights_that_hold_for_a_time_are_trusted() -> None:
    one = lost()
    count = round(TRUST.held_s / 0.25)
    assert one.goes_on(9.0, times=count, passed_s=0.25) is Trust.UNKNOWN
    assert one.goes_on(9.0, times=1, passed_s=0.25) is Trust.TRUSTED


def test_only_time_while_they_lasted_counts() -> None:
    one = lost()
    for _ in range(9):
        assert one.goes_on(9.0, times=20, passed_s=0.05) is Trust.UNKNOWN
        one.passes(100.0)
        assert one.loses() is Trust.UNKNOWN
    # Nine times 0.95 s, and 1.2 s.
    assert one.goes_on(9.0, times=25, passed_s=0.05) is Trust.UNKNOWN
    assert one.goes_on(9.0, times=6, passed_s=0.05) is Trust.TRUSTED


@pytest.mark.parametrize("broken", [{"off_m": 9.0 + BOUND_M + 0.02}, {"reckoned": False}])
def test_sights_that_do_not_agree_begin_anew(broken: dict[str, Any]) -> None:
    one = lost()
    one.goes_on(9.0, times=40, passed_s=0.25)
    one.passes(0.25)
    one.sees(**{"off_m": 9.0, **broken})
    state = one.goes_on(broken.get("off_m", 9.0), times=1, passed_s=0.25)
    # What is a guess says nothing, either way.
    assert state is (Trust.UNKNOWN if "off_m" in broken else Trust.TRUSTED)


def test_so_much_unseen_between_two_sights_is_no_agreement() -> None:
    one = lost()
    one.goes_on(9.0, times=40, passed_s=0.25)
    one.passes(0.25, unlikely_m=TRUST.reach_m + 0.1)
    assert one.sees(9.0) is Trust.UNKNOWN
    assert one.goes_on(9.0, times=1, passed_s=0.25) is Trust.UNKNOWN


# any to doubted: a sight clearly out of reach


@pytest.mark.parametrize("more_m", [-0.001, 0.001])
@pytest.mark.parametrize("way_m", [0.0, 3.0])
@pytest.mark.parametrize("plain_m", [0.0, 0.4])
@pytest.mark.parametrize("passed_s", [0.2, 40.0])
def test_a_step_beyond_bound_reckoning_and_doubt_is_doubted(
    more_m: float, way_m: float, plain_m: float, passed_s: float
) -> None:
    """The worse bound, the share of the way, what it is off, and what may be doubted by noise."""
    one = Watched()
    one.sees()
    one.passes(passed_s, north_m=way_m, plain_m=plain_m)
    noise_m = max(BOUND_M, Usual().noise_m(passed_s))
    explained_m = noise_m + TRUST.way_error * way_m + plain_m
    state = one.sees(explained_m + DOUBT_M + more_m)
    assert state is (Trust.DOUBTED if more_m > 0.0 else Trust.TRUSTED)
    assert one.trust.excess.metres == pytest.approx(DOUBT_M + more_m)
    assert one.trust.excess.against == "step"
    assert one.trust.strained


@pytest.mark.parametrize("sides", [(0.05, 0.29), (0.29, 0.05), (0.1, 0.1)])
@pytest.mark.parametrize("more_m", [-0.001, 0.001])
def test_the_worse_of_both_bounds_holds_their_difference(
    sides: tuple[float, float], more_m: float
) -> None:
    one = Watched()
    one.sees(bound_m=sides[0])
    one.passes(0.2)
    state = one.sees(max(sides) + DOUBT_M + more_m, bound_m=sides[1])
    assert (state is Trust.DOUBTED) == (more_m > 0.0)


def test_what_is_not_likely_is_no_doubt_but_no_anchor_either() -> None:
    one = trusted()
    reach = one.trust.reach(one.at_s, one.way)
    one.passes()
    assert one.sees(BOUND_M + 0.01) is Trust.TRUSTED
    assert one.trust.strained
    assert one.trust.excess.likely_m == pytest.approx(0.01)
    assert one.trust.reach(one.at_s, one.way) == pytest.approx(reach)
    assert one.goes_on(0.0, times=1) is Trust.TRUSTED
    assert one.trust.strained
    assert one.goes_on(0.0, times=12) is Trust.TRUSTED
    assert not one.trust.strained


@pytest.mark.parametrize(("calm_s", "ends"), [(CALM_S - 0.2, False), (CALM_S, True)])
def test_a_strain_ends_once_the_position_has_been_back_in_reach_for_a_while(
    calm_s: float, ends: bool
) -> None:
    """Once is noise; and out of reach in between, it begins to count anew."""
    one = trusted()
    one.passes()
    one.sees(BOUND_M + 0.05)
    one.goes_on(0.0, times=8)
    one.goes_on(BOUND_M + 0.05, times=1)
    one.goes_on(0.0, times=1 + round(calm_s / 0.2))
    assert one.trust.strained is not ends


def test_noise_is_learned_as_the_mower_drives_and_not_at_rest() -> None:
    """At rest positions and speeds are calmer: common practice, no source."""
    for north_m, learned in ((0.0, False), (0.1, True)):
        one = Watched()
        one.goes_on(times=300, north_m=north_m)
        one.passes(30.0)
        assert (one.radius_m < Usual().noise_m(30.0)) is learned


@pytest.mark.parametrize("contradicts", [False, True])
def test_more_noise_than_usual_is_learned_once_nothing_has_contradicted(contradicts: bool) -> None:
    """0.07 m, of which the bound explains all; and 0.3 m once, of which it does not."""
    one = Watched()
    steps = round(WAITS_S / 0.2) + 30
    for step in range(steps):
        one.passes(north_m=0.1)
        one.sees(0.3 if contradicts and step == steps // 2 else 0.07 * (step % 2))
    one.passes(0.8)
    assert (one.radius_m > BOUND_M) is not contradicts


def test_what_is_possible_though_not_likely_is_no_doubt() -> None:
    one = trusted()
    one.passes(2.0, unlikely_m=1.0)
    assert one.sees(1.0) is Trust.TRUSTED
    assert one.trust.strained


@pytest.mark.parametrize("rate_mps", [0.03, 0.05])
@pytest.mark.parametrize("period_s", [0.1, 0.2, 1.0])
def test_a_drift_is_doubted_however_slow_its_steps(rate_mps: float, period_s: float) -> None:
    """No step is beyond the bound; over some horizon the way is."""
    one = trusted()
    for number in range(1, round(60.0 / period_s)):
        one.passes(period_s)
        one.sees(rate_mps * period_s * number)
        if one.trust.trust is Trust.DOUBTED:
            break
    assert one.trust.trust is Trust.DOUBTED
    assert one.trust.excess.against == "drift"
    assert rate_mps * period_s * number < 0.8


@given(st.floats(-10.0, 10.0), st.floats(0.0, 3.0), st.sampled_from([0.1, 0.2, 1.0]), st.booleans())
def test_any_step_beyond_all_that_explains_it_is_doubted_at_once(
    beyond_m: float, gap_s: float, period_s: float, silent: bool
) -> None:
    one = trusted()
    one.goes_on(times=20, passed_s=period_s)
    one.passes(gap_s + period_s, plain_m=0.1 * gap_s)
    if not silent:
        one.loses()
    sign = math.copysign(1.0, beyond_m)
    noise_m = max(BOUND_M, Usual().noise_m(gap_s + period_s + 1e-9))
    off_m = sign * (noise_m + 0.1 * gap_s + DOUBT_M + 1e-6 + abs(beyond_m))
    assert one.sees(off_m) is Trust.DOUBTED


def test_a_sight_between_two_speeds_does_not_doubt_but_the_next_told_one_does() -> None:
    one = trusted()
    one.passes()
    assert one.sees(0.5, reckoned=False) is Trust.TRUSTED
    assert one.trust.strained
    one.passes()
    assert one.sees(0.5) is Trust.DOUBTED


def test_from_unknown_it_is_doubted_as_well() -> None:
    one = trusted()
    one.passes(1.0, plain_m=3.0)
    assert one.loses() is Trust.UNKNOWN
    assert one.sees(3.0 + 0.4) is Trust.DOUBTED


@pytest.mark.parametrize(("more_m", "state"), [(-0.01, Trust.TRUSTED), (0.01, Trust.DOUBTED)])
@pytest.mark.parametrize("way_m", [0.0, 10.0])
def test_a_height_must_go_with_the_way(more_m: float, state: Trust, way_m: float) -> None:
    """By noise, and by the steepest slope along the way."""
    one = Watched()
    one.sees(altitude_m=40.0)
    one.passes(20.0, north_m=way_m)
    rise_m = HEIGHT_M + math.tan(math.radians(TRUST.slope_deg)) * way_m + DOUBT_M + more_m
    assert one.sees(altitude_m=40.0 + rise_m) is state
    assert one.trust.excess.against == "height"


def test_without_a_height_there_is_none_to_go_by() -> None:
    one = Watched()
    one.sees(altitude_m=40.0)
    one.passes()
    assert one.sees() is Trust.TRUSTED
    one.passes()
    assert one.sees(altitude_m=90.0) is Trust.TRUSTED


# The anchor and older ones


@pytest.mark.parametrize("period_s", [0.1, 0.2, 1.0])
def test_sights_are_held_against_older_ones_twice_as_far_apart_each(period_s: float) -> None:
    """Whenever it is, one of at least each span's age is kept, and none three times as old."""
    one = Watched()
    for number in range(round(260.0 / period_s)):
        one.passes(period_s)
        ages_s = [one.at_s - kept.at_s for kept in one.trust._older if kept is not None]
        one.sees()
        if number * period_s < 160.0:
            continue
        assert len(ages_s) == len(SPANS_S)
        for age_s, span_s in zip(ages_s[1:], SPANS_S[1:], strict=True):
            assert span_s <= age_s + 1e-9 <= 3.0 * span_s + 2.0 * period_s
        assert ages_s[0] <= 2.0 + 2.0 * period_s
        assert all(a <= b for a, b in itertools.pairwise(ages_s))


@given(st.lists(st.tuples(st.floats(0.05, 2.0), st.floats(-0.02, 0.02)), min_size=1, max_size=80))
@settings(max_examples=many(0.5))
def test_errors_well_inside_the_bound_are_never_doubted(steps: list[tuple[float, float]]) -> None:
    one = Watched()
    one.sees()
    for passed_s, off_m in steps:
        one.passes(passed_s, east_m=0.3 * passed_s)
        assert one.sees(off_m) is Trust.TRUSTED
        assert not one.trust.strained


# The reach


@given(
    st.lists(
        st.tuples(st.floats(0.0, 50.0), st.floats(0.0, 2.0), st.floats(0.0, 1.0), st.booleans()),
        max_size=30,
    ),
    st.lists(st.floats(0.0, 0.06), max_size=60),
)
def test_the_reach_never_narrows_without_a_sight(
    steps: list[tuple[float, float, float, bool]], noise: list[float]
) -> None:
    one = Watched()
    for off_m in noise:
        one.passes()
        one.sees(off_m)
    one.sees()
    radius_m = one.radius_m
    for passed_s, way_m, plain_m, hears in steps:
        one.passes(passed_s, north_m=way_m, plain_m=plain_m)
        if hears:
            one.loses()
        assert one.radius_m >= radius_m - 1e-9
        radius_m = one.radius_m


def test_a_strain_is_forgotten_once_so_much_was_not_seen_that_nothing_contradicts() -> None:
    one = trusted()
    one.passes()
    assert one.sees(BOUND_M + 0.05) is Trust.TRUSTED
    assert one.trust.strained
    one.passes(5.0, plain_m=TRUST.reach_m + 0.01)
    assert one.goes_on(BOUND_M + 0.05, times=1) is Trust.TRUSTED
    assert not one.trust.strained


@pytest.mark.parametrize("east_m", [math.inf, -math.inf, math.nan])
def test_a_way_that_is_no_number_explains_nothing_until_a_reset(east_m: float) -> None:
    one = trusted()
    one.way = one.way._replace(east_m=east_m)
    for _ in range(20):
        one.passes()
        assert one.sees() is Trust.DOUBTED
    one.trust.forget()
    one.way = Reckoned()
    one.passes()
    assert one.sees() is Trust.TRUSTED


def test_a_strain_is_not_forgotten_while_it_is_seen_on_and_on() -> None:
    """Each step is known well; only all of them since the anchor are not."""
    one = trusted()
    one.passes()
    one.sees(BOUND_M + 0.05)
    for _ in range(10):
        one.passes(plain_m=TRUST.reach_m / 5.0)
        one.sees(BOUND_M + 0.05)
        assert one.trust.strained


@pytest.mark.parametrize(("passed_s", "eased_m"), [(0.99, 0.03), (1.01, 0.0)])
def test_errors_of_what_was_seen_ease_a_strain(passed_s: float, eased_m: float) -> None:
    """From one sight to the next within a second the mower was seen."""
    one = trusted()
    one.passes()
    one.sees(BOUND_M + 0.05)
    one.passes(passed_s, east_m2=0.03**2)
    one.sees(BOUND_M + 0.05)
    assert one.trust.strained
    assert one.trust.excess.likely_m == pytest.approx(0.05 - eased_m)


def test_time_does_not_ease_a_strain() -> None:
    """What was a little out of reach stays so, however long it lasts and whatever is unseen."""
    one = trusted()
    one.passes()
    one.sees(BOUND_M + 0.05)
    excess_m = one.trust.excess.likely_m
    for _ in range(200):
        one.passes(1.0, unlikely_m=0.001)
        one.sees(BOUND_M + 0.05)
        assert one.trust.strained
        assert one.trust.excess.likely_m == pytest.approx(excess_m)
