"""What a fault is, and the world that it acts on."""

import math
from collections.abc import Callable
from random import Random
from typing import NamedTuple

from fenceguard.simulator.body import Will
from fenceguard.simulator.state import Offset, State


class World(Will):
    """What faults act on: the receiver's state, the mower's own will, and the rest."""

    def __init__(self, state: State) -> None:
        super().__init__()
        self.state = state
        self.fence_shift_m: Offset = (0.0, 0.0)
        """How far the true fence lies from the surveyed one."""
        self.clock_step_s = 0.0
        """By how much the supervisor's clock has been put on."""
        self.cuts = False
        """The next bytes break off in the middle."""


Change = Callable[[World, Random], None]


class Stage(NamedTuple):
    """Something that changes, so long after the fault began."""

    after_s: float
    change: Change


class Fault(NamedTuple):
    """A kind of fault; `stages` draws one, with its changes in time."""

    name: str
    stages: Callable[[Random], list[Stage]]
    undetectable: str = ""
    """Why one receiver alone cannot tell, and what helps; empty where it can."""


def towards(random: Random, least: float, most: float) -> Offset:
    """A length, or a speed, between two in a direction at random."""
    size, direction = random.uniform(least, most), random.uniform(0.0, 2.0 * math.pi)
    return size * math.sin(direction), size * math.cos(direction)


def to(**values: object) -> Change:
    """Set something of the receiver."""

    def change(world: World, _random: Random) -> None:
        for name, value in values.items():
            setattr(world.state, name, value)

    return change


def world_to(**values: object) -> Change:
    """Set something of the world."""

    def change(world: World, _random: Random) -> None:
        for name, value in values.items():
            setattr(world, name, value)

    return change


def ramp(name: str, end: Offset, lasts_s: float, step_s: float) -> list[Stage]:
    """Bring an offset of the receiver to its end, little by little."""
    steps = max(1, round(lasts_s / step_s))
    return [
        Stage(lasts_s * n / steps, to(**{name: (end[0] * n / steps, end[1] * n / steps)}))
        for n in range(1, steps + 1)
    ]
