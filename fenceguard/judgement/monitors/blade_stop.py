"""Blade stop: where the blade would rest if its power were cut now and the mower went on."""

from fenceguard.judgement.monitors.base import LEFT_M, Default, Monitor, Reading, says
from fenceguard.judgement.monitors.stopping import left_after
from fenceguard.judgement.types import Rung, Situation
from fenceguard.mower.stopping import Stopping


def _read(situation: Situation) -> Reading:
    return left_after(Stopping.blade_distance_m, situation)


BLADE_STOP = Monitor(
    name="blade_stop",
    watches="where the blade would rest if its power were cut now",
    unit="m",
    worse="below",
    takes=LEFT_M,
    defaults=(
        Default(Rung.SLOWED, 0.05, "faster than permitted"),
        Default(Rung.BLADE_OFF, 0.0, "later, the blade would still turn at the fence"),
    ),
    sentence="{value} m would be left ahead when the blade has come to rest; {limit} m are needed",
    read=_read,
    why_unknown=says("no position or no bound"),
    by_clearance=True,
    timed=True,
)
