"""One drill: a mower, its receiver, a policy, faults; and what came of it.

Everything follows from the seed and the number of the drill.
"""

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import NamedTuple

from fenceguard.drill.lawns import OWN, lawn_of
from fenceguard.drill.policies import POLICIES
from fenceguard.drill.result import SETTLED_S, Result, Setup
from fenceguard.drill.watch import Epochs, Outside, Tally
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Inputs, Rung
from fenceguard.mower.footprint import Footprint
from fenceguard.settings import Loaded, load
from fenceguard.simulator.body import STEP_S, Body, Pose, Start, along
from fenceguard.simulator.controllers import CONTROLLERS, Speeds
from fenceguard.simulator.fault import Change, World
from fenceguard.simulator.faults import FAULTS
from fenceguard.simulator.gnss import ANTENNA_HEIGHT_M, Gnss, Sent
from fenceguard.simulator.makes import MAKES
from fenceguard.simulator.motion import TOLD, Odometry
from fenceguard.simulator.routes import EDGE, STRIPES, Planner, Point, Route

STEPS_PER_TICK = 2
FAULT_FROM_S, FAULT_TO_S = 30.0, 60.0
LATEST_S = 80.0
"""A fault waits until it would prove something, but no longer than this."""
LASTS_S = 100.0
EDGE_SHARE = 0.7
SECOND_FAULT_WITHIN_S = 20.0
BACKS_M = 0.6
TRIES = 1000


class Ground:
    """A fence with its routes: made once for many drills. Raises BadInput if there are none."""

    def __init__(self, loaded: Loaded, lawn: str = OWN) -> None:
        settings, drawn = loaded.settings, lawn_of(lawn, loaded.fence)
        self.loaded = loaded._replace(fence=drawn.fence)
        self.lawn = lawn
        self.fence = drawn.fence
        outline_m, antenna_m = settings.mower.outline_m, settings.mower.antenna_m
        self.footprint = Footprint(outline_m, antenna_m)
        axle_m = settings.parameters().mower.axle_m
        self.antenna_m = antenna_m[0] - axle_m[0], antenna_m[1] - axle_m[1]
        """The antenna's place ahead and to the left of the axle."""
        self._about_axle = Footprint(outline_m, axle_m)
        planner = Planner(settings, self.fence, self._about_axle)
        self.routes = planner.routes(drawn.ways_m, drawn.field)
        if not self.routes:
            raise BadInput("the lawn is too small for a lap or a stripe; drill on a larger one")

    def pick(self, random: Random, kind: str | None = None) -> Route:
        """A route; of some kind where one is asked for. Raises BadInput where there is none."""
        kinds = sorted({route.kind for route in self.routes})
        if kind is None and kinds == [EDGE, STRIPES]:
            kind = EDGE if random.random() < EDGE_SHARE else STRIPES
        kind = random.choice(kinds) if kind is None else kind
        routes = [route for route in self.routes if route.kind == kind]
        if not routes:
            raise BadInput(f"on the lawn {self.lawn} no way is of the kind {kind}")
        return random.choice(routes)

    def facing(self, random: Random, route: Route, nose_m: Point) -> Start:
        """Standing with the nose so near before a fence line, about to go backwards."""
        ring = self.fence.rings[0].points_m
        ahead_m = self._about_axle.box(0.0).most_ahead_m
        for _ in range(TRIES):
            side = random.randrange(len(ring) - 1)
            (east_m, north_m), (to_east_m, to_north_m) = ring[side], ring[side + 1]
            share, nose = random.random(), random.uniform(*nose_m)
            bearing = math.atan2(to_east_m - east_m, to_north_m - north_m)
            heading = bearing + random.choice((-1.0, 1.0)) * math.pi / 2.0
            here = (
                east_m + share * (to_east_m - east_m) - (nose + ahead_m) * math.sin(heading),
                north_m + share * (to_north_m - north_m) - (nose + ahead_m) * math.cos(heading),
            )
            found = self._about_axle.clearance(self.fence, *here, math.degrees(heading))
            if nose_m[0] <= found.metres <= nose_m[1]:
                points = range(len(route.points_m))
                begin = min(points, key=lambda n: math.dist(route.points_m[n], here))
                return Start(Pose(*here, heading, 0.0), begin, BACKS_M)
        raise BadInput(f"on the lawn {self.lawn} a mower cannot stand so near before the fence")


class Grounds:
    """Grounds of one settings file, each made when it is first asked for."""

    def __init__(self, settings_file: Path, overrides: Sequence[str] = ()) -> None:
        self._settings_file = settings_file
        self._overrides = tuple(overrides)
        self._made: dict[tuple[str, tuple[str, ...]], Ground] = {}

    def of(self, lawn: str = OWN, more: Sequence[str] = ()) -> Ground:
        """A ground; `more` overrides settings as well. Raises BadInput."""
        key = lawn, tuple(more)
        if key not in self._made:
            loaded = load(self._settings_file, (*self._overrides, *more))
            self._made[key] = Ground(loaded, lawn)
        return self._made[key]


class Course(NamedTuple):
    """What happens in a drill, and when."""

    name: tuple[str, ...]
    changes: Sequence[tuple[float, Change]]
    """Their times count from the moment at which the first fault begins."""
    lasts_s: float
    begins_s: float = 0.0
    """When that is at the earliest."""
    latest_s: float = 0.0
    """And at the latest, whether it would prove anything or not."""
    kind: str | None = None
    """Of the way that the mower takes; None: any."""
    nose_m: Point | None = None
    """How near before a fence line its nose stands at the start, from and to; None: it is on its
    way.
    """


def random_of(seed: int, number: int) -> Random:
    """What a drill draws from: first its course, then all else."""
    return Random(f"{seed}/{number}")


def drawn(random: Random, faults: Sequence[str], lasts_s: float = LASTS_S) -> Course:
    """Faults of a size and at a time at random."""
    begins_s = random.uniform(FAULT_FROM_S, FAULT_TO_S)
    after_s = 0.0
    changes = []
    for name in faults:
        changes += [(after_s + one.after_s, one.change) for one in FAULTS[name].stages(random)]
        after_s += random.uniform(0.0, SECOND_FAULT_WITHIN_S)
    return Course(tuple(faults), changes, lasts_s, begins_s, LATEST_S)


def run(
    ground: Ground,
    policy_name: str,
    faults: Sequence[str],
    seed: int,
    number: int,
    lasts_s: float = LASTS_S,
    setup: Setup | None = None,
) -> Result:
    """Run one drill with faults at random times."""

    def course_of(random: Random) -> Course:
        return drawn(random, faults, lasts_s)

    return _Drill(ground, policy_name, setup or Setup(), seed, number, course_of).run()


def play(
    ground: Ground,
    policy_name: str,
    course: Course,
    seed: int,
    number: int,
    setup: Setup | None = None,
) -> Result:
    """Run one drill whose changes have their times."""
    return _Drill(ground, policy_name, setup or Setup(), seed, number, lambda _: course).run()


class _Drill:
    def __init__(
        self,
        ground: Ground,
        policy_name: str,
        setup: Setup,
        seed: int,
        number: int,
        course_of: Callable[[Random], Course],
    ) -> None:
        self._policy_name, self._number = policy_name, number
        self._setup = setup._replace(lawn=ground.lawn)
        self._random = random = random_of(seed, number)
        self._course = course = course_of(random)
        route = ground.pick(random, course.kind)
        start = along(route, random.randrange(len(route.points_m)))
        if course.nose_m is not None:
            start = ground.facing(random, route, course.nose_m)
        mower = ground.loaded.settings.mower
        make = MAKES[setup.receiver]
        self._gnss = Gnss(
            random,
            ground.fence.frame.origin,
            make=make,
            stations=ground.fence.stations,
            accuracy=ground.loaded.settings.receiver.accuracy_sentence(),
            antenna_height_m=(
                ANTENNA_HEIGHT_M if mower.antenna_height_m is None else mower.antenna_height_m
            ),
        )
        self._steps_per_epoch = round(1.0 / make.rate_hz / STEP_S)
        self._world = World(self._gnss.state)
        self._body = Body(
            random,
            route,
            start,
            CONTROLLERS[setup.controller],
            Speeds(mower.full_mps, mower.slowed_mps),
            ground.antenna_m,
            self._world,
        )
        self._policy = POLICIES[policy_name](ground.loaded)
        self._odometry = None
        if setup.motion == TOLD:
            self._odometry = Odometry(Random(f"{seed}/{number}/motion"))
        self._under_way: list[Sent] = []
        self._epochs = Epochs()
        self._outside = Outside(ground.fence, ground.footprint)
        first_s = min((at_s for at_s, _ in course.changes), default=course.lasts_s)
        self._honest_until_s = course.begins_s + first_s
        self._tally = Tally(self._honest_until_s)
        self._waiting = sorted(course.changes, key=lambda one: one[0])
        self._begun_s: float | None = None
        self._fault_at_s: float | None = None
        self._full_before_s = 0.0

    def run(self) -> Result:
        """Step by step to the end."""
        for step in range(round(self._course.lasts_s / STEP_S)):
            now_s = step * STEP_S
            if self._waiting:
                self._change(now_s)
            if step % self._steps_per_epoch == 0:
                self._send(now_s)
            self._deliver(now_s)
            if step % STEPS_PER_TICK == 0:
                self._policy.tick(now_s + self._world.clock_step_s)
                if self._odometry is not None:
                    told = self._odometry.told(self._body.wheel_mps, self._body.turn_rps)
                    inputs = Inputs(False, *told)
                    self._policy.sense(now_s + self._world.clock_step_s, inputs)
                self._epochs.look(self._policy)
            self._tally.count(now_s, self._policy, self._fault_at_s)
            self._body.step(now_s, self._policy.grant)
            blade = self._policy.grant.blade
            self._outside.look(self._body, self._world.fence_shift_m, blade)
        return self._result()

    def _change(self, now_s: float) -> None:
        """What is due to happen, from the moment at which the first fault begins."""
        course = self._course
        if self._begun_s is None:
            if now_s < course.begins_s or (now_s < course.latest_s and not self._tally.ready):
                return
            self._begun_s = now_s
        while self._waiting and self._begun_s + self._waiting[0][0] <= now_s:
            if self._fault_at_s is None:
                self._fault_at_s = now_s
                self._full_before_s = self._tally.full_lately_s
            self._waiting.pop(0)[1](self._world, self._random)

    def _send(self, now_s: float) -> None:
        """The receiver sends an epoch, if it sends any."""
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
            self._epochs.fed(sent, self._policy)

    def _result(self) -> Result:
        tally, outside, epochs, course = self._tally, self._outside, self._epochs, self._course
        lasted_s = course.lasts_s - SETTLED_S
        fault_at_s = self._fault_at_s
        return Result(
            number=self._number,
            policy=self._policy_name,
            **self._setup._asdict(),
            faults=course.name,
            fault_at_s=fault_at_s,
            full_before_s=round(tally.full_s if fault_at_s is None else self._full_before_s, 2),
            action_s=tally.reached_s.get(Rung.SLOWED.word),
            granted_out_m=round(outside.granted_out_m, 4),
            blade_out_m=round(outside.blade_out_m, 4),
            drive_out_m=round(outside.drive_out_m, 4),
            interventions=tally.interventions,
            blade_stops=tally.blade_stops,
            halts=tally.halts,
            full_s=round(tally.full_s, 2),
            lasted_s=round(lasted_s, 2),
            honest_s=round(min(lasted_s, max(0.0, self._honest_until_s - SETTLED_S)), 2),
            honest_full_s=round(tally.honest_full_s, 2),
            honest_blade_stops=tally.honest_blade_stops,
            reached_s=tally.reached_s,
            full_again_s=tally.full_again_s,
            first_full_s=tally.first_full_s,
            regions=(epochs.regions[0], epochs.regions[1], epochs.regions[2], epochs.regions[3]),
            cells=dict(epochs.cells),
            fixes=(epochs.fixes[0], epochs.fixes[1], epochs.fixes[2], epochs.fixes[3]),
        )
