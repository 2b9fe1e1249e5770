"""Silence: the mower drives on while nothing valid is heard."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return situation.silence_s


SILENCE = Monitor(
    name="silence",
    watches="epochs that stay away",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.SLOWED, 0.5, "25 cm driven unseen; two or three epochs lost at 5 Hz"),
        Default(Rung.BLADE_OFF, 1.0, "50 cm: the length of the mower"),
        Default(Rung.HALTED, 1.5, "75 cm: no further"),
    ),
    sentence="no valid epoch had come for {value} s; {limit} s are allowed",
    read=_read,
    why_unknown=says("no valid epoch yet"),
    timed=True,
    indispensable=True,
)
