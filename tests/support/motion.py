"""Mowers that drive at random as mowers do, with their true places and velocities."""

import math
from typing import NamedTuple

from hypothesis import strategies as st

STEP_S = 0.02
"""Between two moments of the truth."""
TOP_MPS = 0.5
UP_MPS2, DOWN_MPS2 = 0.5, 1.5
"""How fast it speeds up at most, and brakes."""
MOST_TURN = 0.8
"""In radians a second."""


class Moment(NamedTuple):
    """Where the mower is, and how it goes."""

    at_s: float
    east_m: float
    north_m: float
    east_mps: float
    north_mps: float

    @property
    def place(self) -> tuple[float, float]:
        """East and north."""
        return self.east_m, self.north_m

    @property
    def mps(self) -> float:
        """How fast it is."""
        return math.hypot(self.east_mps, self.north_mps)

    @property
    def course_deg(self) -> float:
        """Where it goes, clockwise from north."""
        return math.degrees(math.atan2(self.east_mps, self.north_mps)) % 360.0


class Leg(NamedTuple):
    """So long at an aim for the speed, turning."""

    lasts_s: float
    aim_mps: float
    turn: float


LEGS = st.lists(
    st.builds(
        Leg,
        st.floats(1.0, 8.0),
        st.sampled_from([0.0, 0.0, 0.1, 0.25, 0.4, TOP_MPS, TOP_MPS]),
        st.one_of(st.just(0.0), st.floats(-MOST_TURN, MOST_TURN)),
    ),
    min_size=1,
    max_size=8,
)


def drive(legs: list[Leg], begin_s: float = 0.0) -> list[Moment]:
    """The truth, from standing at the origin, facing north."""
    moments = [Moment(begin_s, 0.0, 0.0, 0.0, 0.0)]
    mps, way, east_m, north_m, count = 0.0, 0.0, 0.0, 0.0, 0
    for leg in legs:
        for _ in range(round(leg.lasts_s / STEP_S)):
            most_mps, least_mps = mps + UP_MPS2 * STEP_S, mps - DOWN_MPS2 * STEP_S
            after_mps = min(max(leg.aim_mps, least_mps), most_mps)
            middle_mps, middle = (mps + after_mps) / 2.0, way + leg.turn * STEP_S / 2.0
            east_m += middle_mps * STEP_S * math.sin(middle)
            north_m += middle_mps * STEP_S * math.cos(middle)
            mps, way, count = after_mps, way + leg.turn * STEP_S, count + 1
            moments.append(
                Moment(
                    begin_s + count * STEP_S,
                    east_m,
                    north_m,
                    mps * math.sin(way),
                    mps * math.cos(way),
                )
            )
    return moments


def every(moments: list[Moment], period_s: float) -> list[Moment]:
    """Those at a rate."""
    return moments[:: round(period_s / STEP_S)]
