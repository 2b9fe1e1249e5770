"""Satellites: with few of them a wrong fix becomes likely."""

from fenceguard.judgement.monitors.base import PLAIN, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    return None if epoch is None else epoch.satellites


SATELLITES = Monitor(
    name="satellites",
    watches="how many satellites are used",
    unit="satellites",
    worse="below",
    takes=PLAIN,
    defaults=(
        Default(Rung.SLOWED, 8, "enough for two frequencies and a check"),
        Default(Rung.BLADE_OFF, 6, "a wrong fix becomes likely"),
        Default(Rung.HALTED, 5, "no redundancy left"),
    ),
    sentence="only {value} satellites were used; {limit} are needed",
    read=_read,
    why_unknown=says("no satellite count"),
)
