"""The curves before a fence: what honest controllers lose there, and where heedless ones stop.

A mower on a straight way to the east line, by kinematics of its own; its receiver is exact.
"""

import math
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from hypothesis import example, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fenceguard.judgement.types import Decision, Grant, Rung
from tests.conftest import many
from tests.support.mowing import BODY, WIDTH_M, Mower, finding

NOSE_M = 0.35
STEP_S = 0.025
TICK_S = 0.1
BOUND_M = 0.0615
"""4.2919 σ (Rayleigh, 99.99 %) of 0.01 m times 1.2, and 0.01 m."""


class Drive(NamedTuple):
    """What a mower does, and what is told of it."""

    rate_hz: float
    hears_s: float
    """How late the controller goes by what it is told."""
    brakes_s: float
    """From the drive line off until the brakes bite."""
    from_m: float
    """Where the nose begins, before the fence."""
    to_m: float
    """Where the controller stops of its own accord."""


Wants = Callable[[Grant, float], float]
"""The speed that the controller wants, by what it has heard and how far the nose is."""


def drive(
    one: Drive,
    wants: Wants,
    lasts_s: float = 40.0,
    gains_mps2: float = 0.5,
    slows_mps2: float = 0.5,
) -> tuple[list[Decision], float]:
    """Every decision once the mower is at full, and how near the nose came."""
    wait = {"silence": {"slowed": 5.0, "blade_off": 6.0, "halted": 7.0}}
    clear = {"slowed": 2.0, "blade_off": 5.0, "halted": 10.0}
    mower = Mower(mower=BODY, limits=wait, clear_s=clear)
    x_m, mps = WIDTH_M - NOSE_M - one.from_m, 0.0
    told = {"heading_deg": 90.0, "course_deg": 90.0}
    for _ in range(math.ceil(60.0 * one.rate_hz)):
        # In some places it may not speed up.
        decision = mower.hear(after_s=1.0 / one.rate_hz, east_m=x_m, speed_mps=0.0, **told)
        if decision.rung is Rung.FULL:
            break
    assert decision.grant.blade
    began_s, decisions, nearest_m = mower.now_s, [decision], one.from_m
    heard = deque([(began_s, decision.grant)])
    off_since_s = math.inf
    epoch_s = tick_s = began_s
    for step in range(1, round(lasts_s / STEP_S)):
        now_s = began_s + step * STEP_S
        while len(heard) > 1 and heard[1][0] <= now_s - one.hears_s:
            heard.popleft()
        left_m = WIDTH_M - NOSE_M - x_m
        if now_s - off_since_s >= one.brakes_s:
            mps = max(0.0, mps - mower_brakes() * STEP_S)
        else:
            wanted_mps = wants(heard[0][1], left_m)
            mps += max(-slows_mps2 * STEP_S, min(gains_mps2 * STEP_S, wanted_mps - mps))
        x_m += mps * STEP_S
        nearest_m = min(nearest_m, WIDTH_M - NOSE_M - x_m)
        decision = decisions[-1]
        if now_s >= epoch_s + 1.0 / one.rate_hz - 1e-9:
            epoch_s = now_s
            mower.now_s = now_s
            decision = mower.hear(after_s=0.0, east_m=x_m, speed_mps=mps, **told)
        elif now_s >= tick_s + TICK_S - 1e-9:
            tick_s = mower.now_s = now_s
            decision = mower.tick(0.0)
        if decision is not decisions[-1]:
            decisions.append(decision)
            heard.append((now_s, decision.grant))
            off_since_s = math.inf if decision.grant.drive else min(off_since_s, now_s)
    return decisions, nearest_m


def mower_brakes() -> float:
    """Its brakes are as bad as the settings have it: wet, down a slope of 5 degrees."""
    slope = math.radians(5.0)
    return 1.5 * math.cos(slope) - 9.80665 * math.sin(slope)


def stops_at(to_m: float) -> Callable[[float], float]:
    """As fast as it may be to stop there gently."""
    return lambda left_m: math.sqrt(0.8 * max(0.0, left_m - to_m))


DRIVES = st.builds(
    Drive,
    rate_hz=st.sampled_from([1.0, 5.0, 8.0, 10.0]),
    hears_s=st.floats(0.1, 0.3),
    brakes_s=st.floats(0.0, 0.2),
    from_m=st.floats(0.5, 4.0),
    to_m=st.sampled_from([0.0, 0.1, 0.3, 0.5]),
)


def lowest(decisions: list[Decision]) -> Rung:
    return max(decision.rung for decision in decisions)


@examples(max_examples=many(0.3), deadline=None)
@example(Drive(rate_hz=5.0, hears_s=0.25, brakes_s=0.0, from_m=0.5, to_m=0.0))
@example(Drive(rate_hz=1.0, hears_s=0.28125, brakes_s=0.0, from_m=2.375, to_m=0.0))
@given(DRIVES.filter(lambda one: one.rate_hz >= 5.0 or one.from_m > 2.0))
def test_a_controller_that_keeps_the_told_speed_is_never_slowed(one: Drive) -> None:
    """On no approach, whether it stops of its own accord or only as it is told.

    At one epoch a second it must have been seen to keep it, for which the way must be long enough.
    """
    gently = stops_at(one.to_m)
    decisions, _ = drive(one, lambda grant, left_m: min(grant.top_speed_mps, gently(left_m)))
    # Where it then stands and is told no speed, it is halted, so that it can creep away.
    stood = (n for n, one in enumerate(decisions) if finding(one, "penned") is not None)
    assert lowest(decisions[: next(stood, len(decisions))]) is Rung.FULL


@examples(max_examples=many(0.3), deadline=None)
@given(DRIVES.filter(lambda one: one.rate_hz >= 5.0 and one.from_m > 1.5))
def test_a_controller_that_reads_the_slow_line_alone_loses_neither_blade_nor_drive(
    one: Drive,
) -> None:
    """To the end of a lane with the nose 0.3 m before the fence."""
    gently = stops_at(0.3)
    decisions, _ = drive(
        one, lambda grant, left_m: min(0.25 if grant.slow else 0.5, gently(left_m))
    )
    assert lowest(decisions) is Rung.SLOWED


@examples(max_examples=many(0.3), deadline=None)
@given(DRIVES, st.floats(0.1, 0.5), st.floats(0.0, 3.0))
def test_a_heedless_mower_stands_before_the_fence(
    one: Drive, mps: float, hurries_at_m: float
) -> None:
    """Slowly up to somewhere, and from there as fast as the slow line lets it.

    It stands until the way out, of which it knows nothing either, and creeps a bit nearer then.
    """

    def heedless(grant: Grant, left_m: float) -> float:
        return min(0.25 if grant.slow else 0.5, 0.5 if left_m < hurries_at_m else mps)

    decisions, _nearest_m = drive(one, heedless, lasts_s=50.0)
    halted = next(n for n, decision in enumerate(decisions) if decision.rung is Rung.HALTED)
    until = next((n for n, decision in enumerate(decisions) if decision.way_out), len(decisions))
    assert halted < until
    assert nearest(decisions[:until]) > 0.0


@examples(max_examples=many(0.3), deadline=None)
@example(Drive(rate_hz=8.0, hears_s=0.25, brakes_s=0.1875, from_m=1.0, to_m=0.0))
@given(DRIVES.filter(lambda one: one.rate_hz >= 5.0))
def test_seen_five_times_a_second_one_that_ignores_the_slow_line_as_well_stands_before_it_too(
    one: Drive,
) -> None:
    decisions, nearest_m = drive(one, lambda _grant, _left_m: 0.5, lasts_s=50.0)
    assert lowest(decisions) is Rung.HALTED
    until = next((n for n, decision in enumerate(decisions) if decision.way_out), len(decisions))
    assert nearest(decisions[:until]) > 0.0
    # Then it comes nearer at each way out, with its blade off.
    assert nearest_m > -0.1


def nearest(decisions: list[Decision]) -> float:
    """The least clearance that was seen."""
    seen = [one.situation.clearance_m for one in decisions]
    return min(one for one in seen if one is not None)
