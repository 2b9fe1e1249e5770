"""Station: corrections from elsewhere may lie in another frame, decimetres off."""

from fenceguard.judgement.monitors.base import ABSENT, Choice, Default, Monitor, Reading, says
from fenceguard.judgement.monitors.correction_age import CORRECTED
from fenceguard.judgement.types import Rung, Situation

ACCEPTED = "accepted"


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    if not situation.stations or epoch is None or epoch.quality not in CORRECTED:
        return ABSENT
    if epoch.station in situation.stations:
        return ACCEPTED
    return None if epoch.station == ACCEPTED else epoch.station


def _grade(value: float | str) -> float:
    return float(value == ACCEPTED)


STATION = Monitor(
    name="station",
    watches="the reference station that the corrections come from",
    unit="station",
    worse="below",
    takes=Choice((ACCEPTED,)),
    defaults=(
        Default(Rung.HALTED, ACCEPTED, "another station may lie in another frame, metres off"),
    ),
    sentence="the corrections came from station {value}, not from one that is {limit}",
    read=_read,
    why_unknown=says("corrections from a station that is not told"),
    grade=_grade,
)
