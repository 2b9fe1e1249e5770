"""What the judgement must be told of mower, receiver and limits: plain values, set once.

Where these come from is no concern of the judgement.
"""

from collections.abc import Mapping
from typing import NamedTuple

from fenceguard.judgement.types import Rung
from fenceguard.mower.stopping import Stopping

Corner = tuple[float, float]
"""Ahead and left in m."""


class BoundParameters(NamedTuple):
    """How the radius around the position is computed.

    The mappings go by the name of the solution; one that is not in all of them has no bound.
    """

    probability: float
    """With which the radius holds the true position."""
    sigma_m: Mapping[str, float]
    """To assume along each axis at HDOP 1, where the receiver states none."""
    least_sigma_m: Mapping[str, float]
    """No σ counts as less, whoever states it."""
    optimism: Mapping[str, float]
    """By how much a receiver's own σ is too small."""
    floor_m: Mapping[str, float]
    """What the bound never falls below."""
    age_fresh_s: float
    """Corrections that are no older take nothing away."""
    age_rate_mps: float
    """So much σ for each second past that."""


class TrustParameters(NamedTuple):
    """How positions are held against what speed, course and grants explain."""

    way_error: float
    """Share of the way by which the added-up speed may be off."""
    anchor_m: float
    """A fix with a wider bound is no anchor."""
    doubt_m: float
    """A sight that is farther out of reach is doubted."""
    reach_m: float
    """A wider reach does not vouch for a fix."""
    held_s: float
    """How long fixes must agree where no reach vouches for them."""
    fixes: int
    """So many fixes, each after a loss of its own, end a doubt where they agree."""
    fixes_apart_s: float
    """And so far apart in time."""
    without_speed: bool
    """Whether a position is trusted though no speed is told that could contradict it."""
    top_mps: float
    speeding_up_mps2: float
    hardest_mps2: float
    """The hardest that the mower may brake: on dry level ground."""
    braking_mps2: float
    """The least that it brakes once the drive is off: down the slope, on the worse ground."""
    reaction_s: float
    slope_deg: float


class LadderParameters(NamedTuple):
    """The rung to begin with, how fast it goes up again, and what is granted."""

    start: Rung
    clear_s: Mapping[Rung, float]
    """For each rung from `slowed` to `halted`, how long the demands for it must stay away."""
    clear_room_s: Mapping[Rung, float]
    """The same, where nothing but want of room was demanded since `full`."""
    blade_delay_s: float
    grant_valid_s: float
    full_mps: float
    slowed_mps: float


class MowerParameters(NamedTuple):
    """What the mower is, and how far it is believed."""

    outline_m: tuple[Corner, ...]
    antenna_m: Corner
    axle_m: Corner
    """The centre of rotation, in the same terms."""
    antenna_height_m: float | None
    """Above the ground; None: not known."""
    slope_deg: float
    """The steepest slope inside the fence."""
    full_mps: float
    slowed_mps: float
    speeding_up_mps2: float
    held_s: float
    """How long a heading or a speed counts that is told no more."""
    course_from_mps: float
    """At this speed and below the course says nothing of where the mower points."""
    course_error_deg: float
    """How far heading or course may be off."""
    course_within_deg: float
    """Heading and course are believed while the way taken is no farther off; inf: always."""
    wheel_slip: float
    """Share by which the wheels may turn farther than the mower goes."""
    stopping: Stopping
    hears_s: float
    """From a line or a told speed to the moment at which the controller goes by it."""
    service_mps2: float
    """What the controller brakes with of its own accord."""
    keep_m: float
    """What the told speed keeps free ahead of the standing mower."""
    told_before_s: float | None
    """So long before braking would be too late the told speed comes to an end; None: never."""
    halted_before_s: float | None
    """So long before braking would be too late the mower is halted; None: never."""


class WayOutParameters(NamedTuple):
    """How a mower may creep away where only room demands a halt."""

    mps: float
    way_m: float
    nearer_m: float
    """So much less clearance is no noise any more."""
    past_m: float
    """A position farther past the fence has no way out."""


class Row(NamedTuple):
    """One limit of one monitor."""

    rung: Rung
    limit: float | str
    for_s: float = 0.0
    """How long the limit must be exceeded before it counts."""


class MonitorParameters(NamedTuple):
    """The limits of one monitor, and whether what it finds is a demand."""

    rows: tuple[Row, ...]
    acts: bool = True
    """Otherwise its findings are only written down."""


class Parameters(NamedTuple):
    """All that a supervisor must be told, but for the fence."""

    mower: MowerParameters
    bound: BoundParameters
    trust: TrustParameters
    declared: tuple[str, ...]
    """What the receiver is said to tell, by the names of `tells.NAMES`."""
    ladder: LadderParameters
    way_out: WayOutParameters
    armed_after_s: float
    """How long the position must be trusted before the mower may leave `halted` the first time."""
    monitors: Mapping[str, MonitorParameters]
    """By the monitor's name; one that is not in it has no limit and finds nothing."""
