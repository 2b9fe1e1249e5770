"""What one would write in a week instead of a supervisor: a filter with a gate.

A Kalman filter of constant velocity, with the speed by Doppler as a measurement of its own and a
gate on the squared innovation; after some rejections in a row it begins anew where the receiver
says. The library is filterpy. A fix is believed where it passes the gate.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from filterpy.kalman import KalmanFilter

from fenceguard.lawn.frame import Frame
from fenceguard.receiver.epoch import FIXED, Epoch
from fenceguard.receiver.receiver import Receiver
from tests.support.truth import (
    LATENCY_S,
    RIGHT_M,
    SETTLED_S,
    SPEEDING_UP_MPS2,
    WRONG_M,
    Burst,
    errors_m,
)

GATE = 9.210
"""Quantile at 99 % of chi-square with two degrees of freedom (tables; -2 ln 0.01)."""
REJECTIONS = 5
"""So many in a row, and the filter begins anew: a second at 5 Hz (common practice, no source)."""
LEAST_SIGMA_M = 0.01
DOPPLER_SIGMA_MPS = 0.1
STANDSTILL_MPS = 0.1
"""Up to here a speed without a course is a standstill."""


class Filtered(NamedTuple):
    """What the filter made of the fixes."""

    wrong: int
    wrong_believed: int
    right: int
    """After the first minute."""
    right_refused: int


class Gate:
    """The filter: epochs in, whether each position is believed out."""

    def __init__(self, accelerating_mps2: float) -> None:
        self._accelerating_mps2 = accelerating_mps2
        self._filter: Any = None
        self._utc_s = 0.0
        self._rejected = 0

    def hear(self, epoch: Epoch, place: tuple[float, float]) -> bool:
        """Whether the position passes the gate; the first one does, and so does a new beginning."""
        sigma_m = max(LEAST_SIGMA_M, epoch.sigma_major_m or 0.5)
        if self._filter is None:
            self._begin(epoch.utc_s, place, sigma_m)
            self._take_speed(epoch)
            return True
        self._predict(epoch.utc_s - self._utc_s)
        self._utc_s = epoch.utc_s
        self._take_speed(epoch)
        if self._take(np.array(place), np.eye(2, 4), sigma_m):
            self._rejected = 0
            return True
        self._rejected += 1
        if self._rejected < REJECTIONS:
            return False
        self._begin(epoch.utc_s, place, sigma_m)
        self._take_speed(epoch)
        return True

    def _begin(self, utc_s: float, place: tuple[float, float], sigma_m: float) -> None:
        self._filter = KalmanFilter(dim_x=4, dim_z=2)
        self._filter.x = np.array([*place, 0.0, 0.0])
        self._filter.P = np.diag([sigma_m**2, sigma_m**2, 100.0, 100.0])
        self._utc_s, self._rejected = utc_s, 0

    def _predict(self, passed_s: float) -> None:
        step = np.eye(4)
        step[0, 2] = step[1, 3] = passed_s
        gain = np.array([[passed_s**2 / 2.0, 0.0], [0.0, passed_s**2 / 2.0]])
        gain = np.vstack((gain, passed_s * np.eye(2)))
        self._filter.predict(F=step, Q=gain @ gain.T * self._accelerating_mps2**2)

    def _take_speed(self, epoch: Epoch) -> None:
        speed_mps, course_deg = epoch.speed_mps, epoch.course_deg
        if speed_mps is None or (course_deg is None and speed_mps > STANDSTILL_MPS):
            return
        course = math.radians(course_deg or 0.0)
        told = speed_mps * np.array([math.sin(course), math.cos(course)])
        self._take(told, np.eye(2, 4, 2), DOPPLER_SIGMA_MPS)

    def _take(self, told: Any, of: Any, sigma: float) -> bool:
        """Take a measurement in if it passes the gate."""
        innovation = told - of @ self._filter.x
        spread = of @ self._filter.P @ of.T + sigma**2 * np.eye(2)
        if innovation @ np.linalg.solve(spread, innovation) > GATE:
            return False
        self._filter.update(told, R=sigma**2 * np.eye(2), H=of)
        return True


def filtered(bursts: tuple[Burst, ...]) -> Filtered:
    """How the filter fares over the drive."""
    receiver = Receiver(epoch_wait_s=0.12)
    epochs: list[Epoch] = []
    for burst in bursts:
        epochs += receiver.feed(b"".join(burst.sentences), burst.utc_s + LATENCY_S)
    epochs += receiver.finish()
    first = epochs[0]
    assert first.lat_deg is not None
    assert first.lon_deg is not None
    frame = Frame(first.lat_deg, first.lon_deg)
    gate = Gate(SPEEDING_UP_MPS2 / 2.0)
    outcome = []
    for epoch, error_m in zip(epochs, errors_m(epochs), strict=True):
        assert epoch.lat_deg is not None
        assert epoch.lon_deg is not None
        believed = gate.hear(epoch, frame.to_local(epoch.lat_deg, epoch.lon_deg))
        if epoch.quality == FIXED:
            outcome.append((epoch.utc_s - first.utc_s, float(error_m), believed))
    wrong = [believed for _, error_m, believed in outcome if error_m > WRONG_M]
    right = [
        believed
        for passed_s, error_m, believed in outcome
        if error_m < RIGHT_M and passed_s > SETTLED_S
    ]
    return Filtered(len(wrong), sum(wrong), len(right), right.count(False))
