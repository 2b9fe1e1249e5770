"""Controllers of the simulated mower: how fast each wants to go with what it is told."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from fenceguard.judgement.types import Grant
from fenceguard.simulator.routes import Route

OBEYS = 0.8
"""The share of the permitted speed that a controller with foresight uses."""


class Speeds(NamedTuple):
    """What the settings of the mower say: full speed, and while slowed."""

    full_mps: float
    slowed_mps: float


class Controller(NamedTuple):
    """A kind of controller."""

    name: str
    limit_mps: Callable[[Grant, Speeds], float]
    """The speed that it keeps to."""
    planned_mps: Callable[[Route], Sequence[float]]
    """How fast it means to be at each point of a route."""


def _by_the_lines(told: Grant, speeds: Speeds) -> float:
    if not told.drive:
        return 0.0
    return speeds.slowed_mps if told.slow else speeds.full_mps


CONTROLLERS = {
    one.name: one
    for one in (
        Controller("lines_alone", _by_the_lines, lambda route: route.turning_mps),
        Controller(
            "told_speed", lambda told, _: told.top_speed_mps, lambda route: route.turning_mps
        ),
        Controller(
            "plans_ahead",
            lambda told, _: OBEYS * told.top_speed_mps,
            lambda route: route.speeds_mps,
        ),
    )
}
"""By name. The first reads the lines, the second the speed that is told as well, exactly; both slow
down for turns on the spot alone. The third knows the supervisor's limits and plans with them."""
