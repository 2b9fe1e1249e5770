"""Reach: a fixed position where the mower cannot be."""

from fenceguard.judgement.monitors.base import LENGTH_M, Default, Monitor, Reading, if_there
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return if_there(situation.evidence.excess_m)


def _note(situation: Situation) -> str:
    return situation.evidence.against


REACH = Monitor(
    name="reach",
    watches="a fixed position where the mower cannot be",
    unit="m",
    worse="above",
    takes=LENGTH_M,
    defaults=(
        Default(
            Rung.BLADE_OFF, 0.2, "as trust.doubt_m; bound and reckoning were already allowed for"
        ),
        Default(Rung.HALTED, 0.4, "no doubt any more"),
    ),
    sentence="the position lay {value} m beyond where the mower can be; {limit} m are allowed",
    read=_read,
    note=_note,
)
