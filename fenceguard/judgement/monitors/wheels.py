"""Wheels: they turn faster or slower than the receiver says that the mower goes."""

from fenceguard.judgement.monitors.base import SPEED_MPS, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.contradiction.wheels_mps)


WHEELS = Monitor(
    name="wheels",
    watches="wheels that turn otherwise than the receiver says that the mower goes",
    unit="m/s",
    worse="above",
    takes=SPEED_MPS,
    defaults=(
        Default(Rung.SLOWED, 0.08, "past the noise of both while speeding up and braking"),
        Default(Rung.BLADE_OFF, 0.12, "carried, pushed, stuck, or a receiver that does not follow"),
        Default(Rung.HALTED, 0.2, "no doubt any more", for_s=1.0),
    ),
    sentence="wheels and receiver were {value} m/s apart beyond slip; {limit} m/s are allowed",
    read=_read,
)
