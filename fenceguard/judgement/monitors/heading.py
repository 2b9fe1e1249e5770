"""Heading: one that straight driving contradicts."""

from fenceguard.judgement.monitors.base import ANGLE_DEG, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.attitude.heading_off_deg)


HEADING = Monitor(
    name="heading",
    watches="a heading off the course in straight driving",
    unit="deg",
    worse="above",
    takes=ANGLE_DEG,
    defaults=(
        Default(Rung.SLOWED, 3.0, "as mower.course_error_deg: beyond it both directions count"),
    ),
    sentence="heading and course were {value} degrees apart beyond noise; {limit} are allowed",
    read=_read,
)
