"""The bound, against the table of the Rayleigh distribution and against scipy."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, rayleigh

from fenceguard.judgement.bound import DOUBLES_S, MOST_DOUBLED, Bounds, radius_per_sigma, stated_m
from fenceguard.judgement.parameters import BoundParameters
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings.models import BoundSettings


def settings(**given: Any) -> BoundParameters:
    return BoundSettings.model_validate(given).parameters()


def bound_m(given: Epoch, parameters: BoundParameters) -> float | None:
    bound = Bounds(parameters).hear(0.0, given)
    return None if bound is None else bound.radius_m


def sigma_m(given: Epoch, parameters: BoundParameters) -> float | None:
    return Bounds(parameters).sigma_m(0.0, given)


def epoch(quality: int | None = 4, **given: Any) -> Epoch:
    return Epoch(1e9, 50.0, 10.0, quality=quality, **given)


@pytest.mark.parametrize(
    ("probability", "factor"),
    [
        (0.50, 1.1774),
        (0.95, 2.4477),
        (0.9817, 2.8284),
        (0.99, 3.0349),
        (0.999999, 5.2565),
        (0.9999999, 5.6777),
    ],
)
def test_rayleigh_table(probability: float, factor: float) -> None:
    """Rayleigh distribution, r = σ sqrt(-2 ln(1 - p)): CEP, R95, 2DRMS and on."""
    assert radius_per_sigma(probability) == pytest.approx(factor, abs=5e-4)


@given(st.floats(0.01, 0.9999999))
def test_equals_scipy(probability: float) -> None:
    """scipy.stats.rayleigh, and chi-square with two degrees of freedom."""
    factor = radius_per_sigma(probability)
    assert factor == pytest.approx(rayleigh.ppf(probability), rel=1e-6)
    assert factor**2 == pytest.approx(chi2.ppf(probability, 2), rel=1e-6)


def test_sigma_by_preference() -> None:
    both = epoch(sigma_major_m=0.03, sigma_lat_m=0.02, sigma_lon_m=0.02)
    assert sigma_m(both, settings()) == 0.03
    axes = epoch(sigma_lat_m=0.03, sigma_lon_m=0.04)
    assert sigma_m(axes, settings()) == pytest.approx(0.05)
    # A single axis says nothing of the other one.
    assert sigma_m(epoch(sigma_lat_m=0.03), settings()) == 0.03
    assert sigma_m(epoch(sigma_lon_m=0.01), settings()) == 0.02
    assert stated_m(epoch(sigma_lon_m=0.01)) is None
    assert sigma_m(epoch(), settings()) == 0.02


def test_the_ellipse_is_not_believed_against_the_axes() -> None:
    """Some receivers fill ellipse fields that they do not know with 0 (from memory, no source)."""
    zeros = epoch(sigma_major_m=0.0, sigma_lat_m=5.0, sigma_lon_m=5.0)
    assert sigma_m(zeros, settings()) == pytest.approx(5.0 * math.sqrt(2.0))
    assert sigma_m(epoch(sigma_major_m=4.0, sigma_lat_m=5.0, sigma_lon_m=1.0), settings()) == 5.0
    nothing = epoch(sigma_major_m=0.0, sigma_lat_m=0.0, sigma_lon_m=0.0)
    assert sigma_m(nothing, settings()) == 0.02
    assert sigma_m(epoch(sigma_major_m=0.0, sigma_lat_m=5.0), settings()) == 5.0


SIGMAS = st.one_of(st.none(), st.floats(0.0, 10.0))


@given(SIGMAS, SIGMAS, SIGMAS)
def test_it_does_not_matter_which_axis_is_the_worse(
    major_m: float | None, a_m: float | None, b_m: float | None
) -> None:
    given = epoch(sigma_major_m=major_m, sigma_lat_m=a_m, sigma_lon_m=b_m)
    swapped = given._replace(sigma_lat_m=b_m, sigma_lon_m=a_m)
    assert sigma_m(given, settings()) == sigma_m(swapped, settings())


@pytest.mark.parametrize(
    ("quality", "default"), [(1, 3.0), (2, 1.0), (3, 1.0), (4, 0.02), (5, 0.5)]
)
def test_default_for_each_quality(quality: int, default: float) -> None:
    assert sigma_m(epoch(quality), settings()) == default


@pytest.mark.parametrize("quality", [0, 6, 7, 8, 9, None])
def test_nothing_is_believed_without_satellites(quality: int | None) -> None:
    assert bound_m(epoch(quality, sigma_major_m=0.01), settings()) is None


def test_the_default_grows_with_hdop_and_a_stated_sigma_does_not() -> None:
    assert sigma_m(epoch(hdop=1.5), settings()) == pytest.approx(0.03)
    assert sigma_m(epoch(sigma_major_m=0.03, hdop=1.5), settings()) == 0.03


@pytest.mark.parametrize("quality", [1, 2, 3, 4, 5])
def test_the_bound_is_never_below_the_floor_of_its_quality(quality: int) -> None:
    name = ("single", "differential", "pps", "fixed", "float")[quality - 1]
    given = settings(floor_m={name: 0.37}, least_sigma_m={name: 0.001})
    least_m = 0.37 + 4.2919 * given.optimism[name] * 0.001
    assert bound_m(epoch(quality, sigma_major_m=1e-9), given) == pytest.approx(least_m, abs=1e-6)


def test_optimism_scales_the_sigma() -> None:
    given = settings(optimism={"fixed": 3.0}, floor_m={"fixed": 0.0})
    assert bound_m(epoch(sigma_major_m=0.01), given) == pytest.approx(0.03 * 4.2919, abs=1e-5)


PUBLISHED = [
    (1.0, 0.015, 0.0),
    (10.0, 0.021, 0.006),
    (20.0, 0.031, 0.010),
    (30.0, 0.041, 0.018),
    (35.0, 0.046, 0.028),
    (40.0, 0.058, 0.036),
]
"""Age of the corrections in s, reported vertical sigma and vertical movement in m: Lefebure,
"Effects of RTK correction data age on accuracy". The plane is better than the height."""


@pytest.mark.parametrize(("age_s", "reported_m", "moved_m"), PUBLISHED)
def test_the_bound_covers_what_was_measured_without_corrections(
    age_s: float, reported_m: float, moved_m: float
) -> None:
    given = settings()
    fresh, stale = (bound_m(epoch(sigma_major_m=0.015, age_s=a), given) for a in (1.0, age_s))
    assert fresh is not None and stale is not None
    assert stale - fresh >= moved_m
    # The growth of sigma that was reported is in the rate, without optimism or floor.
    grown_m = given.age_rate_mps * max(0.0, age_s - given.age_fresh_s)
    assert math.hypot(0.015, grown_m) >= reported_m


@given(st.floats(0.0, 120.0), st.floats(0.0, 120.0))
def test_older_corrections_never_give_a_smaller_bound(a: float, b: float) -> None:
    young, old = (bound_m(epoch(age_s=age_s), settings()) for age_s in sorted([a, b]))
    assert young is not None and old is not None and young <= old


def test_an_age_that_is_no_number_gives_no_number() -> None:
    bound = bound_m(epoch(age_s=math.nan), settings())
    assert bound is not None and math.isnan(bound)


@pytest.mark.parametrize("age_s", [None, 0.0])
def test_without_an_age_nothing_is_stale(age_s: float | None) -> None:
    without = settings(age_rate_mps=0.0)
    assert bound_m(epoch(age_s=age_s), settings(age_fresh_s=0.0)) == bound_m(epoch(), without)


def test_a_default_can_be_changed_alone() -> None:
    changed = settings(sigma_m={"float": 0.8})
    assert sigma_m(epoch(5), changed) == 0.8
    assert sigma_m(epoch(4), changed) == 0.02


def test_before_the_fix_the_bound_is_as_large_as_the_receiver_says() -> None:
    """Some receivers send a σ of several hundred kilometres before a fix (common practice)."""
    bound = bound_m(epoch(1, sigma_lat_m=300e3, sigma_lon_m=300e3), settings())
    assert bound is not None and bound > 1e6


@given(st.floats(1e-9, 1e6), st.floats(1e-9, 1e6))
def test_more_error_never_gives_a_smaller_bound(a: float, b: float) -> None:
    """From above 0, which says nothing."""
    small, large = sorted([a, b])
    bounds = [bound_m(epoch(sigma_major_m=sigma), settings()) for sigma in (small, large)]
    assert bounds[0] is not None and bounds[1] is not None and bounds[0] <= bounds[1]


def test_the_default_at_the_default_probability() -> None:
    factor = math.sqrt(-2 * math.log(1e-4))
    assert bound_m(epoch(), settings()) == pytest.approx(factor * 1.2 * 0.02 + 0.01)


@given(
    st.floats(0.0, 100.0),
    st.floats(0.0, 200.0),
    st.sampled_from([1, 2, 3, 4, 5]),
    st.floats(0.0, 0.5),
    st.sampled_from([0.0001852, 0.01852, 1.852]),
)
def test_its_parts_give_its_radius(
    sigma: float, age_s: float, quality: int, tilt_m: float, digit_m: float
) -> None:
    """The formula of the docstring, from the parts alone, and each part from its setting."""
    given = settings(optimism={"float": 2.5}, floor_m={"single": 0.8})
    heard = epoch(quality, sigma_major_m=sigma, age_s=age_s, digit_m=digit_m)
    bound = Bounds(given).hear(0.0, heard, tilt_m)
    assert bound is not None
    spread_m = math.sqrt((bound.optimism * bound.sigma_m) ** 2 + bound.age_m**2)
    on_top_m = bound.floor_m + bound.rounding_m + bound.tilt_m
    assert bound.radius_m == pytest.approx(bound.per_sigma * spread_m + on_top_m, rel=1e-9)
    assert bound.tilt_m == tilt_m
    assert bound.rounding_m == pytest.approx(math.hypot(digit_m / 2.0, digit_m / 2.0))
    assert (bound.unexplained_m, bound.reach_m) == (0.0, 0.0)
    name = ("single", "differential", "pps", "fixed", "float")[quality - 1]
    assert bound.sigma_m == sigma_m(heard, given)
    assert (bound.optimism, bound.floor_m) == (given.optimism[name], given.floor_m[name])
    assert bound.age_m == pytest.approx(given.age_rate_mps * max(0.0, age_s - 1.0))
    assert bound.per_sigma == pytest.approx(rayleigh.ppf(given.probability), rel=1e-6)


@pytest.mark.parametrize("part", ["sigma_m", "least_sigma_m", "optimism", "floor_m"])
def test_a_solution_that_lacks_a_part_has_no_bound(part: str) -> None:
    given = settings()
    values = getattr(given, part)
    without: Any = {part: {name: values[name] for name in values if name != "fixed"}}
    assert bound_m(epoch(4), given._replace(**without)) is None
    assert bound_m(epoch(5), given._replace(**without)) is not None


# What shrinks a bound is not believed


@pytest.mark.parametrize(("hdop", "times"), [(None, 1.0), (0.0, 1.0), (0.5, 1.0), (0.999, 1.0)])
def test_an_hdop_below_1_makes_no_default_smaller(hdop: float | None, times: float) -> None:
    assert sigma_m(epoch(hdop=hdop), settings()) == 0.02 * times


@given(st.floats(1.0, 1e4))
def test_from_1_on_hdop_counts(hdop: float) -> None:
    assert sigma_m(epoch(hdop=hdop), settings()) == pytest.approx(0.02 * hdop)


@pytest.mark.parametrize("quality", [1, 2, 3, 4, 5])
@given(told_m=st.floats(1e-9, 10.0))
def test_no_sigma_counts_as_less_than_the_least(quality: int, told_m: float) -> None:
    given = settings()
    name = ("single", "differential", "pps", "fixed", "float")[quality - 1]
    expected = max(told_m, given.least_sigma_m[name])
    assert sigma_m(epoch(quality, sigma_major_m=told_m), given) == expected


def test_the_least_counts_for_what_is_not_stated_either() -> None:
    assert sigma_m(epoch(), settings(least_sigma_m={"fixed": 0.07})) == 0.07


# σ that stays away


@given(
    told_m=st.floats(0.01, 5.0),
    away_s=st.lists(st.floats(0.0, 200.0), min_size=1, max_size=20).map(sorted),
)
def test_a_sigma_that_stays_away_grows_and_never_shrinks(
    told_m: float, away_s: list[float]
) -> None:
    bounds = Bounds(settings())
    last_m = bounds.sigma_m(100.0, epoch(sigma_major_m=told_m))
    assert last_m == told_m
    for passed_s in away_s:
        sigma = bounds.sigma_m(100.0 + passed_s, epoch())
        assert sigma is not None and sigma >= last_m
        # Twice as much after each DOUBLES_S, but no less than where nothing was ever stated.
        expected_m = max(0.01, told_m * 2.0 ** min(passed_s / DOUBLES_S, MOST_DOUBLED))
        assert sigma == pytest.approx(expected_m)
        last_m = sigma


def test_a_sigma_that_is_stated_again_counts_at_once() -> None:
    bounds = Bounds(settings())
    bounds.sigma_m(0.0, epoch(sigma_major_m=0.3))
    assert bounds.sigma_m(5.0, epoch()) == pytest.approx(0.6)
    assert bounds.sigma_m(5.2, epoch(sigma_major_m=0.03)) == 0.03
    assert bounds.sigma_m(10.2, epoch()) == pytest.approx(0.06)


def test_each_solution_has_a_sigma_of_its_own() -> None:
    bounds = Bounds(settings())
    bounds.sigma_m(0.0, epoch(4, sigma_major_m=0.2))
    bounds.sigma_m(0.0, epoch(5, sigma_major_m=2.0))
    assert bounds.sigma_m(0.0, epoch(4)) == 0.2
    assert bounds.sigma_m(0.0, epoch(5)) == 2.0
    assert bounds.sigma_m(0.0, epoch(1)) == 3.0


def test_what_was_forgotten_is_not_held_against_it() -> None:
    bounds = Bounds(settings())
    bounds.sigma_m(0.0, epoch(sigma_major_m=0.3))
    bounds.forget()
    assert bounds.sigma_m(0.1, epoch()) == 0.02


# Half of the last digit


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.sampled_from([0.0001852, 0.01852, 1.852]))
def test_rounding_a_position_stays_within_its_part(
    east: float, north: float, digit_m: float
) -> None:
    """Of any place, to the nearest digit along each axis."""
    bound = Bounds(settings()).hear(0.0, epoch(digit_m=digit_m))
    assert bound is not None
    assert math.hypot(east * digit_m, north * digit_m) <= bound.rounding_m + 1e-12


def test_without_digits_nothing_was_rounded() -> None:
    bound = Bounds(settings()).hear(0.0, epoch())
    assert bound is not None
    assert bound.rounding_m == 0.0
