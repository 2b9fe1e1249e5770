"""What came of one drill."""

import math
from typing import NamedTuple

SETTLED_S = 24.0
"""By then a mower without a fault is at full."""
FULL_BEFORE_S, FULL_WITHIN_S = 5.0, 10.0
"""So long a mower must be at full, within so long before the fault: with nothing there to be taken
away a drill proves nothing.
"""
TOUCH_M = 0.001
USABLE_M = 0.3
"""A bound above this is not good enough to mow by."""
WRONG_M, RIGHT_M = 0.5, 0.3
"""A fix that is farther off is wrong, one that is nearer is right."""
REGIONS = ("holds_usable", "holds_not_usable", "misleading", "hazardously_misleading")
FIXES = ("wrong", "wrong_with_blade", "right", "right_without_blade")
CELLS_PER_DECADE = 8
LEAST_CELL_M, CELLS = 0.001, 32


class Setup(NamedTuple):
    """Who mows where: names of a controller, a lawn, a make of receiver, and what is told of the
    motion.
    """

    controller: str = "plans_ahead"
    lawn: str = "own"
    receiver: str = "5hz"
    motion: str = "untold"


class Result(NamedTuple):
    """What came of one drill. Times in s, lengths in m."""

    number: int
    policy: str
    controller: str
    lawn: str
    receiver: str
    motion: str
    faults: tuple[str, ...]
    fault_at_s: float | None
    full_before_s: float
    """Of the `FULL_WITHIN_S` before the fault, the time at full; without a fault, all such time."""
    action_s: float | None
    """From the first fault until something was taken away; None if nothing was."""
    granted_out_m: float
    """How far any part of the footprint was past the fence while the blade was granted."""
    blade_out_m: float
    """The same while the blade turned."""
    drive_out_m: float
    """The same while the wheels turned."""
    interventions: int
    blade_stops: int
    """How often the blade's power was taken away."""
    halts: int
    full_s: float
    lasted_s: float
    """All but the time in which a mower settles."""
    honest_s: float
    """The part of that before a fault may begin; the next two are of it."""
    honest_full_s: float
    honest_blade_stops: int
    reached_s: dict[str, float]
    """From the first fault until each rung, or one below it, was first granted."""
    full_again_s: float | None
    """From the first fault until `full` was first granted after the blade was off.

    None if it never was. Slowing down before a fence line, as any mower does, does not count.
    """
    first_full_s: float | None
    """From the start until `full` was first granted."""
    regions: tuple[int, int, int, int]
    """Epochs by true error against bound; see `region`."""
    cells: dict[str, int]
    """Epochs by decades of error and bound, for the picture: `row,column` of `cell`."""
    fixes: tuple[int, int, int, int]
    """Epochs that are called fixed: see `FIXES`."""

    @property
    def proves(self) -> bool:
        """Whether there was something to be taken away."""
        return self.full_before_s >= FULL_BEFORE_S


def region(error_m: float, bound_m: float) -> int:
    """Index into `REGIONS`.

    The bound holds or it does not; it is usable or not; and an error past both the bound and what
    is usable, told as usable, is the hazardous one.
    """
    if error_m <= bound_m:
        return 0 if bound_m <= USABLE_M else 1
    return 3 if bound_m <= USABLE_M < error_m else 2


def cell(length_m: float) -> int:
    """Index of a length on the logarithmic axes of the picture: 1 mm to 10 m."""
    if length_m <= LEAST_CELL_M:
        return 0
    return min(CELLS - 1, int(math.log10(length_m / LEAST_CELL_M) * CELLS_PER_DECADE))
