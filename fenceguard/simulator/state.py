"""What can go wrong with the simulated receiver, and the kinds of solution that it has."""

from random import Random
from typing import NamedTuple

LOST_SENTENCE, GARBLED_SENTENCE = 0.002, 0.001
HDOP = 0.7
SOON_S, LATER_S = (2.0, 30.0), (30.0, 300.0)
"""How long a receiver that has lost the fix takes to find it again, once it could."""

Offset = tuple[float, float]
"""Metres towards east and north."""


class Kind(NamedTuple):
    """A kind of solution: its errors per axis in m, and what it says of them."""

    quality: int
    mode: str
    white_m: float
    wander_m: float
    wander_s: float
    stated_m: float


FIXED = Kind(4, "R", 0.004, 0.007, 30.0, 0.010)
FLOAT = Kind(5, "F", 0.03, 0.5, 40.0, 0.35)
SINGLE = Kind(1, "A", 0.2, 1.2, 60.0, 2.0)


class State:
    """What can go wrong; a fault sets it, and mends it when it ends."""

    def __init__(self) -> None:
        self.kind = FIXED
        self.corrections = True
        self.wrong_m: Offset = (0.0, 0.0)
        self.wrong_up_m = 0.0
        self.drifting_mps: Offset = (0.0, 0.0)
        self.lean_m: Offset = (0.0, 0.0)
        """How far a slope tips the antenna off its place above the mower."""
        self.error_times = 1.0
        """By how much the noise is greater than such a solution's usually is."""
        self.frozen = False
        self.place_held = False
        """The position is told again to the last digit, while everything else goes on."""
        self.motion_held = False
        """The same of speed, course and heading."""
        self.repeats = False
        self.buffered_s = 0.0
        self.silent = False
        self.station = ""
        """Of the corrections; empty: the one that the fence was surveyed with."""
        self.foreign = False
        """The corrections come from a station that the fence was not surveyed with."""
        self.heading = True
        self.heading_off_deg = 0.0
        self.course = True
        self.speed = True
        self.gst = True
        self.geoid = True
        self.hdop = HDOP
        self.wall = False
        self.utc_step_s = 0.0
        self.utc_rate = 1.0
        """Seconds that the receiver's clock goes on in one."""
        self.utc_ahead_s = 0.0
        """How far ahead one single epoch is: the next one."""
        self.date_ahead_days = 0
        """The same for the date alone."""
        self.sigma_share = 1.0
        self.sigma_m = 0.0
        """What the receiver says of itself whatever its errors; 0: what such a solution says."""
        self.lost = LOST_SENTENCE
        self.garbled = GARBLED_SENTENCE


def refix_s(random: Random) -> float:
    """A time to find the fix again: after half of the losses a short one."""
    return random.uniform(*random.choice((SOON_S, LATER_S)))
