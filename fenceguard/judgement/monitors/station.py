"""Station: corrections from elsewhere may lie in another frame, decimetres off."""

from fenceguard.judgement.monitors.base import Choice, Default, Monitor, Reading
from fenceguard.judgement.monitors.correction_age import CORRECTED
from fenceguard.judgement.types import Rung, Situation

ACCEPTED = "accepted"


def _read(situation: Situation) -> Reading | None:
    epoch = situation.epoch
    if not situation.stations or epoch is None or epoch.quality not in CORRECTED:
        return None
    if epoch.station in situation.stations:
        return Reading(ACCEPTED)
    told = None if epoch.station == ACCEPTED else epoch.station
    return Reading(told, "corrections from a station that is not told")


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
    grade=_grade,
)
