"""Stopping: for how long the mower may go on before braking comes too late."""

from collections.abc import Callable

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation
from fenceguard.mower.stopping import Stopping

Latest = Callable[[float, float, float], float]
"""From the length that is left, the speed and the most that it may become to a time."""


def time_left(situation: Situation, latest_of: Callable[[Stopping], Latest]) -> Reading:
    """What is left of the time until something comes too late, once the reaction is over."""
    ahead_m, stopping = situation.ahead_m, situation.stopping
    if ahead_m is None or stopping is None:
        return None
    latest_s = latest_of(stopping)(ahead_m, situation.speed_mps, situation.most_mps)
    return latest_s - stopping.reaction_s - situation.since_s


def _read(situation: Situation) -> Reading:
    return time_left(situation, lambda stopping: stopping.latest_s)


STOPPING = Monitor(
    name="stopping",
    watches="the time left until braking comes too late",
    unit="s",
    worse="below",
    takes=TIME_S,
    defaults=(Default(Rung.HALTED, 0.0, "later, it would stand past the fence"),),
    sentence="{value} s were left until braking would have come too late; {limit} s are needed",
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    of_room=True,
    timed=True,
)
