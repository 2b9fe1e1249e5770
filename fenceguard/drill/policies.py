"""Who decides in a drill: the supervisor, or the rule that one would write by hand."""

from collections.abc import Callable
from typing import Protocol

import shapely

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Grant, Rung
from fenceguard.lawn.fence import Fence
from fenceguard.receiver.epoch import FIXED
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Settings

SHRUNK_BY_M = 0.3


class Policy(Protocol):
    """Bytes and time in, a grant out."""

    grant: Grant
    rung: Rung
    decision: Decision | None

    def feed(self, data: bytes, at_s: float) -> None:
        """Bytes have arrived."""

    def tick(self, now_s: float) -> None:
        """Time has passed."""


class Supervised:
    """The whole chain, from framing to the grant."""

    def __init__(self, settings: Settings, fence: Fence) -> None:
        self._receiver = Receiver.from_settings(settings.receiver)
        self._supervisor = Supervisor.from_settings(settings, fence)
        self.decision: Decision | None = None
        self.tick(0.0)

    def feed(self, data: bytes, at_s: float) -> None:
        """Bytes to epochs to decisions."""
        for epoch in self._receiver.feed(data, at_s):
            self._take(self._supervisor.step(at_s, epoch))

    def tick(self, now_s: float) -> None:
        """A decision on the tick."""
        for epoch in self._receiver.poll(now_s):
            self._supervisor.step(now_s, epoch)
        self._take(self._supervisor.step(now_s, None))

    def _take(self, decision: Decision) -> None:
        self.decision = decision
        self.grant = decision.grant
        self.rung = decision.rung


class HandWritten:
    """Quality 4 and the antenna inside the shrunk fence: everything; else nothing."""

    def __init__(self, settings: Settings, fence: Fence) -> None:
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

    def _grant(self, on: bool, now_s: float) -> None:
        self.rung = Rung.FULL if on else Rung.HALTED
        self.grant = Grant(on, on, False, False, self._full_mps if on else 0.0, now_s)


POLICIES: dict[str, Callable[[Settings, Fence], Policy]] = {
    "supervised": Supervised,
    "hand_written": HandWritten,
}
