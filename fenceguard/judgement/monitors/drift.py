"""Drift: the position moves otherwise than the speed says."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.drift_m)


DRIFT = Monitor(
    name="drift",
    watches="a position that moves otherwise than the speed says",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(Rung.SLOWED, 0.12, "receivers at rest and on foot stay below while fixed"),
        Default(Rung.BLADE_OFF, 0.2, "four times the 5 cm that mowing needs"),
        Default(Rung.HALTED, 0.5, "as far as a mower is wide"),
    ),
    sentence="the position moved {value} m otherwise than the speed says; {limit} m are allowed",
    read=_read,
)
