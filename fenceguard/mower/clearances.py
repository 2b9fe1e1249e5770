"""Clearances from pose to pose: exact where one is asked for, and what is sure in between."""

import math
from typing import NamedTuple

from fenceguard.lawn.fence import Fence
from fenceguard.mower.footprint import Clearance, Footprint

ROUNDING_M = 1e-9
"""Taken off what is sure, and far more than rounding can add to it."""


class Pose(NamedTuple):
    """Where the antenna is in the local frame, and every way that the nose may point.

    No heading stands for every heading, as for `Footprint.clearance`.
    """

    east_m: float
    north_m: float
    headings_deg: tuple[float, ...] = ()


class Clearances:
    """The clearance of one footprint in one fence, as the mower moves.

    The exact one takes a search for the nearest line. Between two of them it is known without a
    search how near a line can have come: no point of the mower has moved farther than its antenna,
    and the turn about the antenna times the reach.
    """

    def __init__(self, footprint: Footprint, fence: Fence) -> None:
        self._footprint = footprint
        self._fence = fence
        self.forget()

    def forget(self) -> None:
        """Know nothing: until the next exact clearance nothing is sure."""
        self._pose = Pose(0.0, 0.0)
        self._clearance_m = -math.inf

    def exact(self, pose: Pose) -> Clearance:
        """The clearance at a pose, which is kept to tell what is sure of the poses to come."""
        clearance = self._footprint.clearance(
            self._fence, pose.east_m, pose.north_m, *pose.headings_deg
        )
        self._pose, self._clearance_m = pose, clearance.metres
        return clearance

    def at_least_m(self, pose: Pose) -> float:
        """What the clearance at a pose is not less than, in m, by the last exact one.

        It is -inf where nothing is sure: with nothing kept, from a pose past the line or on it, or
        where the mower may point in a direction which the kept clearance does not hold for.
        """
        if self._clearance_m <= 0.0:
            return -math.inf
        kept = self._pose
        moved_m = math.hypot(pose.east_m - kept.east_m, pose.north_m - kept.north_m)
        turned_m = self._footprint.reach_m * _turned(kept, pose)
        return self._clearance_m - moved_m - turned_m - ROUNDING_M

    def vouches(self, pose: Pose, needed_m: float) -> bool:
        """Whether the clearance at a pose is sure to be as large as is needed."""
        return self.at_least_m(pose) >= needed_m


def _turned(kept: Pose, pose: Pose) -> float:
    """Radians that any asked way is turned from the nearest one that is kept; inf for none."""
    if not kept.headings_deg:
        return 0.0
    if not pose.headings_deg:
        return math.inf
    turned_deg = max(
        min(abs(math.remainder(asked_deg - kept_deg, 360.0)) for kept_deg in kept.headings_deg)
        for asked_deg in pose.headings_deg
    )
    return math.radians(turned_deg)
