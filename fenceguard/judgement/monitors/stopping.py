"""Stopping: for how long the mower may go on before braking comes too late."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    ahead_m, stopping = situation.ahead_m, situation.stopping
    if ahead_m is None or stopping is None:
        return None
    latest_s = stopping.latest_s(ahead_m, situation.speed_mps, situation.most_mps)
    return latest_s - stopping.reaction_s - situation.since_s


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
