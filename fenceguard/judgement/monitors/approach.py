"""Approach: whether a controller that reads the slow line alone still comes down in time.

What counts is what will be left when the next epoch is due, with the speed as it is. That the mower
slows down is not seen before then.
"""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    ahead_m, stopping = situation.ahead_m, situation.stopping
    if ahead_m is None or stopping is None:
        return None
    speed_mps = situation.speed_mps
    latest_s = stopping.latest_s(ahead_m, speed_mps, 0.0)
    if not stopping.drive_cut:
        latest_s = min(latest_s, stopping.blade_latest_s(ahead_m, speed_mps, 0.0))
    return latest_s - stopping.reaction_s - max(situation.since_s, situation.due_s)


APPROACH = Monitor(
    name="approach",
    watches="the time left for slowing down before the fence",
    unit="s",
    worse="below",
    takes=TIME_S,
    defaults=(
        Default(
            Rung.SLOWED, 0.6, "until a controller hears, and an epoch shows that it slows down"
        ),
    ),
    sentence="{value} s were left for slowing down before the fence; {limit} s are needed",
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    of_room=True,
    timed=True,
)
