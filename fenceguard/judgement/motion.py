"""Motion: what the wheels and a gyro say, held against what the receiver says.

A mower's controller may tell how fast its wheels turn and how fast the mower turns. Nothing is
reckoned by them: what they say can only contradict. A receiver that holds its speed while the
mower creeps on shows in that, and a mower that is carried, and a heading that leaps.

Wheels slip, and the antenna has a speed of its own while the mower turns: so much is allowed. What
comes at the same time is up to an epoch apart, so that means over a while are compared.

What was told once and is told no more is missed, as a field of the receiver is.
"""

import math
from collections import deque
from typing import NamedTuple

from fenceguard.judgement.courses import known, turned_deg
from fenceguard.judgement.parameters import MowerParameters
from fenceguard.judgement.tells import Missing
from fenceguard.judgement.types import NO_CONTRADICTION, Contradiction, Inputs
from fenceguard.receiver.epoch import Epoch

COMPARED_S = 1.0
"""Over this time at the least ways and turns are compared."""
BRIDGED_S = 1.5
"""Over a longer gap between two epochs neither says what the other should have."""
TURNS_RPS = 1.0
"""No mower turns faster where no turn is told."""
TURN_ERROR = 0.05
"""By so much of a turn a gyro without calibration may be off; common practice, no source."""


class _Point(NamedTuple):
    """All that was gone and turned up to an epoch."""

    at_s: float
    speed_mps: float
    wheels_m: float
    doppler_m: float
    gyro_deg: float
    heading_deg: float | None
    """Counted on past north; None where none was told."""


class Motion:
    """Follows what one mower tells of its own motion."""

    def __init__(self, mower: MowerParameters) -> None:
        ahead_m = mower.axle_m[0] - mower.antenna_m[0]
        left_m = mower.axle_m[1] - mower.antenna_m[1]
        self._lever_m = math.hypot(ahead_m, left_m)
        self._slip = mower.wheel_slip
        self.forget()

    def forget(self) -> None:
        """Know nothing."""
        self._now_s = math.nan
        self._inputs = Inputs()
        self._wheels_m = self._gyro_deg = 0.0
        self._away_s: dict[str, float] = {}
        """Of what was told once, for how long it has stayed away."""
        self._begin()

    def _begin(self) -> None:
        """What was gone and turned before is not compared."""
        self._points: deque[_Point] = deque()
        self._heading_deg: float | None = None

    @property
    def missing(self) -> Missing | None:
        """What was told once and has stayed away longest."""
        longest = max(self._away_s.items(), key=lambda one: one[1], default=("", 0.0))
        return Missing(*longest) if longest[1] > 0.0 else None

    def go_on(self, now_s: float, inputs: Inputs) -> None:
        """Time has passed with what was told before; `inputs` holds from now on."""
        if inputs.wheel_mps is None and inputs.yaw_rate_dps is None and not self._away_s:
            return
        # What is no number tells nothing.
        inputs = inputs._replace(
            wheel_mps=known(inputs.wheel_mps), yaw_rate_dps=known(inputs.yaw_rate_dps)
        )
        passed_s = 0.0 if math.isnan(self._now_s) else now_s - self._now_s
        before, self._inputs, self._now_s = self._inputs, inputs, now_s
        self._wheels_m += abs(before.wheel_mps or 0.0) * passed_s
        self._gyro_deg += (before.yaw_rate_dps or 0.0) * passed_s
        for name, was, value in (
            ("wheels", before.wheel_mps, inputs.wheel_mps),
            ("yaw", before.yaw_rate_dps, inputs.yaw_rate_dps),
        ):
            if value is not None:
                self._away_s[name] = 0.0
            elif name in self._away_s:
                self._away_s[name] += passed_s
            if (was is None) is not (value is None):
                self._begin()

    def hear(self, now_s: float, epoch: Epoch) -> Contradiction:
        """An epoch has come: hold what was told since against it."""
        inputs = self._inputs
        if epoch.speed_mps is None or (inputs.wheel_mps is None and inputs.yaw_rate_dps is None):
            return NO_CONTRADICTION
        points = self._points
        if points and now_s - points[-1].at_s > BRIDGED_S:
            self._begin()
        points = self._points
        before = points[-1] if points else None
        doppler_m = 0.0
        if before is not None:
            mean_mps = (before.speed_mps + epoch.speed_mps) / 2.0
            doppler_m = before.doppler_m + mean_mps * (now_s - before.at_s)
        heading_deg = self._counted_on(epoch.heading_deg)
        newest = _Point(
            now_s, epoch.speed_mps, self._wheels_m, doppler_m, self._gyro_deg, heading_deg
        )
        points.append(newest)
        while len(points) > 2 and now_s - points[1].at_s >= COMPARED_S:
            points.popleft()
        if now_s - points[0].at_s < COMPARED_S:
            return NO_CONTRADICTION
        return Contradiction(
            None if inputs.wheel_mps is None else self._wheels_off_mps(points[0], newest),
            None if inputs.yaw_rate_dps is None else _yaw_off_deg(points[0], newest),
        )

    def _counted_on(self, told_deg: float | None) -> float | None:
        """The heading, counted on past north."""
        if told_deg is None:
            return None
        before_deg = told_deg if self._heading_deg is None else self._heading_deg
        self._heading_deg = before_deg + turned_deg(before_deg, told_deg)
        return self._heading_deg

    def _wheels_off_mps(self, before: _Point, now: _Point) -> float:
        passed_s = now.at_s - before.at_s
        wheels_m, doppler_m = now.wheels_m - before.wheels_m, now.doppler_m - before.doppler_m
        turn = TURNS_RPS * passed_s
        if self._inputs.yaw_rate_dps is not None:
            turn = math.radians(abs(now.gyro_deg - before.gyro_deg))
        allowed_m = self._slip * max(wheels_m, doppler_m) + self._lever_m * turn
        return max(0.0, abs(wheels_m - doppler_m) - allowed_m) / passed_s


def _yaw_off_deg(before: _Point, now: _Point) -> float | None:
    if before.heading_deg is None or now.heading_deg is None:
        return None
    gyro_deg, heading_deg = now.gyro_deg - before.gyro_deg, now.heading_deg - before.heading_deg
    return max(0.0, abs(gyro_deg - heading_deg) - TURN_ERROR * abs(gyro_deg))
