"""A supervisor on a plain lawn, and good epochs for it."""

import math
from typing import Any

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Finding, Inputs, Rung
from fenceguard.lawn.fence import Fence
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Settings
from tests.support.lawns import LAWN, OUTLINE, collection, fence_of, offset, polygon

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
START_UTC_S = 1_700_000_000.0
REACH_M = math.hypot(0.35, 0.25)
LAWN_ALONE = polygon(LAWN, "keep_in", "lawn")
LAWN_ALONE["properties"]["stations"] = ["0001", "0002"]
FENCE: Fence = fence_of(collection(LAWN_ALONE))
WIDTH_M, DEPTH_M = LAWN[2]
BODY: dict[str, Any] = {"outline_m": OUTLINE, "antenna_m": [0, 0]}


def settings(**changes: Any) -> Settings:
    """Short times, so that the way up fits into a few steps."""
    content: dict[str, Any] = {
        "fence": "x",
        "outputs": "none",
        "mower": BODY,
        "arm": {"fixed_for_s": 1.0},
        "clear_s": {"slowed": 0.5, "blade_off": 0.5, "halted": 0.5},
        "blade_delay_s": 0.3,
        **changes,
    }
    return Settings.model_validate(content)


def epoch(utc_s: float, east_m: float = 15.0, north_m: float = 10.0, **fields: Any) -> Epoch:
    """A good epoch in the middle of the lawn, with changes."""
    lat, lon = offset(east_m, north_m)
    good: dict[str, Any] = {
        "lat_deg": lat,
        "lon_deg": lon,
        "quality": 4,
        "satellites": 20,
        "hdop": 0.7,
        "age_s": 1.0,
        "sigma_major_m": 0.01,
        "station": "0001",
        "speed_mps": 0.0,
        "course_deg": 0.0,
    }
    return Epoch(utc_s, **{**good, **fields})


class Mower:
    """A supervisor with a clock, fed at 8 Hz: eighths of a second add up exactly."""

    def __init__(self, fence: Fence = FENCE, **changes: Any) -> None:
        self.supervisor = Supervisor.from_settings(settings(**changes), fence)
        self.now_s = 100.0
        self.last: Decision | None = None

    def hear(self, *, after_s: float = 0.125, **fields: Any) -> Decision:
        """The next epoch, good but for the changes."""
        self.now_s += after_s
        return self.take(self.good(**fields))

    def good(self, **fields: Any) -> Epoch:
        """A good epoch of now, but for the changes."""
        fields.setdefault("utc_s", START_UTC_S + self.now_s)
        return epoch(**fields)

    def take(self, heard: Epoch | None, reset: bool = False) -> Decision:
        self.last = self.supervisor.step(self.now_s, heard, Inputs(reset))
        return self.last

    def tick(self, after_s: float = 0.125, reset: bool = False) -> Decision:
        self.now_s += after_s
        return self.take(None, reset)

    def up(self, **fields: Any) -> "Mower":
        """Bring it to full, with epochs good but for the changes."""
        for _ in range(60):
            if self.hear(**fields).rung is FULL:
                return self
        raise AssertionError(f"not at full: {self.last}")


def finding(decision: Decision, monitor: str) -> Finding | None:
    return next((one for one in decision.findings if one.monitor == monitor), None)
