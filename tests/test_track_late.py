"""The track: epochs that waited in a buffer, by clocks that may drift apart."""

import pytest

from fenceguard.judgement.track import CLOCK_DRIFT
from fenceguard.receiver.epoch import Epoch
from tests.support.driven import BOUND_M, HERE, UTC_S, Driven, close, known


def test_prompt_epochs_are_not_late() -> None:
    driven = Driven()
    for step in range(50):
        assert driven.at(0.2 * step, late_s=0.08).late_s == close(0.0)


@pytest.mark.parametrize("delay_s", [0.05, 0.3, 20.0])
def test_a_delay_is_measured_from_the_promptest(delay_s: float) -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.3)
    driven.at(1.0, late_s=0.1)
    assert driven.at(2.0, late_s=0.2).late_s == pytest.approx(0.1, abs=1e-3)
    late_s = driven.at(3.0, late_s=0.1 + delay_s).late_s
    assert late_s == close(delay_s - CLOCK_DRIFT * (2.0 + delay_s))


@pytest.mark.parametrize("ahead_s", [-1000.0, 1000.0])
def test_it_does_not_matter_what_time_the_other_clock_shows(ahead_s: float) -> None:
    driven = Driven()
    heard = [
        driven.track.hear(UTC_S + ahead_s + arrived_s, Epoch(UTC_S + utc_s), HERE, BOUND_M, None)
        for utc_s, arrived_s in [(0.0, 0.1), (0.2, 0.3), (0.4, 0.6)]
    ]
    late_s = 0.1 - CLOCK_DRIFT * 0.3
    assert [evidence.late_s for evidence in heard] == [close(0.0), close(0.0), close(late_s)]


@pytest.mark.parametrize("share", [0.5, 1.0])
def test_clocks_that_drift_apart_as_far_as_allowed_are_not_late(share: float) -> None:
    driven = Driven()
    for hour in range(25):
        passed_s = 3600.0 * hour
        late_s = 0.1 + share * CLOCK_DRIFT * passed_s
        assert driven.at(passed_s, late_s=late_s).late_s == pytest.approx(0.0, abs=0.01)


def test_what_creeps_faster_than_clocks_drift_is_late() -> None:
    driven = Driven()
    for second in range(101):
        evidence = driven.at(float(second), late_s=0.1 + 0.01 * second)
    assert evidence.late_s == close(1.0 - CLOCK_DRIFT * 101.0)


def test_the_mark_creeps_towards_a_standing_delay_and_no_further() -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.0)
    assert driven.at(0.0, late_s=1.0).late_s == close(1.0 - CLOCK_DRIFT)
    creeping_s = 1.0 / CLOCK_DRIFT
    assert driven.at(creeping_s / 2.0, late_s=1.0).late_s == pytest.approx(0.5, abs=1e-3)
    assert driven.at(2.0 * creeping_s, late_s=1.0).late_s == close(0.0)


@pytest.mark.parametrize("stepped_s", [0.5, 3600.0])
def test_a_utc_that_is_set_forward_makes_the_mark_earlier(stepped_s: float) -> None:
    driven = Driven()
    driven.at(0.0)
    assert driven.at(1.0 + stepped_s, late_s=0.1 - stepped_s).late_s == close(0.0)
    back = driven.at(2.0, late_s=0.1)
    assert known(back.late_s) == pytest.approx(stepped_s, abs=1e-2)


@pytest.mark.parametrize("stepped_s", [0.5, 18.0, 3600.0])
def test_while_a_utc_that_was_set_back_hides_the_track_it_is_told_as_late(
    stepped_s: float,
) -> None:
    driven = Driven()
    driven.at(0.0)
    for tenth in range(1, 10):
        passed_s = -stepped_s + stepped_s * tenth / 10.0
        evidence = driven.at(passed_s, (9.0, 9.0), late_s=0.1 + stepped_s)
        assert (evidence.jump_m, evidence.drift_m) == (None, None)
        assert known(evidence.late_s) > 0.99 * stepped_s


def test_an_arrival_that_is_told_to_be_earlier_than_the_one_before_moves_no_mark() -> None:
    driven = Driven()
    driven.at(0.0, late_s=0.1)
    driven.at(10.0, late_s=0.1)
    assert driven.at(5.0, late_s=0.3).late_s == pytest.approx(0.2, abs=0.003)
