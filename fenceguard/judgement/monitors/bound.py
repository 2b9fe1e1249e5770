"""The bound: how far off the position may be."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return situation.bound_m


BOUND = Monitor(
    name="bound",
    watches="how far off the position may be",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(Rung.SLOWED, 0.2, "four times the 5 cm that mowing needs"),
        Default(Rung.BLADE_OFF, 0.3, "half a mower's width"),
        Default(Rung.HALTED, 2.5, "a float whose sigma is 0.3 m or more, or not told, is beyond"),
    ),
    sentence="the position could be {value} m off; {limit} m are allowed",
    read=_read,
    why_unknown=says("no bound without a solution"),
)
