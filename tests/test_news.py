"""News: late epochs, clocks that are set, and positions that are the same measurement."""

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.news import (
    CLOCK_DRIFT,
    FINE_M,
    LEAP_S,
    REPEATS,
    SETTLES,
    WENT_M,
    Gone,
    News,
    Newsroom,
)
from fenceguard.receiver.epoch import Epoch

UTC_S = 1_700_000_000.0
FINE, COARSE = 0.0001852, 0.01852
"""Seven decimals of a minute, and five."""


def close(value: float) -> Any:
    """Equal but for what a UTC of this size rounds away."""
    return pytest.approx(value, abs=1e-5)


class Heard:
    """A newsroom that hears epochs, each at a place of its own unless one is given."""

    def __init__(self, begin_s: float = 100.0) -> None:
        self.room = Newsroom()
        self.begin_s = begin_s
        self.count = 0

    def at(
        self,
        passed_s: float,
        utc_off_s: float = 0.0,
        *,
        place: tuple[float | None, float | None] | None = None,
        digit_m: float | None = FINE,
        gone_m: Gone = (0.0, 0.0),
        crept_m: float = 0.0,
        motion: tuple[float | None, float | None] = (None, None),
    ) -> News:
        """An epoch that arrives `passed_s` after the beginning, with UTC so far off from that."""
        self.count += 1
        lat_deg, lon_deg = (50.0 + 1e-8 * self.count, 10.0) if place is None else place
        epoch = Epoch(
            UTC_S + passed_s + utc_off_s,
            lat_deg,
            lon_deg,
            digit_m=digit_m,
            speed_mps=motion[0],
            course_deg=motion[1],
        )
        return self.room.hear(self.begin_s + passed_s, epoch, gone_m, crept_m)


HERE = (50.0, 10.0)


# In time


@pytest.mark.parametrize("begin_s", [-1e6, 0.0, 1e9])
def test_prompt_epochs_are_news(begin_s: float) -> None:
    """Whatever time the other clock shows."""
    heard = Heard(begin_s)
    for number in range(50):
        news = heard.at(0.2 * number, -0.08)
        assert news.at_s == close(0.2 * number)
        assert news[1:] == (True, 0.0, 0.0, close(0.0), 0.0)


@given(st.floats(0.0, 30.0), st.floats(0.0, 30.0))
def test_late_is_counted_from_the_promptest(usual_s: float, more_s: float) -> None:
    heard = Heard()
    heard.at(0.0, -0.1 - usual_s)
    heard.at(40.0, -0.1)
    news = heard.at(80.0, -0.1 - more_s)
    # The promptest one is allowed to age, as clocks drift apart.
    assert news.late_s == close(max(0.0, more_s - CLOCK_DRIFT * 40.0))
    assert news.leap_s == 0.0


@pytest.mark.parametrize(("drift", "late"), [(0.99, False), (-0.99, False), (1.5, True)])
def test_clocks_may_drift_apart_so_fast(drift: float, late: bool) -> None:
    heard, worst_s = Heard(), 0.0
    for number in range(2000):
        news = heard.at(5.0 * number, -drift * CLOCK_DRIFT * 5.0 * number)
        assert news.leap_s == 0.0
        worst_s = max(worst_s, news.late_s)
    assert (worst_s > 0.5) == late


def test_after_a_reset_the_next_epoch_is_the_promptest() -> None:
    heard = Heard()
    heard.at(0.0)
    assert heard.at(10.0, -5.0).late_s == close(5.0 - CLOCK_DRIFT * 10.0)
    heard.room.relearn()
    assert heard.at(10.2, -5.0).late_s == 0.0


# The receiver's clock


def test_an_instant_told_twice_is_no_news_and_hangs_behind() -> None:
    heard = Heard()
    heard.at(0.0)
    for number in range(1, 6):
        news = heard.at(0.2 * number, -0.2 * number)
        assert (news.fresh, news.at_s) == (False, 0.0)
        assert news.utc_lag_s == close(0.2 * number)
    news = heard.at(1.2)
    assert (news.fresh, news.utc_lag_s, news.at_s) == (True, 0.0, close(1.2))


@pytest.mark.parametrize("back_s", [0.3, 1.0, 18.0, 86400.0])
def test_a_clock_that_goes_back_is_unknown_once_and_then_right(back_s: float) -> None:
    """As after a correction of leap seconds, or a date that was a day ahead."""
    heard = Heard()
    for number in range(10):
        heard.at(0.2 * number)
    news = heard.at(2.0, -back_s)
    assert (news.fresh, news.utc_lag_s, news.leap_s) == (True, None, 0.0)
    # Its own time goes on as the arrivals do.
    assert news.at_s == close(2.0)
    for number in range(11, 30):
        news = heard.at(0.2 * number, -back_s)
        assert news.at_s == close(0.2 * number)
        assert news[1:] == (True, 0.0, 0.0, close(0.0), 0.0)


@pytest.mark.parametrize(("more_s", "leaps"), [(-0.001, False), (0.001, True)])
def test_no_epoch_comes_so_far_ahead(more_s: float, leaps: bool) -> None:
    """Beyond by how much the promptest arrival may have come to be one meanwhile."""
    heard = Heard()
    heard.at(0.0)
    ahead_s = LEAP_S + SETTLES * 0.2 + more_s
    news = heard.at(0.2, ahead_s)
    assert news.leap_s == (close(LEAP_S + more_s) if leaps else 0.0)
    assert news.at_s == close(0.2 if leaps else 0.2 + ahead_s)
    assert news.fresh


@pytest.mark.parametrize("ahead_s", [2.0, 86400.0])
def test_an_outlier_ahead_does_not_make_the_rest_late(ahead_s: float) -> None:
    heard = Heard()
    for number in range(10):
        heard.at(0.2 * number)
    assert heard.at(2.0, ahead_s).leap_s == pytest.approx(ahead_s, abs=0.005)
    assert heard.at(2.2).utc_lag_s is None
    for number in range(12, 40):
        news = heard.at(0.2 * number)
        assert news.at_s == close(0.2 * number)
        assert news[1:] == (True, 0.0, 0.0, close(0.0), 0.0)


@pytest.mark.parametrize("ahead_s", [2.0, 86400.0])
def test_a_clock_that_was_set_ahead_for_good_is_told_once(ahead_s: float) -> None:
    heard = Heard()
    heard.at(0.0)
    leaps_s = [heard.at(0.2 * number, ahead_s).leap_s for number in range(1, 50)]
    assert leaps_s[0] > 1.9
    assert leaps_s[1:] == [0.0] * 48


@pytest.mark.parametrize("times", [1.2, 2.0, 50.0])
def test_a_clock_that_runs_fast_is_told_again_and_again(times: float) -> None:
    heard = Heard()
    leaps = [n for n in range(200) if heard.at(0.2 * n, (times - 1.0) * 0.2 * n).leap_s > LEAP_S]
    # It gains so much a second, less what a promptest epoch may come to be one.
    gains_mps = times - 1.0 - SETTLES
    most_s = max(0.2, LEAP_S / gains_mps + 0.4)
    assert leaps[0] * 0.2 <= most_s
    assert max(b - a for a, b in pairwise(leaps)) * 0.2 <= most_s + 0.2


def test_bytes_that_waited_and_come_at_once_are_no_leap() -> None:
    """A buffer that fills for 10 s and is emptied slowly, or fast: late, but never ahead."""
    heard = Heard()
    for number in range(50):
        heard.at(0.2 * number)
    for number in range(50, 100):
        news = heard.at(20.0 + 0.001 * number, 0.2 * number - 20.0 - 0.001 * number)
        assert news.leap_s == 0.0
        assert news.fresh
        assert news.at_s == close(0.2 * number)
        assert news.late_s == pytest.approx(20.0 - 0.2 * number, abs=0.2)


def test_a_clock_that_is_no_number_is_unknown_and_then_forgotten() -> None:
    heard = Heard()
    heard.at(0.0)
    assert heard.at(0.2, math.nan).utc_lag_s is None
    assert heard.at(0.4).utc_lag_s is None
    news = heard.at(0.6)
    assert news[1:] == (True, 0.0, 0.0, close(0.0), 0.0)
    assert news.at_s == close(0.6)


@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 3.0), st.sampled_from([0.0, 0.0, 0.0, -18.0, 2.0, -86400.0, 1e-3])
        ),
        max_size=60,
    )
)
def test_its_own_time_never_goes_back(steps: list[tuple[float, float]]) -> None:
    heard, passed_s, off_s, last_s = Heard(), 0.0, 0.0, 0.0
    for step_s, set_s in steps:
        passed_s, off_s = passed_s + step_s, off_s + set_s
        news = heard.at(passed_s, off_s)
        assert news.at_s >= last_s
        assert min(news.leap_s, news.late_s, news.same_s) >= 0.0
        last_s = news.at_s


# The same measurement


@pytest.mark.parametrize("digit_m", [FINE, FINE_M])
def test_with_fine_digits_the_same_position_is_the_same_measurement(digit_m: float) -> None:
    heard = Heard()
    assert heard.at(0.0, place=HERE, digit_m=digit_m).fresh
    for number in range(1, 9):
        news = heard.at(0.2 * number, place=HERE, digit_m=digit_m)
        assert (news.fresh, news.same_s) == (False, close(0.2 * number))
    assert heard.at(2.0, place=(50.0, 10.0 + 1e-9), digit_m=digit_m).fresh
    # Not so for where it was before.
    assert heard.at(2.2, place=HERE, digit_m=digit_m).fresh


@pytest.mark.parametrize("digit_m", [FINE_M + 1e-6, COARSE, 0.1852])
@pytest.mark.parametrize("by", ["gone", "crept"])
@pytest.mark.parametrize(("more_m", "same"), [(-1e-6, False), (1e-6, True)])
def test_with_coarse_digits_it_is_once_the_mower_must_have_moved(
    digit_m: float, by: str, more_m: float, same: bool
) -> None:
    """By two digits, and by what the noise of speed adds up to."""
    heard = Heard()
    heard.at(0.0, place=HERE, digit_m=digit_m, gone_m=(7.0, 7.0), crept_m=3.0)
    still: dict[str, Any] = {"gone_m": (7.0, 7.0), "crept_m": 3.0}
    for number in range(1, 50):
        assert heard.at(0.2 * number, place=HERE, digit_m=digit_m, **still).fresh
    way_m = WENT_M + 2.0 * digit_m + more_m
    moved: dict[str, Any] = {
        "gone": {"gone_m": (7.0 + 0.6 * way_m, 7.0 - 0.8 * way_m), "crept_m": 3.0},
        "crept": {"gone_m": (7.0, 7.0), "crept_m": 3.0 + way_m},
    }[by]
    news = heard.at(10.0, place=HERE, digit_m=digit_m, **moved)
    assert news.fresh != same
    assert news.same_s == (close(10.0) if same else 0.0)


def test_the_way_counts_from_where_the_position_changed_last() -> None:
    heard = Heard()
    for number in range(100):
        place = 50.0, 10.0 + 1e-6 * (number // 5)
        assert heard.at(
            0.2 * number, place=place, digit_m=COARSE, gone_m=(0.01 * number, 0.0)
        ).fresh


@pytest.mark.parametrize(
    ("motion", "same"),
    [
        ((0.02, 77.5), True),
        ((0.0, 77.5), False),
        ((0.02, None), False),
        ((None, 77.5), False),
    ],
)
def test_a_motion_that_never_changes_is_no_new_one(
    motion: tuple[float | None, float | None], same: bool
) -> None:
    """Doppler has noise of its own; but a receiver may tell 0 of whatever is slow."""
    heard = Heard()
    for number in range(REPEATS):
        assert heard.at(0.2 * number, place=HERE, digit_m=COARSE, motion=motion).fresh
    news = heard.at(0.2 * REPEATS, place=HERE, digit_m=COARSE, motion=motion)
    assert (news.fresh, news.same_s) == (not same, close(0.2 * REPEATS) if same else 0.0)
    assert heard.at(2.0, place=HERE, digit_m=COARSE, motion=(0.03, 77.5)).fresh


def test_the_same_motion_now_and_then_is_chance() -> None:
    heard = Heard()
    for number in range(40):
        motion = 0.02 + 0.01 * (number // REPEATS % 2), 77.5
        assert heard.at(0.2 * number, place=HERE, digit_m=COARSE, motion=motion).fresh


@pytest.mark.parametrize("place", [(None, 10.0), (50.0, None), (None, None)])
def test_no_position_is_not_the_same_one(place: tuple[float | None, float | None]) -> None:
    heard = Heard()
    for number in range(5):
        news = heard.at(0.2 * number, place=place)
        assert (news.fresh, news.same_s) == (True, 0.0)


def test_without_digits_nobody_knows() -> None:
    heard = Heard()
    for number in range(5):
        assert heard.at(0.2 * number, place=HERE, digit_m=None).fresh


def test_the_same_position_at_the_same_instant_is_the_same_for_a_moment() -> None:
    heard = Heard()
    heard.at(0.0, place=HERE)
    assert heard.at(0.2, -0.2, place=HERE).same_s == 1e-3


def test_after_a_reset_a_position_counts_once() -> None:
    heard = Heard()
    heard.at(0.0, place=HERE)
    heard.room.relearn()
    assert heard.at(0.2, place=HERE, gone_m=(-9.0, 9.0)).fresh
    assert not heard.at(0.4, place=HERE).fresh


def test_what_was_forgotten_is_not_compared_with() -> None:
    heard = Heard()
    heard.at(0.0, place=HERE)
    heard.room.forget()
    news = heard.at(5.0, -500.0, place=HERE)
    assert news == (0.0, True, 0.0, 0.0, 0.0, 0.0)
