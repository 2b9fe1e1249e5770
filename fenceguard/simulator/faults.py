"""The faults of the drills: each begins at a moment, may end, and acts on the world alone."""

from collections.abc import Callable
from random import Random

from fenceguard.simulator.fault import Fault, Stage, World, to, towards, world_to
from fenceguard.simulator.faults_believed import BELIEVED
from fenceguard.simulator.faults_driven import CLOCKS, DRIVEN
from fenceguard.simulator.state import (
    FIXED,
    FLOAT,
    GARBLED_SENTENCE,
    LOST_SENTENCE,
    SINGLE,
    refix_s,
)


def _correction_loss(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(corrections=False)),
        Stage(random.uniform(5.0, 90.0), to(corrections=True)),
    ]


def _float(random: Random) -> list[Stage]:
    return [Stage(0.0, to(kind=FLOAT)), Stage(refix_s(random), to(kind=FIXED))]


def _wall(_random: Random) -> list[Stage]:
    return [Stage(0.0, to(wall=True))]


def _wrong_fix(random: Random) -> list[Stage]:
    offset_m = towards(random, 0.1, 1.0)
    up_m = random.uniform(-1.0, 1.0)
    return [
        Stage(0.0, to(kind=FLOAT)),
        Stage(refix_s(random), to(kind=FIXED, wrong_m=offset_m, wrong_up_m=up_m)),
    ]


def _slow_drift(random: Random) -> list[Stage]:
    return [Stage(0.0, to(drifting_mps=towards(random, 0.005, 0.05)))]


def _frozen(random: Random) -> list[Stage]:
    return [Stage(0.0, to(frozen=True)), Stage(random.uniform(1.0, 20.0), to(frozen=False))]


def _repeated(random: Random) -> list[Stage]:
    return [Stage(0.0, to(repeats=True)), Stage(random.uniform(2.0, 20.0), to(repeats=False))]


def _buffered(random: Random) -> list[Stage]:
    most_s = random.uniform(0.5, 5.0)
    fills_s = random.uniform(0.5, 10.0)
    steps = 20
    filling = [
        Stage(fills_s * step / steps, to(buffered_s=most_s * step / steps))
        for step in range(1, steps + 1)
    ]
    return [*filling, Stage(fills_s + random.uniform(5.0, 30.0), to(buffered_s=0.0))]


def _silence(random: Random) -> list[Stage]:
    return [Stage(0.0, to(silent=True)), Stage(random.uniform(0.6, 20.0), to(silent=False))]


def _unplug(random: Random) -> list[Stage]:
    def cut(world: World, _random: Random) -> None:
        world.cuts = True
        world.state.silent = True

    return [Stage(0.0, cut), Stage(random.uniform(2.0, 20.0), to(silent=False))]


def _reboot(random: Random) -> list[Stage]:
    silent_s = random.uniform(3.0, 8.0)
    single_s = silent_s + random.uniform(3.0, 10.0)
    float_s = single_s + refix_s(random)
    return [
        Stage(0.0, to(silent=True)),
        Stage(silent_s, to(silent=False, kind=SINGLE)),
        Stage(single_s, to(kind=FLOAT)),
        Stage(float_s, to(kind=FIXED)),
    ]


def _station_change(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(foreign=True, wrong_m=towards(random, 0.0, 1.0))),
        Stage(random.uniform(5.0, 40.0), to(foreign=False, wrong_m=(0.0, 0.0))),
    ]


def _shifted_fence(random: Random) -> list[Stage]:
    return [Stage(0.0, world_to(fence_shift_m=towards(random, 0.05, 1.0)))]


def _heading_lost(random: Random) -> list[Stage]:
    return [Stage(0.0, to(heading=False)), Stage(random.uniform(2.0, 40.0), to(heading=True))]


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
    return [Stage(0.0, to(sigma_share=1.0 / 3.0))]


def _garbled(random: Random) -> list[Stage]:
    return [
        Stage(0.0, to(lost=random.uniform(0.1, 0.5), garbled=random.uniform(0.1, 0.5))),
        Stage(random.uniform(5.0, 30.0), to(lost=LOST_SENTENCE, garbled=GARBLED_SENTENCE)),
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
        *BELIEVED,
        *CLOCKS,
        *DRIVEN,
    )
}
"""By name, in the order in which a campaign takes them."""
