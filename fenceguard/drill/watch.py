"""What is noted of a drill while it runs."""

import math
from collections import Counter, OrderedDict, deque

from fenceguard.drill.policies import Policy
from fenceguard.drill.result import (
    FULL_BEFORE_S,
    FULL_WITHIN_S,
    RIGHT_M,
    SETTLED_S,
    TOUCH_M,
    WRONG_M,
    cell,
    region,
)
from fenceguard.judgement.types import Rung
from fenceguard.lawn.fence import Fence
from fenceguard.mower.footprint import Footprint
from fenceguard.simulator.body import STEP_S, Body
from fenceguard.simulator.gnss import DAY_S, Sent

KEPT = 100
"""Epochs that may still be decided on."""


class Tally:
    """Counts rungs and their changes once the mower has settled."""

    def __init__(self, honest_until_s: float) -> None:
        self._honest_until_s = honest_until_s
        self.interventions = self.blade_stops = self.halts = 0
        self.full_s = 0.0
        self.honest_full_s = 0.0
        self.honest_blade_stops = 0
        self.reached_s: dict[str, float] = {}
        self.full_again_s: float | None = None
        self.first_full_s: float | None = None
        self._was = Rung.HALTED
        self._blade_was = False
        self._lately: deque[bool] = deque(maxlen=round(FULL_WITHIN_S / STEP_S))
        self._steps_lately = 0

    @property
    def full_lately_s(self) -> float:
        """Time at full in the last `FULL_WITHIN_S`."""
        return self._steps_lately * STEP_S

    @property
    def ready(self) -> bool:
        """Whether a fault would now prove something."""
        return self.full_lately_s >= FULL_BEFORE_S

    def count(self, now_s: float, policy: Policy, fault_at_s: float | None) -> None:
        """One step on a rung."""
        rung, blade = policy.rung, policy.grant.blade
        was, self._was = self._was, rung
        blade_was, self._blade_was = self._blade_was, blade
        full = rung is Rung.FULL
        if len(self._lately) == self._lately.maxlen:
            self._steps_lately -= self._lately[0]
        self._lately.append(full)
        self._steps_lately += full
        if full and self.first_full_s is None:
            self.first_full_s = round(now_s, 3)
        if now_s < SETTLED_S:
            return
        stops = blade_was and not blade
        self.full_s += STEP_S * full
        self.interventions += was is Rung.FULL and not full
        self.blade_stops += stops
        self.halts += was < Rung.HALTED <= rung
        if now_s < self._honest_until_s:
            self.honest_full_s += STEP_S * full
            self.honest_blade_stops += stops
        if fault_at_s is None or now_s < fault_at_s:
            return
        for lower in range(Rung.SLOWED, rung + 1):
            self.reached_s.setdefault(Rung(lower).word, round(now_s - fault_at_s, 3))
        if full and Rung.BLADE_OFF.word in self.reached_s:
            self.full_again_s = self.full_again_s or round(now_s - fault_at_s, 3)


class Epochs:
    """Counts epochs by their true error, against the bound and against what was done of them.

    A fix is right or wrong by the position that is told. The bound is about the place that is
    believed, which may be another one, at the time of its epoch.
    """

    def __init__(self) -> None:
        self._sent: OrderedDict[int, Sent] = OrderedDict()
        self._place: tuple[float, float] | None = None
        self.regions = [0, 0, 0, 0]
        self.cells: Counter[str] = Counter()
        self.fixes = [0, 0, 0, 0]

    def fed(self, sent: Sent, policy: Policy) -> None:
        """The bytes of an epoch have just been fed."""
        self._sent[_time_of_day(sent.utc_s)] = sent
        if len(self._sent) > KEPT:
            self._sent.popitem(last=False)
        error_m = math.dist(sent.reported_m, sent.truth_m)
        blade = policy.grant.blade
        if sent.fixed and error_m > WRONG_M:
            self.fixes[0] += 1
            self.fixes[1] += blade
        elif sent.fixed and error_m < RIGHT_M:
            self.fixes[2] += 1
            self.fixes[3] += not blade
        self.look(policy)

    def look(self, policy: Policy) -> None:
        """Count the epoch that was decided on last, unless it has been counted."""
        if policy.decision is None:
            return
        situation = policy.decision.situation
        place, bound_m, epoch = situation.place, situation.bound_m, situation.epoch
        if place is self._place or place is None or bound_m is None or epoch is None:
            return
        # With one sentence lost, an epoch is decided on later than its bytes come.
        sent = self._sent.pop(_time_of_day(epoch.utc_s), None)
        self._place = place
        if sent is not None:
            error_m = math.dist(place, sent.truth_m)
            self.regions[region(error_m, bound_m)] += 1
            self.cells[f"{cell(bound_m)},{cell(error_m)}"] += 1


def _time_of_day(utc_s: float) -> int:
    """To the hundredth, as sentences tell it."""
    return round(utc_s % DAY_S * 100.0)


class Outside:
    """How far the true footprint has come past the true fence.

    It looks again only when the mower has gone as far as the line was off when it last looked.
    """

    def __init__(self, fence: Fence, footprint: Footprint) -> None:
        self._fence = fence
        self._footprint = footprint
        self._spare_m = 0.0
        self._seen: tuple[float, float, float] | None = None
        self.granted_out_m = 0.0
        self.blade_out_m = 0.0
        self.drive_out_m = 0.0

    def look(self, body: Body, shift_m: tuple[float, float], blade_granted: bool) -> None:
        """Note how far the mower is out, if it is."""
        pose, footprint = body.pose, self._footprint
        east_m, north_m = pose.east_m - shift_m[0], pose.north_m - shift_m[1]
        if self._seen is not None:
            gone_m = math.hypot(east_m - self._seen[0], north_m - self._seen[1])
            turned_m = abs(pose.heading - self._seen[2]) * footprint.reach_m
            if gone_m + turned_m < self._spare_m:
                return
        clearance_m = footprint.clearance(
            self._fence, east_m, north_m, math.degrees(pose.heading)
        ).metres
        self._seen, self._spare_m = (east_m, north_m, pose.heading), max(0.0, clearance_m)
        out_m = -clearance_m
        if out_m > TOUCH_M:
            if blade_granted:
                self.granted_out_m = max(self.granted_out_m, out_m)
            if body.blade_turns:
                self.blade_out_m = max(self.blade_out_m, out_m)
            if body.axle.speed_mps != 0.0:
                self.drive_out_m = max(self.drive_out_m, out_m)
