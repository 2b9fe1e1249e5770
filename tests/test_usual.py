"""What noise is usual, against the Rayleigh distribution of scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import rayleigh

from fenceguard.judgement.usual import (
    CALMER_S,
    MOST_TIMES,
    NOISE_M,
    SPANS_S,
    TIMES,
    WALK_M,
    WORSE_S,
    Usual,
)

AGES_S = st.floats(0.0, 300.0)
LESSONS = st.lists(st.tuples(AGES_S, st.floats(0.0, 5.0), st.floats(0.0, 100.0)), max_size=60)


def test_what_is_beyond_the_noise_is_as_rare_as_is_said() -> None:
    """The distance of a circular normal error is Rayleigh-distributed: scipy.stats.rayleigh.

    Its root mean square, which is what is learned, is σ times the root of two.
    """
    beyond = float(rayleigh.sf(TIMES, scale=1.0 / math.sqrt(2.0)))
    assert beyond == pytest.approx(math.exp(-9.0))
    assert 1.0 / beyond == pytest.approx(8_000, rel=0.02)


def test_at_first_noise_and_a_walk_are_usual() -> None:
    """In squares: that of positions, and that of speeds with time, 1.5 times the least age."""
    usual = Usual()
    assert usual.noise_m(0.0) == pytest.approx(TIMES * NOISE_M)
    for span_s in SPANS_S:
        expected_m = TIMES * math.sqrt(NOISE_M**2 + 1.5 * span_s * WALK_M**2)
        assert usual.noise_m(span_s) == pytest.approx(expected_m)
        assert usual.noise_m(1.999 * span_s) == pytest.approx(expected_m)


def test_beyond_the_last_span_it_goes_on_to_grow() -> None:
    """A walk grows with the root of the time."""
    usual, last_s = Usual(), 2.0 * SPANS_S[-1]
    assert usual.noise_m(last_s) == usual.noise_m(SPANS_S[-1])
    assert usual.noise_m(4.0 * last_s) == pytest.approx(2.0 * usual.noise_m(last_s))


@given(LESSONS, AGES_S, AGES_S)
def test_an_older_sight_is_never_held_to_less(
    lessons: list[tuple[float, float, float]], a_s: float, b_s: float
) -> None:
    """Whatever was learned: so a reach does not narrow by waiting."""
    usual = Usual()
    for lesson in lessons:
        usual.learn(*lesson)
    younger_s, older_s = sorted([a_s, b_s])
    assert usual.noise_m(younger_s) <= usual.noise_m(older_s)


@given(LESSONS, AGES_S)
def test_no_receiver_is_held_for_much_worse_than_they_are(
    lessons: list[tuple[float, float, float]], age_s: float
) -> None:
    usual = Usual()
    for lesson in lessons:
        usual.learn(*lesson)
    assert 0.0 <= usual.noise_m(age_s) <= MOST_TIMES * Usual().noise_m(age_s) * (1.0 + 1e-12)


@pytest.mark.parametrize("rms_m", [0.003, 0.01, 0.02])
def test_it_learns_how_calm_a_receiver_is(rms_m: float) -> None:
    """From errors drawn from the Rayleigh distribution: numpy's generator."""
    usual, rng = Usual(), np.random.default_rng(7)
    for off_m in rng.rayleigh(rms_m / math.sqrt(2.0), 20_000):
        usual.learn(0.2, float(off_m), 0.2)
    # Less is learned sooner than more, so that the mean is a little below.
    assert 0.5 * rms_m < usual.noise_m(0.2) / TIMES < 1.05 * rms_m


@pytest.mark.parametrize(("off_m", "takes_s"), [(0.0, CALMER_S), (0.025, WORSE_S)])
def test_more_becomes_usual_ten_times_slower_than_less(off_m: float, takes_s: float) -> None:
    """Each to 1/e of the difference of the squares in its time, as an exponential mean does."""
    usual, before_m2 = Usual(), NOISE_M**2
    for _ in range(round(takes_s / 0.2)):
        usual.learn(0.2, off_m, 0.2)
    after_m2 = (usual.noise_m(0.2) / TIMES) ** 2
    share = (after_m2 - off_m**2) / (before_m2 - off_m**2)
    assert share == pytest.approx(math.exp(-1.0), abs=0.01)


def test_each_age_is_learned_on_its_own() -> None:
    usual = Usual()
    usual.learn(40.0, 0.0, 6.0)
    assert usual.noise_m(31.9) == Usual().noise_m(31.9)
    assert usual.noise_m(32.0) < Usual().noise_m(32.0)


def test_what_is_usual_for_a_young_sight_is_usual_for_an_old_one() -> None:
    usual = Usual()
    for span_s in SPANS_S:
        usual.learn(span_s, 0.0, CALMER_S)
    assert usual.noise_m(100.0) == pytest.approx(TIMES * NOISE_M * math.sqrt(100.0 / 64.0))


@pytest.mark.parametrize("passed_s", [CALMER_S, 100.0 * CALMER_S])
def test_after_a_long_time_only_the_newest_counts(passed_s: float) -> None:
    usual = Usual()
    usual.learn(0.2, 0.01, passed_s)
    assert usual.noise_m(0.2) == pytest.approx(TIMES * 0.01)
