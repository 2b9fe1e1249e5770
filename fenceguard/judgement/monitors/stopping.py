"""Stopping: where the mower would stand if it braked now."""

from collections.abc import Callable

from fenceguard.judgement.monitors.base import LEFT_M, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation
from fenceguard.mower.stopping import Stopping


def left_after(way_m: Callable[[Stopping, float], float], situation: Situation) -> Reading:
    """What is left ahead after a way that depends on the speed."""
    left_m, stopping = situation.left_ahead_m, situation.stopping
    if left_m is None or stopping is None:
        return None
    return left_m - way_m(stopping, situation.speed_mps)


def _read(situation: Situation) -> Reading:
    return left_after(Stopping.distance_m, situation)


STOPPING = Monitor(
    name="stopping",
    watches="where the mower would stand if it braked now",
    unit="m",
    worse="below",
    takes=LEFT_M,
    defaults=(
        Default(Rung.SLOWED, 0.15, "faster than permitted"),
        Default(Rung.BLADE_OFF, 0.05, "braking now no longer keeps the margin"),
        Default(Rung.HALTED, 0.0, "it would stand past the fence"),
    ),
    sentence="{value} m would be left ahead after stopping; {limit} m are needed",
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    timed=True,
)
