"""What a good engineer would write in a week: a Kalman filter, a gate, and the room that is left.

The filter and its statistics are a library's. Constant velocity; position and Doppler are measured.
A position that misses the prediction by too much is passed over, and believed after a number of
those in a row, as is usual.
"""

import importlib.util
import math

import numpy as np

from fenceguard.errors import BadInput
from fenceguard.judgement.bound import radius_per_sigma
from fenceguard.judgement.types import Decision, Grant, Inputs, Rung
from fenceguard.lawn.frame import Array
from fenceguard.mower.footprint import Footprint
from fenceguard.receiver.epoch import FIXED, Epoch, quality_name
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Loaded

GATE = 9.210
"""Chi-square of two axes, 99 % (scipy.stats.chi2)."""
PASSED_OVER = 10
"""So many in a row are passed over, and then the filter begins anew: common practice, no source."""
SPEEDING_UP_MPS2 = 0.5
"""Standard deviation of what the velocity does unforeseen."""
DOPPLER_MPS = 0.05
"""Standard deviation of what the receiver says of the velocity, per axis."""
STANDING_MPS = 0.1
"""Below this a speed without a course says that it stands."""
LEAST_SIGMA_M = 0.01
SILENT_S = 1.5
LEAST_STEP_S, MOST_STEP_S = 0.01, 5.0
BLADE_ROOM_M, DRIVE_ROOM_M = -0.03, -0.06
"""What blade and drive need, as by the built-in limits of `room`."""
PLACE = np.eye(2, 4)
"""Of the state east, north and their speeds."""
VELOCITY = np.eye(2, 4, 2)


def available() -> bool:
    """Whether its library is there."""
    return importlib.util.find_spec("filterpy") is not None


class Kalman:
    """Blade and drive by the room that the filtered position has."""

    def __init__(self, loaded: Loaded) -> None:
        if not available():
            raise BadInput('the policy kalman needs filterpy: pip install "fenceguard[drills]"')
        from filterpy.common import Q_discrete_white_noise
        from filterpy.kalman import KalmanFilter
        from filterpy.stats import mahalanobis

        settings, self._fence = loaded.settings, loaded.fence
        self._mahalanobis, self._noise = mahalanobis, Q_discrete_white_noise
        self._filter = KalmanFilter(dim_x=4, dim_z=2)
        self._footprint = Footprint(settings.mower.outline_m, settings.mower.antenna_m)
        self._course_from_mps = settings.mower.course_from_mps
        self._full_mps = settings.mower.full_mps
        self._bound = settings.bound
        self._per_sigma = radius_per_sigma(settings.bound.probability)
        self._clear_s = {
            Rung.BLADE_OFF: settings.clear_s.blade_off,
            Rung.HALTED: settings.clear_s.halted,
        }
        self._receiver = Receiver.from_settings(settings.receiver)
        self.decision: Decision | None = None
        self._utc_s: float | None = None
        self.passed_over = 0
        """So many positions in a row missed the prediction by too much."""
        self._heard_s = -math.inf
        self._demanded_s = {Rung.BLADE_OFF: 0.0, Rung.HALTED: 0.0}
        self._grant(Rung.HALTED, 0.0)

    def feed(self, data: bytes, at_s: float) -> None:
        """Bytes to epochs to the filter."""
        for epoch in self._receiver.feed(data, at_s):
            self._take(epoch, at_s)

    def sense(self, now_s: float, inputs: Inputs) -> None:
        """Nothing: the filter goes by the receiver alone."""

    def tick(self, now_s: float) -> None:
        """An epoch may have waited long enough; or nothing has come for too long."""
        for epoch in self._receiver.poll(now_s):
            self._take(epoch, now_s)
        if now_s - self._heard_s > SILENT_S:
            self._demand(Rung.HALTED, now_s)

    def _take(self, epoch: Epoch, now_s: float) -> None:
        if epoch.lat_deg is None or epoch.lon_deg is None or epoch.quality is None:
            return
        sigma_m = self._sigma_m(epoch)
        if sigma_m is None:
            self._demand(Rung.HALTED, now_s)
            return
        self._heard_s = now_s
        place_m = np.array(self._fence.frame.to_local(epoch.lat_deg, epoch.lon_deg))
        self._filtered(epoch, place_m, sigma_m)
        room_m = self._room_m(epoch, sigma_m)
        if room_m < DRIVE_ROOM_M:
            self._demand(Rung.HALTED, now_s)
        elif room_m < BLADE_ROOM_M or epoch.quality != FIXED:
            self._demand(Rung.BLADE_OFF, now_s)
        else:
            self._demand(Rung.FULL, now_s)

    def _sigma_m(self, epoch: Epoch) -> float | None:
        """Of each axis, as it is told, else as such a solution usually has it."""
        if epoch.sigma_lat_m and epoch.sigma_lon_m:
            return max(LEAST_SIGMA_M, epoch.sigma_lat_m, epoch.sigma_lon_m)
        usual_m = self._bound.parameters().sigma_m.get(quality_name(epoch.quality))
        return None if usual_m is None else usual_m * max(1.0, epoch.hdop or 1.0)

    def _filtered(self, epoch: Epoch, place_m: Array, sigma_m: float) -> None:
        """Take one epoch into the filter, or pass its position over."""
        kalman = self._filter
        step_s = math.inf if self._utc_s is None else epoch.utc_s - self._utc_s
        self._utc_s = epoch.utc_s
        if not 0.0 <= step_s <= MOST_STEP_S or self.passed_over >= PASSED_OVER:
            kalman.x = np.concatenate([place_m, np.zeros(2)])
            kalman.P = np.diag([sigma_m**2, sigma_m**2, 1.0, 1.0])
            self.passed_over = 0
        else:
            step_s = max(step_s, LEAST_STEP_S)
            kalman.predict(
                F=np.eye(4) + step_s * np.eye(4, k=2),
                Q=self._noise(2, step_s, SPEEDING_UP_MPS2**2, 2, order_by_dim=False),
            )
            taken = self._measured(place_m, sigma_m, PLACE)
            self.passed_over = 0 if taken else self.passed_over + 1
        speed_mps, course_deg = epoch.speed_mps, epoch.course_deg
        if speed_mps is not None and (course_deg is not None or speed_mps < STANDING_MPS):
            course = math.radians(course_deg or 0.0)
            told_mps = speed_mps * np.array([math.sin(course), math.cos(course)])
            self._measured(told_mps, DOPPLER_MPS, VELOCITY)

    def _measured(self, told: Array, sigma: float, of: Array) -> bool:
        """Take in what is told of a part of the state, if that passes the gate."""
        kalman, noise = self._filter, np.eye(2) * sigma**2
        missed = self._mahalanobis(told, of @ kalman.x, of @ kalman.P @ of.T + noise)
        if missed**2 > GATE:
            return False
        kalman.update(told, noise, of)
        return True

    def _room_m(self, epoch: Epoch, sigma_m: float) -> float:
        """Clearance of the filtered place less its bound."""
        east_m, north_m, east_mps, north_mps = map(float, self._filter.x)
        heading_deg = epoch.heading_deg
        if heading_deg is None and math.hypot(east_mps, north_mps) >= self._course_from_mps:
            heading_deg = math.degrees(math.atan2(east_mps, north_mps))
        headings_deg = () if heading_deg is None else (heading_deg,)
        clearance = self._footprint.clearance(self._fence, east_m, north_m, *headings_deg)
        clearance_m = clearance.metres
        quality = quality_name(epoch.quality)
        parameters = self._bound.parameters()
        filtered_m = math.sqrt(float(max(self._filter.P[0, 0], self._filter.P[1, 1])))
        scatter_m = self._per_sigma * parameters.optimism[quality] * max(sigma_m, filtered_m)
        return clearance_m - scatter_m - parameters.floor_m[quality]

    def _demand(self, demanded: Rung, now_s: float) -> None:
        """Down at once; up once nothing has demanded the rung for its clear time."""
        for rung in self._demanded_s:
            if demanded >= rung:
                self._demanded_s[rung] = now_s
        kept = [
            rung
            for rung, at_s in self._demanded_s.items()
            if self.rung >= rung and now_s - at_s < self._clear_s[rung]
        ]
        self._grant(max([demanded, *kept]), now_s)

    def _grant(self, rung: Rung, now_s: float) -> None:
        self.rung = rung
        drive, blade = rung < Rung.HALTED, rung is Rung.FULL
        top_mps = self._full_mps if drive else 0.0
        self.grant = Grant(drive, blade, drive and not blade, False, top_mps, now_s)
