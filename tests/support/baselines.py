"""What one would write instead of a supervisor, over the drive with truth: the drills' own two.

The hand-written rule, and the Kalman filter with its gate and its reset. They hear the same bytes
at the same times as the supervisor, with its settings and its fence.
"""

from pathlib import Path
from typing import Any

from fenceguard.drill.kalman import Kalman
from fenceguard.drill.policies import HandWritten, Policy
from fenceguard.judgement.types import Trust
from fenceguard.settings import Loaded
from tests.support.truth import LATENCY_S, Burst, Judged, fence, settings

BY_HAND, KALMAN = "by hand", "Kalman filter"


def policies(times: dict[str, Any]) -> dict[str, Policy]:
    """The two, by name, with the times that are waited."""
    nowhere = Path("around")
    loaded = Loaded(settings(times), nowhere, "", "", fence(), nowhere, "")
    return {BY_HAND: HandWritten(loaded), KALMAN: Kalman(loaded)}


def judged_by(
    policy: Policy, bursts: tuple[Burst, ...], epochs: list[Judged], tick_s: float
) -> list[Judged]:
    """The same epochs, with what this policy makes of them in place of the supervisor's.

    Doubted is what the filter's gate has passed over; the rule doubts nothing.
    """
    found, begin_s, ticks = [], bursts[0].utc_s, 0
    next_s = [burst.utc_s + LATENCY_S for burst in bursts[1:]] + [bursts[-1].utc_s + LATENCY_S]
    for burst, epoch, until_s in zip(bursts, epochs, next_s, strict=True):
        policy.feed(b"".join(burst.sentences), burst.utc_s + LATENCY_S)
        blade = policy.grant.blade
        doubts = isinstance(policy, Kalman) and policy.passed_over > 0
        while (now_s := begin_s + ticks * tick_s) < until_s:
            if now_s >= burst.utc_s + LATENCY_S:
                policy.tick(now_s)
                blade |= policy.grant.blade
            ticks += 1
        trust = Trust.DOUBTED if doubts else Trust.TRUSTED
        found.append(epoch._replace(trust=trust, blade=blade))
    return found
