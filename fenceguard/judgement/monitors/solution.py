"""The kind of solution: only a fixed one is good to centimetres."""

from fenceguard.judgement.monitors.base import Choice, Default, Monitor, Reading, says
from fenceguard.judgement.types import Rung, Situation
from fenceguard.receiver.epoch import quality_name

GRADES = {
    "fixed": 4.0,
    "float": 3.0,
    "differential": 2.0,
    "pps": 2.0,
    "single": 1.0,
}
"""How good a solution is; whatever is not named here has no satellites behind it: grade 0."""


def _grade(value: float | str) -> float:
    return GRADES.get(str(value), 0.0)


def _read(situation: Situation) -> Reading:
    return None if situation.epoch is None else quality_name(situation.epoch.quality)


SOLUTION = Monitor(
    name="solution",
    watches="the kind of solution",
    unit="quality",
    worse="below",
    takes=Choice(tuple(GRADES)),
    defaults=(
        Default(Rung.BLADE_OFF, "fixed", "only a fixed solution is good to centimetres"),
        Default(Rung.HALTED, "float", "metres off, without a warning"),
    ),
    sentence="the solution was {value}; {limit} or better is needed",
    read=_read,
    why_unknown=says("no epoch yet"),
    grade=_grade,
    indispensable=True,
)
