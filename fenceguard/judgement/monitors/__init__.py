"""The monitors, in the order in which they are named when several demand the same."""

from fenceguard.judgement.monitors.bound import BOUND
from fenceguard.judgement.monitors.correction_age import CORRECTION_AGE
from fenceguard.judgement.monitors.frozen import FROZEN
from fenceguard.judgement.monitors.hdop import HDOP
from fenceguard.judgement.monitors.room import ROOM
from fenceguard.judgement.monitors.satellites import SATELLITES
from fenceguard.judgement.monitors.silence import SILENCE
from fenceguard.judgement.monitors.solution import SOLUTION

MONITORS = (SILENCE, FROZEN, SOLUTION, CORRECTION_AGE, SATELLITES, HDOP, BOUND, ROOM)
