"""HDOP: a poor spread of the satellites magnifies every error."""

from fenceguard.judgement.monitors.base import PLAIN, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    # 0 is what receivers say that do not know.
    return None if epoch is None else epoch.hdop or None


HDOP = Monitor(
    name="hdop",
    watches="how poorly the satellites are spread",
    unit="",
    worse="above",
    takes=PLAIN,
    defaults=(
        Default(Rung.SLOWED, 2.0, "errors in the plane doubled"),
        Default(Rung.BLADE_OFF, 4.0, "a poor sky"),
        Default(Rung.HALTED, 8.0, "no geometry to speak of"),
    ),
    sentence="HDOP was {value}; {limit} is allowed",
    read=_read,
    why_unknown=says("no HDOP"),
)
