"""The speed: what is told, what may be, and whether the mower keeps what it is told."""

import math
from typing import Any

import pytest

from fenceguard.judgement.speed import CAME_DOWN_MPS, NOISE_MPS, Speed
from fenceguard.judgement.types import Grant
from fenceguard.receiver.epoch import Epoch
from tests.support.mowing import BODY, settings

HEARS_S = 0.5
PARAMETERS = settings(mower=BODY).parameters().mower._replace(hears_s=HEARS_S)
STEP_S = 0.125
"""Eighths of a second add up exactly."""
SLOWING_S = HEARS_S + 0.5
"""0.25 m/s at 0.5 m/s²."""
REST_S = PARAMETERS.stopping.rest_s(0.5)


class Told:
    """A speed that is told of grants and epochs."""

    def __init__(self, **changes: Any) -> None:
        self.speed = Speed(PARAMETERS._replace(**changes))
        self.now_s = 100.0

    def grant(self, told_mps: float = 0.5, slow: bool = False, for_s: float = 0.0) -> "Told":
        """What is granted from now on, and for a time."""
        drive = told_mps > 0.0
        self.speed.grant(self.now_s, Grant(drive, drive, slow, False, told_mps, self.now_s + 0.5))
        for _ in range(round(for_s / STEP_S)):
            self.now_s += STEP_S
            self.speed.grant(
                self.now_s, Grant(drive, drive, slow, False, told_mps, self.now_s + 0.5)
            )
        return self

    def hear(self, mps: float | None) -> float:
        return self.speed.hear(self.now_s, Epoch(0.0, speed_mps=mps))

    def most_mps(self) -> float:
        return self.speed.most_mps(self.now_s)

    def comes_down(self, share: float = 1.0, until_mps: float = 0.1) -> "Told":
        """The told speed falls, and the mower goes at a share of it."""
        told_mps = 0.5
        while told_mps > until_mps:
            self.grant(told_mps, for_s=0.25)
            self.hear(share * self.speed.told_mps)
            told_mps -= 0.05
        return self


def test_the_speed_that_is_told_counts() -> None:
    told = Told().grant()
    assert told.hear(0.3) == 0.3
    assert told.hear(1.2) == 1.2


@pytest.mark.parametrize("mps", [None, math.nan, math.inf])
def test_one_that_is_not_told_is_the_last_one_and_what_may_have_come_to_it(
    mps: float | None,
) -> None:
    told = Told().grant()
    told.hear(0.2)
    assert told.grant(for_s=0.5).hear(mps) == pytest.approx(0.2 + 0.5 * 0.5)
    assert told.grant(for_s=0.5).hear(mps) == 0.5
    other = Told().grant()
    other.hear(0.45)
    assert other.grant(for_s=0.5).hear(mps) == 0.5


def test_of_nothing_told_it_is_what_the_lines_let_it_reach() -> None:
    assert Told().hear(None) == 0.5
    assert Told().grant(0.25, slow=True, for_s=HEARS_S).hear(None) == 0.5
    assert Told().grant(0.25, slow=True, for_s=SLOWING_S).hear(None) == 0.25


def test_the_slow_line_counts_once_it_was_on_for_as_long_as_a_controller_takes() -> None:
    told = Told().grant()
    told.hear(0.5)
    assert told.most_mps() == 0.5
    assert told.grant(0.25, slow=True, for_s=HEARS_S).most_mps() == 0.5
    assert told.grant(0.25, slow=True, for_s=STEP_S).most_mps() == 0.5 - 0.5 * STEP_S
    assert told.grant(0.25, slow=True, for_s=0.5).most_mps() == 0.25
    assert told.grant(0.5).most_mps() == 0.5


@pytest.mark.parametrize(
    ("mps", "for_s", "most_mps"),
    [(0.2, 0.0, 0.45), (0.2, HEARS_S - STEP_S, 0.45), (0.1, 0.0, 0.35), (0.4, 0.0, 0.5)],
)
def test_until_it_hears_the_slow_line_it_gains_no_more_than_it_can(
    mps: float, for_s: float, most_mps: float
) -> None:
    """0.5 m/s² for half a second, from the last speed that was told."""
    told = Told().grant()
    told.hear(mps)
    assert told.grant(0.25, slow=True, for_s=for_s).most_mps() == pytest.approx(most_mps)


def test_a_speed_that_was_told_after_it_heard_the_slow_line_has_gained() -> None:
    told = Told().grant().grant(0.25, slow=True, for_s=HEARS_S - STEP_S)
    told.hear(0.2)
    assert told.most_mps() == pytest.approx(0.2 + 0.5 * STEP_S)
    told.grant(0.25, slow=True, for_s=STEP_S).hear(0.2)
    assert told.most_mps() == 0.25


# At rest


@pytest.mark.parametrize(("off_s", "rests"), [(REST_S - STEP_S, False), (REST_S + STEP_S, True)])
def test_at_rest_is_a_mower_whose_drive_was_off_for_long_enough(off_s: float, rests: bool) -> None:
    told = Told().grant()
    began_s = told.now_s
    told.grant(0.0, slow=True, for_s=off_s)
    since_s = told.speed.rests_since_s(told.now_s)
    assert since_s == (pytest.approx(began_s + REST_S) if rests else None)
    assert (told.hear(None) == 0.0) is rests
    told.grant(0.25, slow=True)
    assert told.speed.rests_since_s(told.now_s) is None


def test_from_rest_it_can_only_have_gained() -> None:
    told = Told().grant(0.0, slow=True, for_s=2.0)
    assert told.hear(None) == 0.0
    told.grant(0.25, slow=True, for_s=0.25)
    assert told.hear(None) == pytest.approx(0.5 * 0.25)


# A mower that keeps what it is told


@pytest.mark.parametrize("share", [1.0, 0.7])
def test_a_mower_that_comes_down_with_the_told_speed_keeps_it(share: float) -> None:
    told = Told().grant().comes_down(share)
    assert told.speed.keeps_told
    assert told.grant(0.15, for_s=1.0).speed.told_mps == 0.15
    assert told.most_mps() == told.speed.told_mps


def test_what_is_told_counts_until_the_controller_can_have_heard_less() -> None:
    told = Told().grant().comes_down()
    told.grant(0.3, for_s=1.0)
    told.grant(0.1, for_s=HEARS_S - STEP_S)
    assert told.speed.told_mps == 0.3
    told.grant(0.1, for_s=0.25)
    assert told.speed.told_mps == 0.1
    told.grant(0.2)
    assert told.speed.told_mps == 0.2


@pytest.mark.parametrize("mps", [0.5, 0.05])
def test_one_that_does_not_come_down_is_not_seen_to_keep_it(mps: float) -> None:
    told = Told().grant()
    told_mps = 0.5
    while told_mps > 0.1:
        told.grant(told_mps, for_s=0.25).hear(mps)
        told_mps -= 0.05
    assert not told.speed.keeps_told
    assert told.most_mps() == 0.5


def test_one_that_comes_down_while_nothing_less_is_told_is_not_either() -> None:
    told = Told().grant()
    for mps in (0.5, 0.4, 0.3, 0.2, 0.1, 0.0):
        told.grant(for_s=0.25).hear(mps)
    assert not told.speed.keeps_told


def test_by_how_much_it_must_have_come_down() -> None:
    for by_mps, keeps in ((CAME_DOWN_MPS - 0.01, False), (CAME_DOWN_MPS + 0.01, True)):
        told = Told().grant(for_s=1.0)
        for _ in range(2):
            told.hear(0.5)
        told.grant(0.5 - by_mps, for_s=1.0)
        told.hear(0.5 - by_mps)
        assert told.speed.keeps_told is keeps


@pytest.mark.parametrize(("overdue_s", "most_mps"), [(0.0, 0.1), (0.4, 0.3), (2.0, 0.5)])
def test_while_an_epoch_is_overdue_one_that_keeps_it_may_gain(
    overdue_s: float, most_mps: float
) -> None:
    told = Told().grant().comes_down().grant(0.1, for_s=1.0)
    assert told.speed.most_mps(told.now_s, overdue_s) == pytest.approx(most_mps)


def test_a_steady_mower_whose_speed_scatters_is_not_seen_to_keep_it() -> None:
    told = Told().grant(0.4, for_s=1.0)
    for step in range(200):
        told.grant(0.4 - 0.001 * step, for_s=STEP_S)
        told.hear(0.22 + 0.08 * (step % 2))
    assert not told.speed.keeps_told


def test_it_comes_down_from_its_fastest_since_the_told_speed_fell() -> None:
    told = Told().grant(for_s=1.0)
    told.hear(0.1)
    for told_mps, mps in ((0.45, 0.2), (0.4, 0.35), (0.3, 0.3), (0.2, 0.2), (0.15, 0.14)):
        assert not told.speed.keeps_told
        told.grant(told_mps, for_s=1.0)
        told.hear(mps)
    assert told.speed.keeps_told


def test_one_that_first_stays_as_it_is_comes_down_all_the_same() -> None:
    """Slower than told at first, and then above what is told by less than noise."""
    told = Told().grant(for_s=1.0)
    for told_mps in (0.5, 0.45, 0.4, 0.35, 0.31):
        told.grant(told_mps, for_s=1.0).hear(0.4)
        assert not told.speed.keeps_told
    told.grant(0.24, for_s=1.0).hear(0.24)
    assert told.speed.keeps_told


def test_a_speed_that_was_not_told_between_says_nothing() -> None:
    told = Told().grant(for_s=1.0)
    told.hear(0.5)
    told.hear(None)
    told.grant(0.2, for_s=1.0).hear(0.2)
    assert not told.speed.keeps_told


@pytest.mark.parametrize(
    ("over_mps", "keeps"), [(NOISE_MPS - 0.01, True), (NOISE_MPS + 0.01, False)]
)
def test_one_time_faster_and_the_lines_count_again(over_mps: float, keeps: bool) -> None:
    told = Told().grant().comes_down()
    told.hear(told.speed.told_mps + over_mps)
    assert told.speed.keeps_told is keeps
    assert told.most_mps() == (told.speed.told_mps if keeps else 0.5)
    if not keeps:
        told.grant(for_s=1.0).comes_down()
        assert told.speed.keeps_told


@pytest.mark.parametrize("told_mps", [0.25, 0.0])
def test_what_a_line_made_it_do_is_no_evidence(told_mps: float) -> None:
    """The slow line, or the drive's."""
    told = Told().grant(for_s=1.0)
    told.hear(0.5)
    told.grant(told_mps, slow=True, for_s=1.0)
    told.hear(told_mps)
    assert not told.speed.keeps_told


def test_it_can_be_made_to_know_nothing() -> None:
    told = Told().grant().comes_down()
    told.speed.forget()
    assert not told.speed.keeps_told
    assert told.most_mps() == told.speed.told_mps == 0.5


# A mower that the slow line does not slow


def slowed(for_s: float = SLOWING_S) -> Told:
    return Told().grant(for_s=1.0).grant(0.25, slow=True, for_s=for_s)


@pytest.mark.parametrize(
    ("for_s", "mps", "ignores"),
    [
        (SLOWING_S, 0.25 + NOISE_MPS + 0.01, True),
        (SLOWING_S, 0.25 + NOISE_MPS - 0.01, False),
        (SLOWING_S - STEP_S, 0.5, False),
    ],
)
def test_the_slow_line_is_believed_until_a_speed_shows_otherwise(
    for_s: float, mps: float, ignores: bool
) -> None:
    told = slowed(for_s)
    told.hear(mps)
    assert told.speed.ignores_slow is ignores
    assert told.most_mps() == (0.5 if ignores else mps)


def test_it_is_believed_again_after_a_few_moderate_speeds() -> None:
    told = slowed()
    told.hear(0.5)
    for mps in (0.2, 0.25, 0.0, 0.0):
        told.hear(mps)
        assert told.speed.ignores_slow
    told.hear(0.1)
    assert not told.speed.ignores_slow


def test_or_once_a_person_has_looked() -> None:
    told = slowed()
    told.hear(0.5)
    told.speed.look_again()
    assert not told.speed.ignores_slow


@pytest.mark.parametrize(("told_mps", "slow"), [(0.0, True), (0.5, False)])
def test_without_drive_or_slow_line_nothing_is_seen_of_it(told_mps: float, slow: bool) -> None:
    told = Told().grant(told_mps, slow, for_s=3.0)
    told.hear(0.5)
    assert not told.speed.ignores_slow
