"""What noise is usual, against the Rayleigh distribution of scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import rayleigh

from fenceguard.judgement.usual import (
    LASTS_S,
    LOOKS,
    MOST_TIMES,
    NOISE_M,
    SPANS_S,
    TIMES,
    WAITS_S,
    WALK_M,
    Usual,
)

AGES_S = st.floats(0.0, 300.0)
LESSONS = st.lists(st.tuples(AGES_S, st.floats(0.0, 5.0), st.floats(0.0, 100.0)), max_size=60)
"""Age, difference, and time since the lesson before."""


class Taught:
    """Lessons one after the other."""

    def __init__(self) -> None:
        self.usual = Usual()
        self.at_s = 0.0

    def learn(self, age_s: float, off_m: float, passed_s: float) -> None:
        self.at_s += passed_s
        self.usual.learn(self.at_s, age_s, off_m, passed_s)

    def square_m2(self, age_s: float = 0.2) -> float:
        return (self.usual.noise_m(age_s) / TIMES) ** 2


def taught(lessons: list[tuple[float, float, float]]) -> Usual:
    one = Taught()
    for lesson in lessons:
        one.learn(*lesson)
    return one.usual


def test_what_is_beyond_the_noise_is_as_rare_as_is_said() -> None:
    """The distance of a circular normal error is Rayleigh-distributed: scipy.stats.rayleigh.

    Its root mean square, which is what is learned, is σ times the root of two.
    """
    beyond = float(rayleigh.sf(TIMES, scale=1.0 / math.sqrt(2.0)))
    assert beyond == pytest.approx(math.exp(-(TIMES**2)))
    assert 1.0 / beyond == pytest.approx(400_000, rel=0.1)


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
    usual = taught(lessons)
    younger_s, older_s = sorted([a_s, b_s])
    assert usual.noise_m(younger_s) <= usual.noise_m(older_s)


@given(LESSONS, AGES_S)
def test_no_receiver_is_held_for_much_worse_than_they_are(
    lessons: list[tuple[float, float, float]], age_s: float
) -> None:
    most_m = MOST_TIMES * Usual().noise_m(age_s) * (1.0 + 1e-12)
    assert 0.0 < taught(lessons).noise_m(age_s) <= most_m


@pytest.mark.parametrize("rms_m", [0.003, 0.01, 0.02, 0.026])
def test_it_learns_how_calm_a_receiver_is(rms_m: float) -> None:
    """From errors drawn from the Rayleigh distribution: numpy's generator.

    What is assumed still counts a little after `LASTS_S`.
    """
    one, rng = Taught(), np.random.default_rng(7)
    for off_m in rng.rayleigh(rms_m / math.sqrt(2.0), 20_000):
        one.learn(0.2, float(off_m), 0.2)
    mean_m2 = (LOOKS * NOISE_M**2 + LASTS_S * rms_m**2) / (LOOKS + LASTS_S)
    assert one.square_m2() == pytest.approx(mean_m2, rel=0.1)


@pytest.mark.parametrize("looks", [1.0, LOOKS, 100.0])
@pytest.mark.parametrize("off_m", [0.0, 0.025])
def test_what_is_assumed_counts_as_so_many_looks(looks: float, off_m: float) -> None:
    """The mean of all squares, as any mean that is kept up."""
    one = Taught()
    for _ in range(round(looks / 0.05)):
        one.learn(0.2, off_m, 0.05)
    one.learn(300.0, 0.0, WAITS_S)
    mean_m2 = (LOOKS * NOISE_M**2 + looks * off_m**2) / (LOOKS + looks)
    assert one.square_m2() == pytest.approx(mean_m2, rel=0.01)


@pytest.mark.parametrize(("early_s", "learned"), [(0.1, False), (-0.1, True)])
def test_more_is_learned_once_sights_so_old_are_kept_no_more(early_s: float, learned: bool) -> None:
    one = Taught()
    one.learn(0.2, 0.03, 1.0)
    assert one.square_m2() == NOISE_M**2
    one.learn(300.0, 0.0, WAITS_S - early_s)
    assert (one.square_m2() > NOISE_M**2) is learned


def test_less_is_learned_at_once() -> None:
    one = Taught()
    one.learn(0.2, 0.01, 1.0)
    assert one.square_m2() < NOISE_M**2


def test_what_came_before_a_contradiction_is_not_learned_if_it_was_more() -> None:
    """The beginning of a drift must not become usual."""
    one = Taught()
    for step in range(300):
        one.learn(0.2, min(0.05, 0.001 * step), 0.2)
    one.usual.contradicted()
    before_m2 = one.square_m2()
    one.learn(300.0, 0.0, WAITS_S)
    assert one.square_m2() == before_m2 < NOISE_M**2


def test_what_was_learned_long_ago_fades() -> None:
    """To 1/e in its time, as an exponential mean does."""
    one = Taught()
    for _ in range(round(LASTS_S / 0.2)):
        one.learn(0.2, 0.01, 0.2)
    before_m2 = one.square_m2()
    for _ in range(round(LASTS_S / 0.2)):
        one.learn(0.2, 0.0, 0.2)
    assumed_m2 = LOOKS * NOISE_M**2 / (LOOKS + LASTS_S)
    share = (one.square_m2() - assumed_m2) / (before_m2 - assumed_m2)
    assert share == pytest.approx(math.exp(-1.0), abs=0.01)


def test_each_age_is_learned_on_its_own_and_tells_of_older_ones() -> None:
    """Who is calm over half a minute was not calm from second to second for that."""
    usual = taught([(40.0, 0.0, 6.0)])
    assert usual.noise_m(31.9) == Usual().noise_m(31.9)
    assert usual.noise_m(32.0) < Usual().noise_m(32.0)


def test_who_is_calm_from_second_to_second_is_assumed_to_be_so_over_minutes() -> None:
    usual = taught([(0.2, 0.0, 0.2)] * 100)
    for age_s in (0.5, 3.0, 30.0, 100.0):
        assert usual.noise_m(age_s) / Usual().noise_m(age_s) == pytest.approx(math.sqrt(0.5))


def test_what_is_usual_for_a_young_sight_is_usual_for_an_old_one() -> None:
    usual = taught([(span_s, 0.0, LASTS_S) for span_s in SPANS_S for _ in range(9)])
    assert usual.noise_m(100.0) == pytest.approx(TIMES * NOISE_M * math.sqrt(100.0 / 64.0))


@pytest.mark.parametrize("passed_s", [0.0, -1.0])
def test_no_time_teaches_nothing(passed_s: float) -> None:
    one = Taught()
    one.learn(0.2, 0.0, passed_s)
    assert one.square_m2() == NOISE_M**2
