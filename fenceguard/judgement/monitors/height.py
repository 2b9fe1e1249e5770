"""Height: an antenna that is not where the lawn would have it."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.height_off_m)


HEIGHT = Monitor(
    name="height",
    watches="an antenna off the lawn's surface",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(Rung.SLOWED, 0.1, "heights are half again as bad as the plane"),
        Default(Rung.BLADE_OFF, 0.2, "twice that: not by noise alone"),
        Default(Rung.HALTED, 1.0, "a wrong fix, or not on this lawn"),
    ),
    sentence="the antenna was {value} m off the lawn's surface; {limit} m are allowed",
    read=_read,
)
