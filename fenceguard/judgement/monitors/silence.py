"""Silence: the mower drives on while nothing valid is heard."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import SLOWEST_S, Rung, Situation

USUAL_S = 0.2
"""The limits are for a receiver with this time between epochs; a slower one has so much more, up to
`SLOWEST_S`: the speed that its mower is granted keeps the way that it drives meanwhile."""


def _read(situation: Situation) -> Reading:
    silence_s, learned = situation.silence_s, situation.learned
    period_s = None if learned is None else learned.period_s
    if silence_s is None or period_s is None:
        return silence_s
    return silence_s - max(0.0, min(period_s, SLOWEST_S) - USUAL_S)


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
