"""Blade stop: for how long the blade may turn before it would not rest by the fence.

Where the drive line cuts the drive's power, the mower stands before the fence, blade or not.
"""

from fenceguard.judgement.monitors.base import ABSENT, TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.monitors.stopping import time_left
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    if situation.stopping is not None and situation.stopping.drive_cut:
        return ABSENT
    return time_left(situation, lambda stopping: stopping.blade_latest_s)


BLADE_STOP = Monitor(
    name="blade_stop",
    watches="the time left until the blade would still turn at the fence",
    unit="s",
    worse="below",
    takes=TIME_S,
    defaults=(Default(Rung.BLADE_OFF, 0.0, "later, the blade would still turn at the fence"),),
    sentence=(
        "{value} s were left until the blade would still turn at the fence; {limit} s are needed"
    ),
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    of_room=True,
    timed=True,
)
