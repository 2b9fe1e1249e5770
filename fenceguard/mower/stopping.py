"""How far the mower still goes, and how fast it may go."""

import math
from typing import NamedTuple

GRAVITY_MPS2 = 9.80665
SPARE_M = 0.5
"""Farther than the way itself to look ahead: for the bound, the margins, the time since."""


class Stopping(NamedTuple):
    """What decides where the mower, and its blade, come to rest."""

    reaction_s: float
    """From the epoch to the moment at which the brakes bite or the blade's power is off."""
    deceleration_mps2: float
    blade_stop_s: float
    """From the blade's power off to the blade at rest."""

    def distance_m(self, speed_mps: float) -> float:
        """Way until the mower stands: v t + v²/(2 a)."""
        return speed_mps * self.reaction_s + speed_mps**2 / (2.0 * self.deceleration_mps2)

    def blade_distance_m(self, speed_mps: float) -> float:
        """Way until the blade rests, if the mower drives on as fast as before."""
        return speed_mps * (self.reaction_s + self.blade_stop_s)

    def horizon_m(self, speed_mps: float) -> float:
        """How far ahead to look at a speed; what lies beyond does not matter yet."""
        return SPARE_M + max(self.distance_m(speed_mps), self.blade_distance_m(speed_mps))

    def permitted_mps(self, distance_m: float) -> float:
        """The speed from which the mower stands within a distance: -a t + sqrt((a t)² + 2 a d)."""
        slowing_mps = self.deceleration_mps2 * self.reaction_s
        way = slowing_mps**2 + 2.0 * self.deceleration_mps2 * max(0.0, distance_m)
        return max(0.0, math.sqrt(way) - slowing_mps)

    def blade_permitted_mps(self, distance_m: float) -> float:
        """The speed at which the blade rests within a distance."""
        return max(0.0, distance_m) / (self.reaction_s + self.blade_stop_s)


def downhill_mps2(deceleration_mps2: float, slope_deg: float) -> float:
    """What is left of the deceleration on level ground when braking down a slope.

    The grip shrinks with the cosine of the slope, and its sine pulls.
    """
    slope = math.radians(slope_deg)
    return deceleration_mps2 * math.cos(slope) - GRAVITY_MPS2 * math.sin(slope)
