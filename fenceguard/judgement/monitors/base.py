"""The one shape of all monitors."""

from collections.abc import Callable
from typing import NamedTuple

from fenceguard.judgement.types import Rung, Situation


class Reading(NamedTuple):
    """What a monitor measured. A value of None, or one that is not a number, is unknown."""

    value: float | str | None
    note: str = ""
    """Why the value is unknown, or what stands beside it."""


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

    `read` is pure: the situation in, a reading out, or None while the hazard cannot occur. The
    limits that hold are not its concern: they stand at `limits.<name>.<rung>` in the settings.
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
    read: Callable[[Situation], Reading | None]
    grade: Callable[[float | str], float] = as_it_is
    """The number by which a value and a limit are compared."""
    timed: bool = False
    """Whether the reading changes with time alone, without a new epoch."""
    indispensable: bool = False
    """Supervision rests on it: it must be able to halt, and may not only watch."""
