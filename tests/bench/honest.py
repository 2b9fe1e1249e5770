"""`python -m tests.bench.honest`: how much work gets done where nothing is wrong."""

import argparse
import sys
from typing import NamedTuple

from fenceguard.drill.drill import Course, Grounds, play
from fenceguard.drill.lawns import OWN
from fenceguard.drill.result import Result, Setup
from fenceguard.simulator.controllers import CONTROLLERS
from fenceguard.simulator.routes import EDGE, LANES, STRIPES, WAY
from tests.support.drills import SETTINGS

LASTS_S = 200.0


class Work(NamedTuple):
    """What is mown, and with what."""

    name: str
    lawn: str
    way: str
    receiver: str = "5hz"
    overrides: tuple[str, ...] = ()


WORKS = (
    Work("demo, laps", OWN, EDGE),
    Work("demo, stripes", OWN, STRIPES),
    Work("demo, stripes, axle 0.3 m behind", OWN, STRIPES, "5hz", ("mower.axle_m=[-0.3, 0.0]",)),
    Work("10 by 8 m, lanes", "small", LANES),
    Work("10 by 8 m, lanes by course", "small", LANES, "no_heading"),
    Work("10 by 8 m, lanes, all at 1 Hz", "small", LANES, "1hz"),
    Work("10 by 8 m, laps, heading at 1 Hz", "small", EDGE, "heading_1hz"),
    Work("passages of 0.8 to 1.2 m", "passages", WAY),
    Work("the same by course", "passages", WAY, "no_heading"),
    Work("an L, lanes", "ell", LANES),
    Work("a ring 2.4 m wide, laps", "ring", WAY),
)


def row(work: Work, controller: str, results: list[Result]) -> str:
    """A row of the table."""
    hours = sum(one.lasted_s for one in results) / 3600.0
    share = sum(one.full_s for one in results) / sum(one.lasted_s for one in results)
    stops = sum(one.blade_stops for one in results) / hours
    halts = sum(one.halts for one in results) / hours
    out_m = max(max(one.granted_out_m, one.blade_out_m, one.drive_out_m) for one in results)
    return (
        f"| {work.name} | `{controller}` | {100.0 * share:.1f} | {stops:.1f} | {halts:.1f} "
        f"| {out_m:.2f} |"
    )


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.honest")
    parser.add_argument("--runs", type=int, default=3, help="of each (%(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    grounds = Grounds(SETTINGS)
    print("| what | controller | at full, % | blade stops an hour | halts an hour | out, m |")
    print("| --- | --- | --- | --- | --- | --- |")
    for work in WORKS:
        ground = grounds.of(work.lawn, work.overrides)
        course = Course(("none",), [], LASTS_S, kind=work.way)
        for controller in CONTROLLERS:
            setup = Setup(controller, work.lawn, work.receiver)
            results = [
                play(ground, "supervised", course, args.seed, number, setup)
                for number in range(args.runs)
            ]
            print(row(work, controller, results), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
