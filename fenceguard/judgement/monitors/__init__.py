"""The monitors, in the order in which they are named when several demand the same."""

from fenceguard.judgement.monitors.approach import APPROACH
from fenceguard.judgement.monitors.blade_stop import BLADE_STOP
from fenceguard.judgement.monitors.bound import BOUND
from fenceguard.judgement.monitors.correction_age import CORRECTION_AGE
from fenceguard.judgement.monitors.course import COURSE
from fenceguard.judgement.monitors.frozen import FROZEN
from fenceguard.judgement.monitors.hdop import HDOP
from fenceguard.judgement.monitors.heading import HEADING
from fenceguard.judgement.monitors.height import HEIGHT
from fenceguard.judgement.monitors.late import LATE
from fenceguard.judgement.monitors.penned import PENNED
from fenceguard.judgement.monitors.reach import REACH
from fenceguard.judgement.monitors.room import ROOM
from fenceguard.judgement.monitors.satellites import SATELLITES
from fenceguard.judgement.monitors.silence import SILENCE
from fenceguard.judgement.monitors.solution import SOLUTION
from fenceguard.judgement.monitors.speed import SPEED
from fenceguard.judgement.monitors.station import STATION
from fenceguard.judgement.monitors.stopping import STOPPING
from fenceguard.judgement.monitors.tells import TELLS
from fenceguard.judgement.monitors.trust import TRUST
from fenceguard.judgement.monitors.wheels import WHEELS
from fenceguard.judgement.monitors.yaw import YAW

MONITORS = (
    SILENCE,
    FROZEN,
    LATE,
    SOLUTION,
    CORRECTION_AGE,
    STATION,
    SATELLITES,
    HDOP,
    BOUND,
    REACH,
    TRUST,
    TELLS,
    SPEED,
    WHEELS,
    YAW,
    HEIGHT,
    COURSE,
    HEADING,
    ROOM,
    APPROACH,
    STOPPING,
    BLADE_STOP,
    PENNED,
)
