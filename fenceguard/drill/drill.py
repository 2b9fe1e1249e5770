"""One drill: a mower, its receiver, a policy, faults; and what came of it.

Everything follows from the seed and the number of the drill.
"""

import math
from collections import Counter
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from fenceguard.drill.policies import POLICIES
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Rung
from fenceguard.mower.footprint import Footprint
from fenceguard.settings import Loaded
from fenceguard.simulator.body import STEP_S, Body
from fenceguard.simulator.faults import FAULTS, Change, World
from fenceguard.simulator.gnss import RATE_HZ, Gnss, Sent
from fenceguard.simulator.routes import Planner, Route

STEPS_PER_EPOCH = round(1.0 / RATE_HZ / STEP_S)
STEPS_PER_TICK = 2
SETTLED_S = 24.0
"""By then a mower without a fault is at full."""
FAULT_FROM_S, FAULT_TO_S = 26.0, 60.0
LASTS_S = 100.0
EDGE_SHARE = 0.7
TOUCH_M = 0.001
USABLE_M = 0.3
"""A bound above this is not good enough to mow by."""
SECOND_FAULT_WITHIN_S = 20.0


class Result(NamedTuple):
    """What came of one drill. Times in s, lengths in m."""

    number: int
    policy: str
    faults: tuple[str, ...]
    fault_at_s: float | None
    action_s: float | None
    """From the first fault until something was taken away; None if nothing was."""
    blade_out_m: float
    """How far any part of the footprint was past the fence while the blade turned."""
    drive_out_m: float
    """The same while the mower moved."""
    interventions: int
    halts: int
    full_s: float
    lasted_s: float
    reached_s: dict[str, float]
    """From the first fault until each rung, or one below it, was first granted."""
    full_again_s: float | None
    """From the first fault until `full` was first granted after the blade was off.

    None if it never was. Slowing down before a fence line, as any mower does, does not count.
    """
    regions: tuple[int, int, int, int]
    """Epochs by true error against bound; see `region`."""
    cells: dict[str, int]
    """Epochs by decades of error and bound, for the picture: `row,column` of `cell`."""


REGIONS = ("holds_usable", "holds_not_usable", "misleading", "hazardously_misleading")


def region(error_m: float, bound_m: float) -> int:
    """Index into `REGIONS`.

    The bound holds or it does not; it is usable or not; and an error past both the bound and what
    is usable, told as usable, is the hazardous one.
    """
    if error_m <= bound_m:
        return 0 if bound_m <= USABLE_M else 1
    return 3 if bound_m <= USABLE_M < error_m else 2


CELLS_PER_DECADE = 8
LEAST_CELL_M, CELLS = 0.001, 32


def cell(length_m: float) -> int:
    """Index of a length on the logarithmic axes of the picture: 1 mm to 10 m."""
    if length_m <= LEAST_CELL_M:
        return 0
    return min(CELLS - 1, int(math.log10(length_m / LEAST_CELL_M) * CELLS_PER_DECADE))


class Ground:
    """A fence with its routes: made once for many drills. Raises BadInput if there are none."""

    def __init__(self, loaded: Loaded) -> None:
        settings = loaded.settings
        self.loaded = loaded
        self.fence = loaded.fence
        self.footprint = Footprint(settings.mower.outline_m, settings.mower.antenna_m)
        self.routes = Planner(settings, self.fence, self.footprint).routes()
        if not self.routes:
            raise BadInput("the lawn is too small for a lap or a stripe; drill on a larger one")


def run(
    ground: Ground,
    policy_name: str,
    faults: Sequence[str],
    seed: int,
    number: int,
    lasts_s: float = LASTS_S,
) -> Result:
    """Run one drill with faults at random times."""
    random = Random(f"{seed}/{number}")
    drill = _Drill(ground, policy_name, random)
    begin_s = random.uniform(FAULT_FROM_S, FAULT_TO_S)
    stages = []
    for name in faults:
        stages += [(begin_s + stage.after_s, stage.change) for stage in FAULTS[name].stages(random)]
        begin_s += random.uniform(0.0, SECOND_FAULT_WITHIN_S)
    return drill.run(number, tuple(faults), stages, lasts_s)


def play(
    ground: Ground,
    policy_name: str,
    name: str,
    changes: Sequence[tuple[float, Change]],
    seed: int,
    number: int,
    lasts_s: float,
) -> Result:
    """Run one drill with changes at given times."""
    return _Drill(ground, policy_name, Random(f"{seed}/{number}")).run(
        number, (name,), changes, lasts_s
    )


class _Drill:
    def __init__(self, ground: Ground, policy_name: str, random: Random) -> None:
        self._policy_name = policy_name
        self._random = random
        route = _pick(ground.routes, random)
        self._body = Body(random, route, random.randrange(len(route.points_m)))
        self._gnss = Gnss(random, ground.fence.frame.origin)
        self._world = World(self._gnss.state)
        self._policy = POLICIES[policy_name](ground.loaded)
        self._under_way: list[Sent] = []
        self._regions = [0, 0, 0, 0]
        self._cells: Counter[str] = Counter()
        self._outside = _Outside(ground)
        self._tally = _Tally()

    def run(
        self,
        number: int,
        faults: tuple[str, ...],
        changes: Sequence[tuple[float, Change]],
        lasts_s: float,
    ) -> Result:
        """Step by step to the end."""
        waiting = sorted(changes, key=lambda one: one[0])
        fault_at_s = waiting[0][0] if waiting else None
        for step in range(round(lasts_s / STEP_S)):
            now_s = step * STEP_S
            while waiting and waiting[0][0] <= now_s:
                waiting.pop(0)[1](self._world, self._random)
            self._body.ignores = frozenset(self._world.ignores)
            if step % STEPS_PER_EPOCH == 0:
                self._send(now_s)
            self._deliver(now_s)
            if step % STEPS_PER_TICK == 0:
                self._policy.tick(now_s + self._world.clock_step_s)
            self._tally.count(now_s, self._policy.rung, fault_at_s)
            self._body.step(now_s, self._policy.grant)
            self._outside.look(self._body, self._world.fence_shift_m)
        tally = self._tally
        return Result(
            number=number,
            policy=self._policy_name,
            faults=faults,
            fault_at_s=fault_at_s,
            action_s=tally.reached_s.get(Rung.SLOWED.word),
            blade_out_m=round(self._outside.blade_out_m, 4),
            drive_out_m=round(self._outside.drive_out_m, 4),
            interventions=tally.interventions,
            halts=tally.halts,
            full_s=round(tally.full_s, 2),
            lasted_s=round(lasts_s - SETTLED_S, 2),
            reached_s=tally.reached_s,
            full_again_s=tally.full_again_s,
            regions=(self._regions[0], self._regions[1], self._regions[2], self._regions[3]),
            cells=dict(self._cells),
        )

    def _send(self, now_s: float) -> None:
        sent = self._gnss.epoch(now_s, self._body.pose)
        if sent is None:
            if not self._world.cuts:
                return
            self._world.cuts = False
            self._under_way = [one._replace(data=one.data[:50]) for one in self._under_way]
            return
        self._under_way.append(sent)

    def _deliver(self, now_s: float) -> None:
        while self._under_way and self._under_way[0].at_s <= now_s:
            sent = self._under_way.pop(0)
            if not sent.data:
                continue
            self._body.believe(sent.reported_m)
            self._policy.feed(sent.data, sent.at_s + self._world.clock_step_s)
            decision = self._policy.decision
            if decision is not None and decision.situation.bound_m is not None:
                error_m = math.dist(sent.reported_m, sent.truth_m)
                bound_m = decision.situation.bound_m
                self._regions[region(error_m, bound_m)] += 1
                self._cells[f"{cell(bound_m)},{cell(error_m)}"] += 1


class _Tally:
    """Counts rungs and their changes once the mower has settled."""

    def __init__(self) -> None:
        self.interventions = self.halts = 0
        self.full_s = 0.0
        self.reached_s: dict[str, float] = {}
        self.full_again_s: float | None = None
        self._was = Rung.HALTED

    def count(self, now_s: float, rung: Rung, fault_at_s: float | None) -> None:
        """One step on a rung."""
        was, self._was = self._was, rung
        if now_s < SETTLED_S:
            return
        self.full_s += STEP_S * (rung is Rung.FULL)
        self.interventions += was is Rung.FULL and rung is not Rung.FULL
        self.halts += was < Rung.HALTED <= rung
        if fault_at_s is None or now_s < fault_at_s:
            return
        for lower in range(Rung.SLOWED, rung + 1):
            self.reached_s.setdefault(Rung(lower).word, round(now_s - fault_at_s, 3))
        if rung is Rung.FULL and Rung.BLADE_OFF.word in self.reached_s:
            self.full_again_s = self.full_again_s or round(now_s - fault_at_s, 3)


class _Outside:
    """How far the true footprint has come past the true fence.

    It looks again only when the mower has gone as far as the line was off when it last looked.
    """

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._spare_m = 0.0
        self._seen: tuple[float, float, float] | None = None
        self.blade_out_m = 0.0
        self.drive_out_m = 0.0

    def look(self, body: Body, shift_m: tuple[float, float]) -> None:
        """Note how far the mower is out, if it is."""
        pose, footprint = body.pose, self._ground.footprint
        east_m, north_m = pose.east_m - shift_m[0], pose.north_m - shift_m[1]
        if self._seen is not None:
            gone_m = math.hypot(east_m - self._seen[0], north_m - self._seen[1])
            turned_m = abs(pose.heading - self._seen[2]) * footprint.reach_m
            if gone_m + turned_m < self._spare_m:
                return
        clearance_m = footprint.clearance(
            self._ground.fence, east_m, north_m, math.degrees(pose.heading)
        ).metres
        self._seen, self._spare_m = (east_m, north_m, pose.heading), max(0.0, clearance_m)
        out_m = -clearance_m
        if out_m > TOUCH_M:
            if body.blade_turns:
                self.blade_out_m = max(self.blade_out_m, out_m)
            if pose.speed_mps > 0.0:
                self.drive_out_m = max(self.drive_out_m, out_m)


def _pick(all_routes: list[Route], random: Random) -> Route:
    edges = [route for route in all_routes if route.edge]
    others = [route for route in all_routes if not route.edge]
    return random.choice(edges if random.random() < EDGE_SHARE or not others else others)
