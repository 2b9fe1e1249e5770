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

    The semi-major axis where the receiver gives it, else sqrt(σ_lat² + σ_lon²), which it never
    exceeds, else the default for the quality. A stated σ below the floor counts as the floor.
    """
    default_m = settings.default_sigma_m(quality_name(epoch.quality))
    if default_m is None:
        return None
    stated_m = epoch.sigma_major_m
    if stated_m is None and epoch.sigma_lat_m is not None and epoch.sigma_lon_m is not None:
        stated_m = math.hypot(epoch.sigma_lat_m, epoch.sigma_lon_m)
    if stated_m is None:
        return default_m
    return max(stated_m, settings.sigma_floor_m)


def bound_m(epoch: Epoch, settings: "BoundSettings") -> float | None:
    """Radius that holds the true position with the stated probability; None if unknown."""
    sigma = sigma_m(epoch, settings)
    return None if sigma is None else radius_per_sigma(settings.probability) * sigma
