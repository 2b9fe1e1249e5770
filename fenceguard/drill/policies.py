"""Who decides in a drill: the supervisor, or one of two that it is held against."""

from collections.abc import Callable
from typing import Protocol

import shapely

from fenceguard.drill import kalman
from fenceguard.guard import Guard
from fenceguard.judgement.types import Decision, Grant, Inputs, Rung
from fenceguard.receiver.epoch import FIXED
from fenceguard.receiver.receiver import Receiver
from fenceguard.recording.events import RESOLUTION_S, rounded_s
from fenceguard.settings import Loaded

SHRUNK_BY_M = 0.3


class Policy(Protocol):
    """Bytes and time in, a grant out."""

    grant: Grant
    rung: Rung
    decision: Decision | None
    """The newest one; None where nothing like it is made."""

    def feed(self, data: bytes, at_s: float) -> None:
        """Bytes have arrived."""

    def tick(self, now_s: float) -> None:
        """Time has passed."""

    def sense(self, now_s: float, inputs: Inputs) -> None:
        """What the controller tells now."""


class Supervised:
    """The whole chain, from framing to the grant."""

    def __init__(self, loaded: Loaded) -> None:
        self.decision: Decision | None = None
        self._guard = Guard(loaded)
        self._guard.start(0.0, 0.0, run="drill", mode="drill", source="simulator")
        self.tick(0.0)

    def feed(self, data: bytes, at_s: float) -> None:
        """Bytes to epochs to decisions."""
        self._take(self._guard.receive(_rounded_s(at_s), data))

    def tick(self, now_s: float) -> None:
        """A decision on the tick."""
        self._take(self._guard.tick(_rounded_s(now_s)))

    def sense(self, now_s: float, inputs: Inputs) -> None:
        """A decision where they have changed."""
        self._take(self._guard.sense(_rounded_s(now_s), inputs))

    def _take(self, decisions: list[Decision]) -> None:
        self._guard.entries()
        if decisions:
            self.decision = decisions[-1]
            self.grant, self.rung = self.decision.grant, self.decision.rung


def _rounded_s(at_s: float) -> float:
    """As the clock of a run is rounded, but past the tick that is due then, whatever its last bit.

    Bytes and ticks alike, or the guard would see its clock go back between the two.
    """
    return rounded_s(at_s) + RESOLUTION_S / 2.0


class HandWritten:
    """Quality 4 and the antenna inside the shrunk fence: everything; else nothing."""

    def __init__(self, loaded: Loaded) -> None:
        settings, fence = loaded.settings, loaded.fence
        self._receiver = Receiver.from_settings(settings.receiver)
        self.decision: Decision | None = None
        self._frame = fence.frame
        self._inside = shapely.buffer(fence.area, -SHRUNK_BY_M)
        shapely.prepare(self._inside)
        self._full_mps = settings.mower.full_mps
        self._grant(False, 0.0)

    def feed(self, data: bytes, at_s: float) -> None:
        """The rule, at every epoch."""
        for epoch in self._receiver.feed(data, at_s):
            inside = False
            if epoch.lat_deg is not None and epoch.lon_deg is not None:
                place = self._frame.to_local(epoch.lat_deg, epoch.lon_deg)
                inside = bool(shapely.contains_xy(self._inside, *place))
            self._grant(epoch.quality == FIXED and inside, at_s)

    def tick(self, now_s: float) -> None:
        """Nothing: the rule knows no time."""

    def sense(self, now_s: float, inputs: Inputs) -> None:
        """Nothing: the rule looks at the position alone."""

    def _grant(self, on: bool, now_s: float) -> None:
        self.rung = Rung.FULL if on else Rung.HALTED
        self.grant = Grant(on, on, False, False, self._full_mps if on else 0.0, now_s)


POLICIES: dict[str, Callable[[Loaded], Policy]] = {
    "supervised": Supervised,
    "hand_written": HandWritten,
    "kalman": kalman.Kalman,
}


def available() -> tuple[str, ...]:
    """The policies that this installation can run."""
    return tuple(name for name in POLICIES if name != "kalman" or kalman.available())
