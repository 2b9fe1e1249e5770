"""The words of the judgement: what goes in, what comes out."""

from enum import Enum, IntEnum
from typing import NamedTuple

from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import Epoch


class Rung(IntEnum):
    """How much of the mower may be used; the greater, the less."""

    FULL = 0
    SLOWED = 1
    BLADE_OFF = 2
    HALTED = 3
    LOCKED = 4

    @property
    def word(self) -> str:
        """The rung's name in settings, logs and screens."""
        return self.name.lower()


class Trust(Enum):
    """What is believed of the position."""

    UNKNOWN = "unknown"
    TRUSTED = "trusted"
    DOUBTED = "doubted"

    @property
    def word(self) -> str:
        """The state's name in the journal and on screens."""
        return self.value


class Inputs(NamedTuple):
    """What is told at the machine. Each is a state that is held, not an event."""

    reset: bool = False
    """The reset button is down."""
    wheel_mps: float | None = None
    """Along the nose, as fast as the wheels turn, negative backwards; None: not told."""
    yaw_rate_dps: float | None = None
    """How fast the mower turns by its gyro, in degrees per s, clockwise; None: not told."""


PRESSED = ("reset",)
"""The inputs that people press or let go; the others the controller tells."""
NOTHING_PRESSED = Inputs()


def pressed(inputs: Inputs) -> dict[str, bool]:
    """Which of the inputs that people press are down."""
    return {name: getattr(inputs, name) for name in PRESSED}


class Bound(NamedTuple):
    """The radius around the position that holds the true one, and its parts."""

    sigma_m: float
    """Along the worst axis, as the receiver states it, else as is assumed for its solution."""
    optimism: float
    """By how much a receiver's own σ is too small."""
    age_m: float
    """What the age of the corrections adds, as a σ."""
    per_sigma: float
    """Radius, in σ, that holds the position with the wanted probability."""
    floor_m: float
    """What comes on top, however small σ is."""
    rounding_m: float
    """What the digits of the position leave open."""
    tilt_m: float
    """How far a slope that is not known may put the antenna off."""
    unexplained_m: float
    """What contradicts the position."""
    reach_m: float
    """Radius of the reach, where the mower is only known to be in that; else 0."""
    radius_m: float
    """per_sigma times the root of (optimism sigma_m)² + age_m², and what comes on top."""


class Evidence(NamedTuple):
    """What the epochs say about each other; None where there is nothing to compare with."""

    trust: Trust = Trust.UNKNOWN
    excess_m: float | None = None
    """By how much a position changed more than bound and reckoning explain."""
    against: str = ""
    """What the excess contradicts: `step`, `drift` or `height`."""
    reach_m: float | None = None
    """Radius of the place where the mower can be, reckoned from the anchor."""
    late_s: float | None = None
    """By how much later than the promptest epochs it arrived."""
    leap_s: float = 0.0
    """By how much the receiver's UTC came ahead of the arrivals."""
    same_s: float = 0.0
    """For how long the position has been the same measurement."""
    over_mps: float | None = None
    """By how much the mower is faster than it may be at `full`."""
    missing: str = ""
    """What the receiver used to tell and tells no more; empty for nothing."""
    missing_s: float = 0.0


NO_EVIDENCE = Evidence()


class Learned(NamedTuple):
    """What is known of a receiver's ways."""

    period_s: float | None
    """From one epoch to the next."""
    fields: tuple[str, ...]
    digit_m: float | None
    """How far apart two positions are that differ in their last digit."""

    @property
    def due_s(self) -> float:
        """When after an epoch the next one is due; as late as may be where that is not known."""
        return SLOWEST_S if self.period_s is None else self.period_s


class Way(NamedTuple):
    """A way that the mower may take from where it is; degrees clockwise from north."""

    heading_deg: float
    travel_deg: float
    """Where it goes at first."""


class Attitude(NamedTuple):
    """Where the mower points and goes, as far as that is known."""

    headings_deg: tuple[float, ...] = ()
    """Every way that the nose may point; none where nothing is known of it."""
    ways: tuple[Way, ...] = ()
    starts: tuple[Way, ...] = ()
    """Ways on which a mower that all but stands may set out besides, if nobody sees it."""
    curvature_per_m: float = 0.0
    """How the way bends, in radians per m, clockwise."""
    course_off_deg: float | None = None
    """Angle between the direction, as far as it turned, and the way that the axle has taken."""
    heading_off_deg: float | None = None
    """Heading less course, on average while it drives, beyond the noise of both."""


NO_ATTITUDE = Attitude()


class Contradiction(NamedTuple):
    """How far receiver and mower disagree; None where there is nothing to compare."""

    wheels_mps: float | None = None
    """Speed by the wheels less speed by Doppler, beyond slip and turn."""
    yaw_deg: float | None = None
    """Turn by the gyro less turn of the heading, beyond the gyro's own error."""


NO_CONTRADICTION = Contradiction()


SLOWEST_S = 1.0
"""No receiver for mowers takes longer from one epoch to the next."""


class Situation(NamedTuple):
    """All that the monitors may look at. None stands for unknown."""

    epoch: Epoch | None = None
    """The last epoch, valid or not."""
    clearance_m: float | None = None
    nearest: str = ""
    """Name of the ring nearest to the footprint."""
    bound: Bound | None = None
    silence_s: float | None = None
    """Time since the last valid epoch; at a valid epoch, the gap that it ended."""
    since_s: float = 0.0
    """Time since the last valid epoch; at a valid epoch 0."""
    utc_lag_s: float | None = None
    """How far the receiver's UTC hangs behind: 0 while it advances."""
    ahead_m: float | None = None
    """Way to the first fence line on the mower's path, less the bound, at the last valid epoch."""
    speed_mps: float = 0.0
    """At the last valid epoch: as told, else what it may have been."""
    most_mps: float = 0.0
    """Up to this speed it may have gained since, as the lines stand."""
    penned_s: float | None = None
    """For how long the mower has stood where it is told no speed; None: it has not."""
    stopping: Stopping | None = None
    stations: tuple[str, ...] = ()
    """Reference stations that the fence was surveyed with; none if that is not known."""
    height_off_m: float | None = None
    """By how much the height misses the lawn's surface beyond its tolerance; None: not known."""
    evidence: Evidence = NO_EVIDENCE
    learned: Learned | None = None
    """What is known of the receiver's ways."""
    attitude: Attitude = NO_ATTITUDE
    contradiction: Contradiction = NO_CONTRADICTION
    inputs: Inputs = NOTHING_PRESSED
    at_least: bool = False
    """The clearance is no less than told, and the way ahead no shorter; the ring is not told."""
    place: tuple[float, float] | None = None
    """Of the antenna, in the local frame: what clearance and bound are about."""

    @property
    def trust(self) -> Trust:
        """What is believed of the position."""
        return self.evidence.trust

    @property
    def due_s(self) -> float:
        """When after the last epoch the next one is due."""
        return SLOWEST_S if self.learned is None else self.learned.due_s

    @property
    def bound_m(self) -> float | None:
        """Radius that holds the true position."""
        return None if self.bound is None else self.bound.radius_m

    @property
    def room_m(self) -> float | None:
        """Clearance less bound."""
        if self.clearance_m is None or self.bound is None:
            return None
        return self.clearance_m - self.bound.radius_m


class Finding(NamedTuple):
    """What a monitor says: a value that is past its limit, and the rung that it demands."""

    monitor: str
    value: float | str | None
    """None where the value is unknown; `note` then says why."""
    limit: float | str | None
    unit: str
    rung: Rung
    note: str = ""


class Grant(NamedTuple):
    """What the rung gives right now."""

    drive: bool
    blade: bool
    slow: bool
    warning: bool
    """The blade is about to start."""
    top_speed_mps: float
    valid_until_s: float
    """On the clock of the steps: without a newer grant by then, nothing is granted."""


class Decision(NamedTuple):
    """The outcome of one step."""

    now_s: float
    rung: Rung
    was: Rung
    """The rung of the step before."""
    why: str
    """Why the rung changed: `demand`, `clear`, `way_out` or `reset`; empty when it did not."""
    clear_s: float | None
    """On the way up: how long the demands had stayed away."""
    grant: Grant
    findings: tuple[Finding, ...]
    """Every demand of this step, one from each monitor at most."""
    watched: tuple[Finding, ...]
    """What monitors that only watch would have demanded."""
    situation: Situation
    armed: bool
    way_out: bool = False
    """Where only room demands a halt, the mower may creep away."""
