"""The integrity diagram: a protection level against the error that it should hold.

A term of the trade: M. Tossaint et al., "The Stanford - ESA Integrity Diagram: Focusing on SBAS
Integrity", ESA, 2006. Here the protection level is the bound, and the alert limit is the bound past
which the blade is off.
"""

import math
from collections import Counter
from collections.abc import Iterable

from fenceguard.settings import Settings
from tests.support.truth import REFERENCE_M, Judged

NORMAL = "normal"
"""Error within the bound, bound within the alert limit."""
MISLEADING = "misleading"
"""Error past the bound; neither past the alert limit."""
HAZARDOUS = "hazardously misleading"
"""Error past the alert limit, bound within."""
UNAVAILABLE = "unavailable"
"""Bound past the alert limit, and the error within the bound."""
UNAVAILABLE_MISLEADING = "unavailable and misleading"
"""Bound past the alert limit, and the error past the bound."""
REGIONS = (NORMAL, MISLEADING, HAZARDOUS, UNAVAILABLE, UNAVAILABLE_MISLEADING)


def alert_limit_m(settings: Settings) -> float:
    """The bound past which the blade is off."""
    limit = settings.limits.at("bound", "blade_off")
    assert limit is not None
    return float(limit.limit)


def region(error_m: float, bound_m: float, alert_m: float) -> str:
    """Where in the diagram an epoch lies. What is not a number is worst."""
    assert not math.isnan(error_m)
    assert not math.isnan(bound_m)
    if bound_m > alert_m:
        return UNAVAILABLE if error_m <= bound_m else UNAVAILABLE_MISLEADING
    if error_m > alert_m:
        return HAZARDOUS
    return NORMAL if error_m <= bound_m else MISLEADING


def sure_error_m(epoch: Judged) -> float:
    """What is left of the error when the true position may itself be off."""
    return max(0.0, epoch.error_m - REFERENCE_M)


def told_of(epochs: Iterable[Judged]) -> list[Judged]:
    """Those whose bound is around the position that was told.

    Where the mower is only known to be in the reach, the bound is around the middle of that. A
    decision does not tell where it is, so there is no error to compare.
    """
    return [epoch for epoch in epochs if not epoch.of_reach]


def regions(epochs: Iterable[Judged], alert_m: float) -> dict[str, int]:
    """How many epochs lie in each region, of those that can be compared."""
    told = told_of(epochs)
    found = Counter(region(sure_error_m(epoch), epoch.bound_m, alert_m) for epoch in told)
    return {name: found[name] for name in REGIONS}
