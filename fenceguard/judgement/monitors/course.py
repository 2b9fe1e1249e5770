"""Course: a direction that the way taken contradicts."""

from fenceguard.judgement.monitors.base import ANGLE_DEG, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.attitude.course_off_deg)


COURSE = Monitor(
    name="course",
    watches="a course off the way taken",
    unit="deg",
    worse="above",
    takes=ANGLE_DEG,
    defaults=(
        Default(Rung.SLOWED, 45.0, "as mower.course_within_deg: from here on it is not believed"),
    ),
    sentence="the course was {value} degrees off the way taken; {limit} are allowed",
    read=_read,
)
