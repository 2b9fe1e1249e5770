"""The bound: a radius around the reported position that holds the true one."""

import math

from fenceguard.judgement.parameters import BoundParameters
from fenceguard.judgement.types import Bound
from fenceguard.receiver.epoch import Epoch, quality_name

DOUBLES_S = 5.0
"""A σ that is stated no more counts as twice as much after each such time."""
MOST_DOUBLED = 20.0


def radius_per_sigma(probability: float) -> float:
    """Radius, in per-axis standard deviations, that holds a circular normal error.

    Rayleigh distribution: sqrt(-2 ln(1 - p)), for 0 < p < 1.
    """
    return math.sqrt(-2.0 * math.log1p(-probability))


def stated_m(epoch: Epoch) -> float | None:
    """σ of the worst axis by the receiver's own word; an axis of 0 is one that it leaves out.

    The semi-major axis, but no less than the σ of latitude and longitude; without it
    sqrt(σ_lat² + σ_lon²), which it never exceeds.
    """
    if epoch.sigma_major_m:
        return max(epoch.sigma_major_m, epoch.sigma_lat_m or 0.0, epoch.sigma_lon_m or 0.0)
    if epoch.sigma_lat_m and epoch.sigma_lon_m:
        return math.hypot(epoch.sigma_lat_m, epoch.sigma_lon_m)
    return None


class Bounds:
    """Makes the bound of each epoch of one receiver."""

    def __init__(self, parameters: BoundParameters) -> None:
        self._parameters = parameters
        self._per_sigma = radius_per_sigma(parameters.probability)
        self.forget()

    def forget(self) -> None:
        """Know no σ."""
        self._stated: dict[str, tuple[float, float]] = {}
        """For each solution the σ that was stated last, and when."""

    def sigma_m(self, at_s: float, epoch: Epoch) -> float | None:
        """Standard deviation along the worst axis at a time; None where nothing supports one.

        As stated. Where that stays away, as it was stated last for this solution, and twice as much
        after each `DOUBLES_S`; where it never was, the default for the quality times HDOP. No less
        than the σ of a single axis, and never less than the least σ.
        """
        parameters, quality = self._parameters, quality_name(epoch.quality)
        default_m, least_m = parameters.sigma_m.get(quality), parameters.least_sigma_m.get(quality)
        if default_m is None or least_m is None:
            return None
        told_m = stated_m(epoch)
        if told_m is not None:
            self._stated[quality] = told_m, at_s
            return max(told_m, least_m)
        last = self._stated.get(quality)
        if last is None:
            # HDOP below 1 is praise, and 0 is not known.
            assumed_m = default_m * max(1.0, epoch.hdop or 1.0)
        else:
            assumed_m = last[0] * 2.0 ** min(MOST_DOUBLED, (at_s - last[1]) / DOUBLES_S)
        return max(assumed_m, least_m, epoch.sigma_lat_m or 0.0, epoch.sigma_lon_m or 0.0)

    def hear(self, at_s: float, epoch: Epoch, tilt_m: float = 0.0) -> Bound | None:
        """The bound of an epoch; None where nothing supports one.

        Its radius is K(p) sqrt((optimism σ)² + (rate (age - fresh))²) + floor + rounding + tilt,
        with optimism and floor for the quality. How far the mower has gone since the epoch is not
        in it: that way is along its path, and is taken from the room ahead.
        """
        parameters, quality = self._parameters, quality_name(epoch.quality)
        sigma = self.sigma_m(at_s, epoch)
        optimism, floor_m = parameters.optimism.get(quality), parameters.floor_m.get(quality)
        if sigma is None or optimism is None or floor_m is None:
            return None
        age_m = parameters.age_rate_mps * max((epoch.age_s or 0.0) - parameters.age_fresh_s, 0.0)
        # Half of the last digit, along both axes.
        rounding_m = math.sqrt(0.5) * (epoch.digit_m or 0.0)
        radius_m = self._per_sigma * math.hypot(optimism * sigma, age_m)
        radius_m += floor_m + rounding_m + tilt_m
        return Bound(
            sigma, optimism, age_m, self._per_sigma, floor_m, rounding_m, tilt_m, 0.0, 0.0, radius_m
        )
