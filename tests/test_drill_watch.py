"""What is noted of epochs: by which error, once each, and when they are decided on late."""

import math
from dataclasses import dataclass

import pytest

from fenceguard.drill.result import RIGHT_M, WRONG_M
from fenceguard.drill.watch import KEPT, Epochs
from fenceguard.judgement.types import Bound, Decision, Grant, Inputs, Rung, Situation
from fenceguard.receiver.epoch import Epoch
from fenceguard.simulator.gnss import Sent

UTC_S = 1_809_000_000.0
WITH_BLADE = Grant(True, True, False, False, 0.5, math.inf)


@dataclass
class Deciding:
    """A policy whose newest decision is given."""

    decision: Decision | None
    grant: Grant = WITH_BLADE
    rung: Rung = Rung.FULL

    def feed(self, data: bytes, at_s: float) -> None:
        raise AssertionError

    def tick(self, now_s: float) -> None:
        raise AssertionError

    def sense(self, now_s: float, inputs: Inputs) -> None:
        raise AssertionError


def decided(place: tuple[float, float] | None, bound_m: float | None, utc_s: float) -> Deciding:
    bound = None if bound_m is None else Bound(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, bound_m)
    situation = Situation(Epoch(utc_s), place=place, bound=bound)
    return Deciding(
        Decision(0.0, Rung.FULL, Rung.FULL, "", None, WITH_BLADE, (), (), situation, True)
    )


def sent(reported_m: tuple[float, float], utc_s: float = UTC_S, fixed: bool = True) -> Sent:
    return Sent(0.0, b"", reported_m, (0.0, 0.0), fixed, utc_s)


def test_the_bound_is_about_the_place_that_is_believed() -> None:
    epochs = Epochs()
    epochs.fed(sent((2.0, 0.0)), decided((0.1, 0.0), 0.2, UTC_S))
    assert (epochs.regions, epochs.fixes) == ([1, 0, 0, 0], [1, 1, 0, 0])
    epochs.fed(sent((0.0, 0.0), UTC_S + 0.2), decided((0.4, 0.0), 0.2, UTC_S + 0.2))
    assert (epochs.regions, epochs.fixes) == ([1, 0, 0, 1], [1, 1, 1, 0])


def test_an_epoch_counts_once_whatever_is_decided_after() -> None:
    epochs = Epochs()
    policy = decided((0.1, 0.0), 0.2, UTC_S)
    epochs.fed(sent((0.0, 0.0)), policy)
    epochs.look(policy)
    # No news of where the mower is: another epoch, and the place from before.
    assert policy.decision is not None
    later = policy.decision.situation._replace(epoch=Epoch(UTC_S + 0.2))
    epochs.fed(sent((0.0, 0.0), UTC_S + 0.2), Deciding(policy.decision._replace(situation=later)))
    assert epochs.regions == [1, 0, 0, 0]
    assert sum(epochs.cells.values()) == 1


@pytest.mark.parametrize("after", [0, KEPT - 1])
def test_an_epoch_that_is_decided_on_late_is_held_against_its_own_truth(after: int) -> None:
    epochs = Epochs()
    waiting = decided(None, None, UTC_S)
    for number in range(after + 1):
        truth = Sent(0.0, b"", (0.0, 0.0), (1.0 * number, 0.0), True, UTC_S + 0.2 * number)
        epochs.fed(truth, waiting)
    assert sum(epochs.regions) == 0
    epochs.look(decided((0.0, 0.1), 0.2, UTC_S))
    assert epochs.regions == [1, 0, 0, 0]


@pytest.mark.parametrize(
    ("place", "bound_m", "utc_s"),
    [(None, 0.2, UTC_S), ((0.0, 0.0), None, UTC_S), ((0.0, 0.0), 0.2, UTC_S + 7.0)],
)
def test_what_cannot_be_held_against_the_truth_does_not_count(
    place: tuple[float, float] | None, bound_m: float | None, utc_s: float
) -> None:
    epochs = Epochs()
    epochs.fed(sent((0.0, 0.0)), decided(place, bound_m, utc_s))
    epochs.fed(sent((0.0, 0.0)), Deciding(None))
    assert sum(epochs.regions) == 0


@pytest.mark.parametrize(
    ("error_m", "blade", "fixes"),
    [
        (RIGHT_M - 0.001, True, [0, 0, 1, 0]),
        (RIGHT_M - 0.001, False, [0, 0, 1, 1]),
        (RIGHT_M + 0.001, True, [0, 0, 0, 0]),
        (WRONG_M - 0.001, True, [0, 0, 0, 0]),
        (WRONG_M + 0.001, True, [1, 1, 0, 0]),
        (WRONG_M + 0.001, False, [1, 0, 0, 0]),
    ],
)
def test_fixes_are_right_or_wrong_by_what_is_told(
    error_m: float, blade: bool, fixes: list[int]
) -> None:
    epochs = Epochs()
    epochs.fed(sent((error_m, 0.0)), Deciding(None, WITH_BLADE._replace(blade=blade)))
    assert epochs.fixes == fixes
    epochs.fed(sent((9.0, 0.0), fixed=False), Deciding(None))
    assert epochs.fixes == fixes
