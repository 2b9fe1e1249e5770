"""The one shape of all monitors."""

from collections.abc import Callable
from enum import Enum
from typing import NamedTuple

from fenceguard.judgement.types import Rung, Situation


class Absent(Enum):
    """Says that the hazard cannot occur at present: there is nothing to read."""

    ABSENT = "absent"


ABSENT = Absent.ABSENT
Reading = float | str | None | Absent
"""What a monitor reads. None, or what is not a number, is unknown, and unknown is worst."""


def if_there(value: float | None) -> Reading:
    """A value of which None says that there is nothing to compare."""
    return ABSENT if value is None else value


def says(note: str) -> Callable[[Situation], str]:
    """The same note whatever the situation."""
    return lambda _situation: note


class Range(NamedTuple):
    """Limits that are numbers: the least and the greatest that may be set."""

    least: float
    most: float


TIME_S = Range(0.0, 600.0)
LENGTH_M = Range(0.0, 1000.0)
LEFT_M = Range(-100.0, 100.0)
"""A length that is left; negative: past the fence."""
PLAIN = Range(0.0, 100.0)
"""Without a unit."""
ANGLE_DEG = Range(0.0, 180.0)
SPEED_MPS = Range(0.0, 10.0)


class Choice(NamedTuple):
    """Limits that are words: those that may be set."""

    words: tuple[str, ...]


class Default(NamedTuple):
    """A limit of a monitor where nothing is set: for a mower at 0.5 m/s, and why."""

    rung: Rung
    limit: float | str
    why: str
    for_s: float = 0.0
    """How long the limit must be exceeded before it counts."""


def as_it_is(value: float | str) -> float:
    """The number that a value is compared by."""
    return float(value)


class Monitor(NamedTuple):
    """Watches one hazard.

    `read` is pure: the situation in, a reading out. The limits that hold are not its concern: they
    stand at `limits.<name>.<rung>` in the settings.
    """

    name: str
    watches: str
    """The hazard, in a few words for owners."""
    unit: str
    worse: str
    """`above` or `below`: on which side of a limit the danger lies."""
    takes: Range | Choice
    """What a limit may be."""
    defaults: tuple[Default, ...]
    sentence: str
    """What was found, for the audit, with `{value}` and `{limit}`."""
    read: Callable[[Situation], Reading]
    why_unknown: Callable[[Situation], str] = says("no number")
    """What is noted where the reading is unknown."""
    note: Callable[[Situation], str] = says("")
    """What is noted beside a value."""
    grade: Callable[[float | str], float] = as_it_is
    """The number by which a value and a limit are compared."""
    by_clearance: bool = False
    """Whether the reading rests on the clearance, or on the way ahead, and falls with it."""
    of_room: bool = False
    """Whether it tells how near the fence is, and nothing else: a way out may lead past it."""
    timed: bool = False
    """Whether the reading changes with time alone, without a new epoch."""
    indispensable: bool = False
    """Supervision rests on it: it must be able to halt, and may not only watch."""
