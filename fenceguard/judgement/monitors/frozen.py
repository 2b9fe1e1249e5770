"""Frozen: a receiver that goes on talking while its clock stands still or goes back."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return situation.utc_lag_s


FROZEN = Monitor(
    name="frozen",
    watches="epochs that repeat themselves, or go back in time",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.BLADE_OFF, 0.5, "the same instant twice is no news"),
        Default(Rung.HALTED, 1.0, "as with silence: the mower drives unseen"),
    ),
    sentence="the receiver's clock hung {value} s behind; {limit} s are allowed",
    read=_read,
    why_unknown=says("the receiver's UTC is missing or went back"),
)
