"""The integrity diagram: a protection level against the error that it should hold.

A term of the trade: M. Tossaint et al., "The Stanford - ESA Integrity Diagram: Focusing on SBAS
Integrity", ESA, 2006. Here the protection level is the bound, and the alert limit is the bound past
which the blade is off.
"""

import math
from collections import Counter
from collections.abc import Iterable

from fenceguard.settings import Settings
from tests.support.truth import Judged

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


def regions(epochs: Iterable[Judged], alert_m: float) -> dict[str, int]:
    """How many epochs lie in each region."""
    found = Counter(region(epoch.error_m, epoch.bound_m, alert_m) for epoch in epochs)
    return {name: found[name] for name in REGIONS}
