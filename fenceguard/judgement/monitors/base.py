"""The one shape of all monitors."""

from collections.abc import Callable
from typing import NamedTuple

from fenceguard.judgement.types import Situation


class Reading(NamedTuple):
    """What a monitor measured. A value of None, or one that is not a number, is unknown."""

    value: float | str | None
    note: str = ""
    """Why the value is unknown, or what stands beside it."""


def as_it_is(value: float | str) -> float:
    """The number that a value is compared by."""
    return float(value)


class Monitor(NamedTuple):
    """Watches one hazard.

    `read` is pure: the situation in, a reading out, or None while the hazard cannot occur. The
    limits are not its concern: they stand at `limits.<name>.<rung>` in the settings.
    """

    name: str
    unit: str
    worse: str
    """`above` or `below`: on which side of a limit the danger lies."""
    read: Callable[[Situation], Reading | None]
    grade: Callable[[float | str], float] = as_it_is
    """The number by which a value and a limit are compared."""
    timed: bool = False
    """Whether the reading changes with time alone, without a new epoch."""
