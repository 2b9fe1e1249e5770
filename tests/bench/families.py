"""`python -m tests.bench.families RESULTS`: what got out of each family of faults, and how large.

RESULTS is what `fenceguard drill --policy supervised --results RESULTS` has written, of single
faults.
"""

import argparse
import json
import math
import sys
from collections.abc import Callable
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from fenceguard.drill.campaign import read
from fenceguard.drill.drill import Course, drawn, random_of
from fenceguard.drill.result import Result
from fenceguard.simulator.fault import World
from fenceguard.simulator.state import State

GRANTED_M, TURNING_M, DRIVING_M = 0.02, 0.05, 0.10
"""What a family may be out: with the blade granted, still turning, driving."""


class Family(NamedTuple):
    """The drills of one fault."""

    name: str
    results: list[Result]
    sizes: list[float]
    unit: str

    def row(self) -> str:
        """A row of the table."""
        proving = [
            (one, size) for one, size in zip(self.results, self.sizes, strict=True) if one.proves
        ]
        columns = [self.name, str(len(proving)), str(len(self.results) - len(proving))]
        for may_m, outs_m in (
            (GRANTED_M, [one.granted_out_m for one, _ in proving]),
            (TURNING_M, [one.blade_out_m for one, _ in proving]),
            (DRIVING_M, [one.drive_out_m for one, _ in proving]),
        ):
            out, worst_m = sum(out_m > may_m for out_m in outs_m), max(outs_m, default=0.0)
            columns.append(f"{out} ({worst_m:.2f} m)" if worst_m else str(out))
        least = [size for one, size in proving if is_out(one)]
        drawn_from = f"{min(self.sizes):.2g} to {max(self.sizes):.2g} {self.unit}"
        columns += [drawn_from, f"{min(least):.2g} {self.unit}" if least else ""]
        return f"| {' | '.join(columns)} |"


def is_out(result: Result) -> bool:
    """Whether it came farther out than a family may."""
    return (
        result.granted_out_m > GRANTED_M
        or result.blade_out_m > TURNING_M
        or result.drive_out_m > DRIVING_M
    )


def _most(name: str) -> Callable[[Course], float]:
    """The greatest that something of the receiver or the mower becomes."""

    def size(course: Course) -> float:
        world = World(State())
        random = random_of(0, 0)
        most = 0.0
        for _, change in sorted(course.changes, key=lambda one: one[0]):
            change(world, random)
            value: Any = getattr(world, name, None) or getattr(world.state, name, 0.0)
            most = max(most, math.hypot(*value) if isinstance(value, tuple) else abs(value))
        return most

    return size


def _lasts_s(course: Course) -> float:
    return max(at_s for at_s, _ in course.changes)


SIZES: dict[str, tuple[str, Callable[[Course], float]]] = {
    "drift_that_ends": ("m/s", _most("drifting_mps")),
    "slow_drift": ("m/s", _most("drifting_mps")),
    "heading_off": ("deg", _most("heading_off_deg")),
    "tiny_sigma": ("times", _most("error_times")),
    "hdop_zero": ("times", _most("error_times")),
    "sigma_withheld": ("times", _most("error_times")),
    "leaning": ("m", _most("lean_m")),
    "carried": ("m/s", _most("carried_mps")),
    "too_fast": ("m/s", _most("pace_mps")),
    "shifted_fence": ("m", _most("fence_shift_m")),
    **dict.fromkeys(
        (
            *("step", "off_on_silence", "off_on_restart", "course_lost", "speed_lost"),
            *("geoid_lost", "wrong_fix", "station_change"),
        ),
        ("m", _most("wrong_m")),
    ),
}
"""By fault: the unit of its size, and its size; that of all others is how long it lasts."""


def families(results: Path) -> list[Family]:
    """What a file of results holds, by fault."""
    with results.open(encoding="utf-8") as file:
        plan = json.loads(file.readline())["plan"]
    ordered = sorted(read(results), key=lambda one: (one.faults, one.number))
    told = []
    for faults, group in groupby(ordered, key=lambda one: one.faults):
        unit, size = SIZES.get(faults[0], ("s", _lasts_s))
        drills = list(group)
        sizes = [size(drawn(random_of(plan["seed"], one.number), faults)) for one in drills]
        told.append(Family(faults[0], drills, sizes, unit))
    return told


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.families")
    parser.add_argument("results", type=Path)
    print(
        "| fault | drills | prove nothing | granted out > 0.02 m | turning out > 0.05 m "
        "| driving out > 0.10 m | sizes drawn | smallest that got out |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for family in families(parser.parse_args().results):
        print(family.row())
    return 0


if __name__ == "__main__":
    sys.exit(main())
