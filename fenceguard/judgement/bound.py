"""The bound: a radius around the reported position that holds the true one."""

import math

from fenceguard.judgement.parameters import BoundParameters
from fenceguard.judgement.types import Bound
from fenceguard.receiver.epoch import Epoch, quality_name


def radius_per_sigma(probability: float) -> float:
    """Radius, in per-axis standard deviations, that holds a circular normal error.

    Rayleigh distribution: sqrt(-2 ln(1 - p)), for 0 < p < 1.
    """
    return math.sqrt(-2.0 * math.log1p(-probability))


def sigma_m(epoch: Epoch, parameters: BoundParameters) -> float | None:
    """Standard deviation along the worst axis; None where nothing supports one.

    As stated, else the default for the quality times HDOP, or the σ of a single axis where that is
    greater.
    """
    default_m = parameters.sigma_m.get(quality_name(epoch.quality))
    if default_m is None:
        return None
    stated_m = _stated_m(epoch)
    if stated_m is not None:
        return stated_m
    scaled_m = default_m if epoch.hdop is None else default_m * epoch.hdop
    return max(scaled_m, epoch.sigma_lat_m or 0.0, epoch.sigma_lon_m or 0.0)


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


def bound_of(epoch: Epoch, parameters: BoundParameters) -> Bound | None:
    """The bound of an epoch; None where nothing supports one.

    Its radius is K(p) sqrt((optimism σ)² + (rate (age - fresh))²) + floor, with optimism and floor
    for the quality. How far the mower has gone since the epoch is not in it: that way is along its
    path, and is taken from the room ahead.
    """
    quality = quality_name(epoch.quality)
    sigma = sigma_m(epoch, parameters)
    optimism, floor_m = parameters.optimism.get(quality), parameters.floor_m.get(quality)
    if sigma is None or optimism is None or floor_m is None:
        return None
    age_m = parameters.age_rate_mps * max((epoch.age_s or 0.0) - parameters.age_fresh_s, 0.0)
    per_sigma = radius_per_sigma(parameters.probability)
    radius_m = per_sigma * math.hypot(optimism * sigma, age_m) + floor_m
    return Bound(sigma, optimism, age_m, per_sigma, floor_m, radius_m)
