"""The words of the judgement: what goes in, what comes out."""

from enum import IntEnum
from typing import NamedTuple

from fenceguard.judgement.track import NO_EVIDENCE, Evidence
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


class Inputs(NamedTuple):
    """What people do at the machine."""

    reset: bool = False
    """The reset button was pressed since the step before."""


class Situation(NamedTuple):
    """All that the monitors may look at. None stands for unknown."""

    epoch: Epoch | None = None
    """The last epoch, valid or not."""
    clearance_m: float | None = None
    nearest: str = ""
    """Name of the ring nearest to the footprint."""
    bound_m: float | None = None
    silence_s: float | None = None
    """Time since the last valid epoch; at a valid epoch, the gap that it ended."""
    since_s: float = 0.0
    """Time since the last valid epoch; at a valid epoch 0."""
    utc_lag_s: float | None = None
    """How far the receiver's UTC hangs behind: 0 while it advances."""
    ahead_m: float | None = None
    """Way to the first fence line on the mower's path, less the bound, at the last valid epoch."""
    speed_mps: float = 0.0
    """Speed by which to judge that way: as told, else the top speed."""
    stopping: Stopping | None = None
    stations: tuple[str, ...] = ()
    """Reference stations that the fence was surveyed with; none if that is not known."""
    height_off_m: float | None = None
    """By how much the height misses the lawn's surface beyond its tolerance; None: not known."""
    evidence: Evidence = NO_EVIDENCE

    @property
    def room_m(self) -> float | None:
        """Clearance less bound."""
        if self.clearance_m is None or self.bound_m is None:
            return None
        return self.clearance_m - self.bound_m

    @property
    def left_ahead_m(self) -> float | None:
        """The way ahead that is left by now, if the mower has gone on as fast as before."""
        return None if self.ahead_m is None else self.ahead_m - self.speed_mps * self.since_s


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
    """Why the rung changed: `demand`, `clear` or `reset`; empty when it did not."""
    clear_s: float | None
    """On the way up: how long the demands had stayed away."""
    grant: Grant
    findings: tuple[Finding, ...]
    """Every demand of this step, one from each monitor at most."""
    watched: tuple[Finding, ...]
    """What monitors that only watch would have demanded."""
    situation: Situation
    armed: bool
