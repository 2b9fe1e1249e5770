"""Frozen: epochs that are no news, as their clock or their position stands still."""

import math

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    evidence, lag_s = situation.evidence, situation.utc_lag_s
    if lag_s is None or not math.isfinite(lag_s + evidence.same_s + evidence.leap_s):
        return None
    return max(lag_s, evidence.same_s, evidence.leap_s)


def _note(situation: Situation) -> str:
    evidence, lag_s = situation.evidence, situation.utc_lag_s or 0.0
    if evidence.leap_s > max(lag_s, evidence.same_s):
        return "its clock came ahead"
    return "the same position" if evidence.same_s > lag_s else "the same instant"


FROZEN = Monitor(
    name="frozen",
    watches="epochs that are no news: the same instant or position, or a clock that was set",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.BLADE_OFF, 0.5, "the same instant twice is no news"),
        Default(Rung.HALTED, 1.0, "as with silence: the mower drives unseen"),
    ),
    sentence="the receiver's clock or position was {value} s off; {limit} s are allowed",
    read=_read,
    why_unknown=says("the receiver's UTC is missing or went back"),
    note=_note,
)
