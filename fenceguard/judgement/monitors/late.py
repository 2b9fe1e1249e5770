"""Late: what has waited in a buffer looks fresh and is not."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.late_s)


LATE = Monitor(
    name="late",
    watches="epochs that waited in a buffer",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.SLOWED, 0.3, "15 cm further than the epoch says"),
        Default(Rung.BLADE_OFF, 0.6, "30 cm"),
        Default(Rung.HALTED, 1.2, "60 cm: no further"),
    ),
    sentence="the epoch came {value} s later than the promptest ones; {limit} s are allowed",
    read=_read,
)
