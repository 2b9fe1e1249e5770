"""Refix: the first fixed position after a loss is where the mower cannot be."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.refix_m)


REFIX = Monitor(
    name="refix",
    watches="a fixed position after a loss where the mower cannot be",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(Rung.BLADE_OFF, 0.0, "two bounds and the way since were already allowed for"),
        Default(Rung.HALTED, 0.2, "no doubt any more"),
    ),
    sentence=(
        "the fixed position lay {value} m beyond where the mower could be; {limit} m are allowed"
    ),
    read=_read,
)
