"""Speed: a mower faster than it ever may be: carried, pushed, or out of control."""

from fenceguard.judgement.monitors.base import SPEED_MPS, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.over_mps)


SPEED = Monitor(
    name="speed",
    watches="a mower faster than it ever may be",
    unit="m/s",
    worse="above",
    takes=SPEED_MPS,
    defaults=(
        Default(Rung.SLOWED, 0.15, "past the receiver's noise and a wheel's slip", for_s=0.5),
        Default(Rung.BLADE_OFF, 0.3, "not obeying, or carried", for_s=0.3),
        Default(Rung.HALTED, 0.6, "more than twice as fast as it may be", for_s=0.3),
    ),
    sentence="the mower was {value} m/s faster than its top speed; {limit} m/s are allowed",
    read=_read,
)
