"""What is noted of a drill while it runs."""

import math
from collections import Counter, deque

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
from fenceguard.simulator.gnss import Sent


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
    """Counts epochs by their true error, against the bound and against what was done of them."""

    def __init__(self) -> None:
        self.regions = [0, 0, 0, 0]
        self.cells: Counter[str] = Counter()
        self.fixes = [0, 0, 0, 0]

    def count(self, sent: Sent, policy: Policy) -> None:
        """An epoch that has just been decided on."""
        error_m = math.dist(sent.reported_m, sent.truth_m)
        blade = policy.grant.blade
        if sent.fixed and error_m > WRONG_M:
            self.fixes[0] += 1
            self.fixes[1] += blade
        elif sent.fixed and error_m < RIGHT_M:
            self.fixes[2] += 1
            self.fixes[3] += not blade
        decision = policy.decision
        if decision is not None and decision.situation.bound_m is not None:
            bound_m = decision.situation.bound_m
            self.regions[region(error_m, bound_m)] += 1
            self.cells[f"{cell(bound_m)},{cell(error_m)}"] += 1


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
