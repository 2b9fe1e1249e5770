"""The bound: a radius around the reported position that holds the true one."""

import math
from typing import TYPE_CHECKING

from fenceguard.receiver.epoch import Epoch, quality_name

if TYPE_CHECKING:
    from fenceguard.settings import BoundSettings


def radius_per_sigma(probability: float) -> float:
    """Radius, in per-axis standard deviations, that holds a circular normal error.

    Rayleigh distribution: sqrt(-2 ln(1 - p)), for 0 < p < 1.
    """
    return math.sqrt(-2.0 * math.log1p(-probability))


def sigma_m(epoch: Epoch, settings: "BoundSettings") -> float | None:
    """Standard deviation along the worst axis; None where nothing supports one.

    As stated, else the default for the quality, or the σ of a single axis where that is greater. A
    stated σ below the floor counts as the floor.
    """
    default_m = settings.default_sigma_m(quality_name(epoch.quality))
    if default_m is None:
        return None
    stated_m = _stated_m(epoch)
    if stated_m is None:
        return max(default_m, epoch.sigma_lat_m or 0.0, epoch.sigma_lon_m or 0.0)
    return max(stated_m, settings.sigma_floor_m)


def _stated_m(epoch: Epoch) -> float | None:
    """σ of the worst axis by the receiver's own word; an axis of 0 is one that it leaves out.

    The semi-major axis, but no less than the σ of latitude and longitude; without it
    sqrt(σ_lat² + σ_lon²), which it never exceeds.
    """
    if epoch.sigma_major_m:
        return max(epoch.sigma_major_m, epoch.sigma_lat_m or 0.0, epoch.sigma_lon_m or 0.0)
    if epoch.sigma_lat_m and epoch.sigma_lon_m:
        return math.hypot(epoch.sigma_lat_m, epoch.sigma_lon_m)
    return None


def bound_m(epoch: Epoch, settings: "BoundSettings") -> float | None:
    """Radius that holds the true position with the stated probability; None if unknown."""
    sigma = sigma_m(epoch, settings)
    return None if sigma is None else radius_per_sigma(settings.probability) * sigma
