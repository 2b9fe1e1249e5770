"""What a controller tells of the mower's own motion: wheel speed and yaw rate, with their noise."""

import math
from random import Random
from typing import NamedTuple

UNTOLD, TOLD = MOTIONS = ("untold", "told")
WHEEL_NOISE_MPS = 0.01
"""Of a speed that is counted from pulses over a tick."""
BIAS_DPS, YAW_NOISE_DPS = 0.5, 0.3
"""Of a cheap gyro that has found its zero while it stood; from memory."""


class Told(NamedTuple):
    """What is told at one moment."""

    wheel_mps: float
    yaw_rate_dps: float


class Odometry:
    """Wheels and gyro of one mower."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._bias_dps = random.gauss(0.0, BIAS_DPS)

    def told(self, wheel_mps: float, turn_rps: float) -> Told:
        """As fast as the wheels and the mower turn now; wheels that stand have no noise."""
        noise_mps = self._random.gauss(0.0, WHEEL_NOISE_MPS) if wheel_mps else 0.0
        noise_dps = self._random.gauss(0.0, YAW_NOISE_DPS)
        return Told(wheel_mps + noise_mps, math.degrees(turn_rps) + self._bias_dps + noise_dps)
