"""The Kalman filter that the supervisor is held against: what it believes, and when."""

import importlib.util
import math
from random import Random

import pytest
from scipy.stats import chi2

from fenceguard.drill.kalman import GATE, PASSED_OVER, Kalman
from fenceguard.drill.policies import POLICIES, available
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Rung
from fenceguard.settings import Loaded, load
from fenceguard.simulator.body import Pose
from fenceguard.simulator.gnss import Gnss
from fenceguard.simulator.state import FLOAT
from tests.support.lawns import collection, polygon, write_settings

SIDE_M = 20.0


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    square = polygon([(0, 0), (SIDE_M, 0), (SIDE_M, SIDE_M), (0, SIDE_M)], "keep_in", "lawn")
    return load(write_settings(tmp_path_factory.mktemp("square"), collection(square)))


class Drive:
    """A receiver on a mower that goes east at 0.2 m/s, and the filter that hears it."""

    def __init__(self, loaded: Loaded, from_m: tuple[float, float] = (5.0, 10.0)) -> None:
        self.policy = Kalman(loaded)
        self.gnss = Gnss(Random(1), loaded.fence.frame.origin, 7)
        self.gnss.state.lost = self.gnss.state.garbled = 0.0
        self._from_m = from_m
        self._epochs = 0

    def go(self, lasts_s: float) -> list[Rung]:
        """The rung after each epoch."""
        rungs = []
        for _ in range(round(lasts_s * 5)):
            now_s = self._epochs / 5
            pose = Pose(self._from_m[0] + 0.2 * now_s, self._from_m[1], math.pi / 2.0, 0.2)
            sent = self.gnss.epoch(now_s, pose)
            self._epochs += 1
            if sent is not None:
                self.policy.feed(sent.data, sent.at_s)
            self.policy.tick(now_s + 0.19)
            rungs.append(self.policy.rung)
        return rungs

    def off_m(self) -> float:
        """How far what is believed is from the truth, across the way."""
        return abs(float(self.policy._filter.x[1]) - self._from_m[1])


def test_the_gate_is_chi_square_of_two_axes() -> None:
    """scipy.stats.chi2, and any textbook's table."""
    assert chi2.ppf(0.99, 2) == pytest.approx(GATE, abs=0.001)


def test_it_follows_an_honest_receiver_and_gives_everything(loaded: Loaded) -> None:
    drive = Drive(loaded)
    rungs = drive.go(20.0)
    assert rungs[0] is Rung.HALTED
    assert set(rungs[60:]) == {Rung.FULL}
    assert drive.off_m() < 0.04


def test_it_passes_a_step_over_and_then_believes_it(loaded: Loaded) -> None:
    drive = Drive(loaded)
    drive.go(20.0)
    drive.gnss.state.wrong_m = (0.0, 0.6)
    drive.go((PASSED_OVER - 1) / 5.0)
    assert drive.off_m() < 0.1
    drive.go(0.6)
    assert drive.off_m() > 0.5
    assert drive.policy.rung is Rung.FULL


def test_it_takes_blade_and_drive_by_room_quality_and_silence(loaded: Loaded) -> None:
    near = Drive(loaded, (5.0, 0.25))
    assert set(near.go(20.0)) == {Rung.HALTED}
    floats = Drive(loaded)
    floats.go(20.0)
    floats.gnss.state.kind = FLOAT
    assert floats.go(0.6)[-1] >= Rung.BLADE_OFF
    silent = Drive(loaded)
    silent.go(20.0)
    silent.gnss.state.silent = True
    rungs = silent.go(3.0)
    assert rungs[4] is Rung.FULL
    assert rungs[-1] is Rung.HALTED


def test_it_gives_back_after_the_clear_times(loaded: Loaded) -> None:
    drive = Drive(loaded)
    drive.go(20.0)
    drive.gnss.state.silent = True
    drive.go(3.0)
    drive.gnss.state.silent = False
    rungs = drive.go(12.0)
    assert rungs[round(9.0 * 5)] is Rung.HALTED
    assert rungs[-1] is Rung.FULL


def test_without_its_library_it_is_left_out_and_says_what_it_needs(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert available() == tuple(POLICIES)
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    assert available() == tuple(name for name in POLICIES if name != "kalman")
    with pytest.raises(BadInput, match=r'needs filterpy: pip install "fenceguard\[drills\]"'):
        Kalman(loaded)
