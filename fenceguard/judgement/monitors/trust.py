"""Trust: whether anything vouches for the position."""

from fenceguard.judgement.monitors.base import Choice, Default, Monitor, Reading
from fenceguard.judgement.types import Rung, Situation, Trust

GRADES = {Trust.TRUSTED.word: 2.0, Trust.UNKNOWN.word: 1.0, Trust.DOUBTED.word: 0.0}


def _grade(value: float | str) -> float:
    return GRADES[str(value)]


def _read(situation: Situation) -> Reading:
    return situation.trust.word


TRUST = Monitor(
    name="trust",
    watches="whether anything vouches for the position",
    unit="trust",
    worse="below",
    takes=Choice(tuple(GRADES)),
    defaults=(
        Default(Rung.BLADE_OFF, Trust.TRUSTED.word, "no blade where nothing vouches for the place"),
    ),
    sentence="the position was {value}; the blade needs it {limit}",
    read=_read,
    grade=_grade,
)
