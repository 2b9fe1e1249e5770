"""The faults of the drills: each begins at a moment, may end, and acts on the world alone."""

import math
from collections.abc import Callable
from random import Random
from typing import NamedTuple

from fenceguard.simulator.gnss import (
    FIXED,
    FLOAT,
    OTHER_STATION,
    SINGLE,
    STATION,
    Offset,
    State,
    refix_s,
)


class World:
    """What faults act on: the receiver's state and the rest of the world."""

    def __init__(self, state: State) -> None:
        self.state = state
        self.fence_shift_m: Offset = (0.0, 0.0)
        """How far the true fence lies from the surveyed one."""
        self.ignores: set[str] = set()
        self.clock_step_s = 0.0
        """By how much the supervisor's clock has been put on."""
        self.cuts = False
        """The next bytes break off in the middle."""


Change = Callable[[World, Random], None]


class Stage(NamedTuple):
    """Something that changes, so long after the fault began."""

    after_s: float
    change: Change


class Fault(NamedTuple):
    """A kind of fault; `stages` draws one, with its changes in time."""

    name: str
    stages: Callable[[Random], list[Stage]]
    undetectable: str = ""
    """Why one receiver alone cannot tell, and what helps; empty where it can."""


def _towards(random: Random, least_m: float, most_m: float) -> Offset:
    size_m, direction = random.uniform(least_m, most_m), random.uniform(0.0, 2.0 * math.pi)
    return size_m * math.sin(direction), size_m * math.cos(direction)


def _set(**values: object) -> Change:
    def change(world: World, _random: Random) -> None:
        for name, value in values.items():
            setattr(world.state, name, value)

    return change


def _correction_loss(random: Random) -> list[Stage]:
    return [
        Stage(0.0, _set(corrections=False)),
        Stage(random.uniform(5.0, 90.0), _set(corrections=True)),
    ]


def _float(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(kind=FLOAT)), Stage(refix_s(random), _set(kind=FIXED))]


def _wall(_random: Random) -> list[Stage]:
    return [Stage(0.0, _set(wall=True))]


def _wrong_fix(random: Random) -> list[Stage]:
    offset_m = _towards(random, 0.1, 1.0)
    up_m = random.uniform(-1.0, 1.0)
    return [
        Stage(0.0, _set(kind=FLOAT)),
        Stage(refix_s(random), _set(kind=FIXED, wrong_m=offset_m, wrong_up_m=up_m)),
    ]


def _slow_drift(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(drifting_mps=_towards(random, 0.005, 0.05)))]


def _frozen(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(frozen=True)), Stage(random.uniform(1.0, 20.0), _set(frozen=False))]


def _repeated(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(repeats=True)), Stage(random.uniform(2.0, 20.0), _set(repeats=False))]


def _buffered(random: Random) -> list[Stage]:
    most_s = random.uniform(0.5, 5.0)
    fills_s = random.uniform(0.5, 10.0)
    steps = 20
    filling = [
        Stage(fills_s * step / steps, _set(buffered_s=most_s * step / steps))
        for step in range(1, steps + 1)
    ]
    return [*filling, Stage(fills_s + random.uniform(5.0, 30.0), _set(buffered_s=0.0))]


def _silence(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(silent=True)), Stage(random.uniform(0.6, 20.0), _set(silent=False))]


def _unplug(random: Random) -> list[Stage]:
    def cut(world: World, _random: Random) -> None:
        world.cuts = True
        world.state.silent = True

    return [Stage(0.0, cut), Stage(random.uniform(2.0, 20.0), _set(silent=False))]


def _reboot(random: Random) -> list[Stage]:
    silent_s = random.uniform(3.0, 8.0)
    single_s = silent_s + random.uniform(3.0, 10.0)
    float_s = single_s + refix_s(random)
    return [
        Stage(0.0, _set(silent=True)),
        Stage(silent_s, _set(silent=False, kind=SINGLE)),
        Stage(single_s, _set(kind=FLOAT)),
        Stage(float_s, _set(kind=FIXED)),
    ]


def _station_change(random: Random) -> list[Stage]:
    return [
        Stage(0.0, _set(station=OTHER_STATION, wrong_m=_towards(random, 0.0, 1.0))),
        Stage(random.uniform(5.0, 40.0), _set(station=STATION, wrong_m=(0.0, 0.0))),
    ]


def _shifted_fence(random: Random) -> list[Stage]:
    shift_m = _towards(random, 0.05, 1.0)

    def change(world: World, _random: Random) -> None:
        world.fence_shift_m = shift_m

    return [Stage(0.0, change)]


def _heading_lost(random: Random) -> list[Stage]:
    return [Stage(0.0, _set(heading=False)), Stage(random.uniform(2.0, 40.0), _set(heading=True))]


def _ignoring(what: str) -> Callable[[Random], list[Stage]]:
    def stages(_random: Random) -> list[Stage]:
        def change(world: World, _again: Random) -> None:
            world.ignores.add(what)

        return [Stage(0.0, change)]

    return stages


def _clock_stepped(random: Random) -> list[Stage]:
    utc_s = random.choice([-3600.0, -1.0, 1.0, 18.0, 3600.0])
    own_s = random.choice([0.0, 0.0, -5.0, 5.0, 3600.0])

    def change(world: World, _random: Random) -> None:
        world.state.utc_step_s += utc_s
        world.clock_step_s += own_s

    return [Stage(0.0, change)]


def _sigma_lie(_random: Random) -> list[Stage]:
    return [Stage(0.0, _set(sigma_share=1.0 / 3.0))]


def _garbled(random: Random) -> list[Stage]:
    return [
        Stage(0.0, _set(lost=random.uniform(0.1, 0.5), garbled=random.uniform(0.1, 0.5))),
        Stage(random.uniform(5.0, 30.0), _set(lost=0.002, garbled=0.001)),
    ]


FAULTS = {
    fault.name: fault
    for fault in (
        Fault("correction_loss", _correction_loss),
        Fault("float", _float),
        Fault("wall", _wall),
        Fault(
            "wrong_fix",
            _wrong_fix,
            "an offset within the reach of the last good position looks like the truth; a smaller "
            "reach (halt sooner), a wider margin, or a ground mark helps",
        ),
        Fault(
            "slow_drift",
            _slow_drift,
            "a drift slower than the speed's own error cannot be told from driving; a wider "
            "margin, a ground mark or a second station helps",
        ),
        Fault("frozen", _frozen),
        Fault("repeated", _repeated),
        Fault("buffered", _buffered),
        Fault("silence", _silence),
        Fault("unplug", _unplug),
        Fault("reboot", _reboot),
        Fault("station_change", _station_change),
        Fault(
            "shifted_fence",
            _shifted_fence,
            "every position agrees with every other one; only a ground mark shows the shift",
        ),
        Fault("heading_lost", _heading_lost),
        Fault("ignores_slow", _ignoring("slow")),
        Fault(
            "ignores_halt",
            _ignoring("halt"),
            "nothing tells that a halt will be ignored before the first one is; if a second fault "
            "then steers the mower to the fence, the blade may still be running down; a drive "
            "line that cuts the power in hardware, a quicker blade brake or a wider margin helps",
        ),
        Fault("clock_stepped", _clock_stepped),
        Fault("sigma_lie", _sigma_lie),
        Fault("garbled", _garbled),
    )
}
