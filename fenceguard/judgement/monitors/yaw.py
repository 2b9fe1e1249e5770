"""Yaw: the heading turns otherwise than the mower's gyro says."""

from fenceguard.judgement.monitors.base import ANGLE_DEG, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.contradiction.yaw_deg)


YAW = Monitor(
    name="yaw",
    watches="a heading that turns otherwise than the gyro says",
    unit="deg",
    worse="above",
    takes=ANGLE_DEG,
    defaults=(
        Default(Rung.SLOWED, 12.0, "a fifth of a second between the two in a turn of 60 degrees/s"),
        Default(Rung.BLADE_OFF, 20.0, "a heading that leaps: the outline is not where it is told"),
    ),
    sentence="heading and gyro turned {value} degrees apart; {limit} degrees are allowed",
    read=_read,
)
