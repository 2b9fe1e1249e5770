"""The bound, against the table of the Rayleigh distribution and against scipy."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, rayleigh

from fenceguard.judgement.bound import bound_m, radius_per_sigma, sigma_m
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import BoundSettings


def settings(**given: Any) -> BoundSettings:
    return BoundSettings.model_validate(given)


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
    assert sigma_m(epoch(sigma_lat_m=0.03), settings()) == 0.03
    assert sigma_m(epoch(sigma_lon_m=0.01), settings()) == 0.02
    assert sigma_m(epoch(), settings()) == 0.02


def test_the_ellipse_is_not_believed_against_the_axes() -> None:
    """Some receivers fill ellipse fields that they do not know with 0 (from memory, no source)."""
    zeros = epoch(sigma_major_m=0.0, sigma_lat_m=5.0, sigma_lon_m=5.0)
    assert sigma_m(zeros, settings()) == pytest.approx(5.0 * math.sqrt(2.0))
    assert sigma_m(epoch(sigma_major_m=4.0, sigma_lat_m=5.0, sigma_lon_m=1.0), settings()) == 5.0
    nothing = epoch(sigma_major_m=0.0, sigma_lat_m=0.0, sigma_lon_m=0.0)
    assert sigma_m(nothing, settings()) == 0.02
    assert sigma_m(epoch(sigma_major_m=0.0, sigma_lat_m=5.0), settings()) == 5.0


@pytest.mark.parametrize(
    ("quality", "default"), [(1, 3.0), (2, 1.0), (3, 1.0), (4, 0.02), (5, 0.5)]
)
def test_default_for_each_quality(quality: int, default: float) -> None:
    assert sigma_m(epoch(quality), settings()) == default


@pytest.mark.parametrize("quality", [0, 6, 7, 8, 9, None])
def test_nothing_is_believed_without_satellites(quality: int | None) -> None:
    assert bound_m(epoch(quality, sigma_major_m=0.01), settings()) is None


def test_a_stated_sigma_below_the_floor_counts_as_the_floor() -> None:
    assert sigma_m(epoch(sigma_major_m=0.001), settings()) == 0.01
    assert sigma_m(epoch(sigma_major_m=0.01), settings(sigma_floor_m=0.02)) == 0.02
    assert sigma_m(epoch(sigma_major_m=0.021), settings(sigma_floor_m=0.02)) == 0.021


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
    assert bound_m(epoch(), settings()) == pytest.approx(0.02 * math.sqrt(-2 * math.log(1e-4)))
