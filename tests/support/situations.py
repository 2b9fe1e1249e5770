"""Situations that a monitor judges, and a surveyed lawn to judge on."""

from typing import Any

from fenceguard.judgement.types import Situation
from fenceguard.lawn.fence import Fence
from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Settings
from tests.support.lawns import LAWN, OUTLINE, collection, fence_of, offset, polygon

UTC_S = 1_700_000_000.0
STOPPING = Stopping(0.5, 2.0, 1.5, speeding_up_mps2=0.5, drive_cut=False)
SPEED_MPS = 0.5


# How each monitor is made to read a value


def corrected(station: str | None, *stations: str, quality: int | None = 4) -> Situation:
    return Situation(Epoch(UTC_S, quality=quality, station=station), stations=stations)


def ahead(ahead_m: float | None, **changes: Any) -> Situation:
    """At a speed that it may not gain on."""
    return Situation(ahead_m=ahead_m, **{"speed_mps": SPEED_MPS, "stopping": STOPPING, **changes})


def told(**fields: Any) -> Situation:
    return Situation(Epoch(UTC_S, **fields))


# A lawn to judge on

HEIGHT_M = 400.0
MOUNT_M = 0.3


def surveyed() -> Fence:
    """A level lawn with its heights and its reference station."""
    lawn = polygon(LAWN, "keep_in", "lawn")
    lawn["properties"]["stations"] = ["0123"]
    for ring in lawn["geometry"]["coordinates"]:
        for position in ring:
            position.append(HEIGHT_M)
    return fence_of(collection(lawn))


FENCE = surveyed()


def plain(limits: dict[str, Any]) -> Settings:
    return Settings.model_validate(
        {
            "fence": "x",
            "outputs": "none",
            "mower": {"outline_m": OUTLINE, "antenna_m": [0, 0], "antenna_height_m": MOUNT_M},
            "arm": {"fixed_for_s": 0.5},
            "clear_s": {"slowed": 0.5, "blade_off": 0.5, "halted": 0.5},
            "blade_delay_s": 0.5,
            "limits": limits,
        }
    )


def epoch(passed_s: float, east_m: float = 15.0, **changes: Any) -> Epoch:
    """A good epoch of a mower at rest, with changes."""
    lat_deg, lon_deg = offset(east_m, 10.0)
    good: dict[str, Any] = {
        "lat_deg": lat_deg,
        "lon_deg": lon_deg,
        "height_m": HEIGHT_M + MOUNT_M,
        "quality": 4,
        "satellites": 20,
        "hdop": 0.7,
        "age_s": 1.0,
        "station": "0123",
        "speed_mps": 0.0,
        "heading_deg": 90.0,
        "sigma_major_m": 0.01,
    }
    return Epoch(UTC_S + passed_s, **{**good, **changes})
