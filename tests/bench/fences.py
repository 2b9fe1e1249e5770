"""`python -m tests.bench.fences`: what a judgement costs, by the size of the fence."""

import argparse
import json
import math
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from fenceguard.guard import Guard
from fenceguard.lawn.fence import Fence, Ring
from fenceguard.lawn.frame import Array, Frame
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Loaded, Settings

RADIUS_M = 50.0
EPOCHS = 2000
RUNS = 3
FAR_M = 35.0
"""Distance of the antenna from the middle, away from every line."""
NEAR_M = 0.5
"""Its distance from the middle of a side, along the fence."""
FAR, ALONG = "far from lines", "along the fence"
SIZES = ((10, 0), (1000, 0), (10_000, 0), (1000, 100), (10_000, 100))
CONTENT: dict[str, Any] = {
    "fence": "x",
    "outputs": "none",
    "mower": {
        "outline_m": [[0.35, 0.25], [0.35, -0.25], [-0.25, -0.25], [-0.25, 0.25]],
        "antenna_m": [0.0, 0.0],
    },
}


def ring(name: str, keeps_in: bool, middle: tuple[float, float], radius_m: float, n: int) -> Ring:
    """A round ring."""
    turns = np.linspace(0.0, 2.0 * math.pi, n + 1)
    points: Array = np.column_stack(
        [middle[0] + radius_m * np.sin(turns), middle[1] + radius_m * np.cos(turns)]
    )
    points[-1] = points[0]
    return Ring(name, keeps_in, points)


def fence(vertices: int, keep_outs: int) -> Fence:
    """A round lawn with round keep-outs, all well inside."""
    rings = [ring("lawn", True, (0.0, 0.0), RADIUS_M, vertices)]
    side = math.ceil(math.sqrt(keep_outs)) if keep_outs else 0
    for number in range(keep_outs):
        place = (number % side - side / 2.0) * 4.0, (number // side - side / 2.0) * 4.0
        rings.append(ring(f"bed {number}", False, place, 0.5, 16))
    return Fence(Frame(50.0, 10.0), rings)


def epochs(away_m: float) -> list[Epoch]:
    """A mower that goes round at a distance from the middle, at 10 Hz and 0.5 m/s."""
    found = []
    for number in range(EPOCHS):
        turn = number * 0.05 / away_m
        lat = 50.0 + away_m * math.cos(turn) / 111_229.0
        lon = 10.0 + away_m * math.sin(turn) / 71_696.0
        course_deg = (math.degrees(turn) + 90.0) % 360.0
        found.append(
            Epoch(
                1e9 + number / 10.0,
                lat,
                lon,
                quality=4,
                satellites=20,
                hdop=0.7,
                age_s=1.0,
                speed_mps=0.5,
                course_deg=course_deg,
                heading_deg=course_deg,
                sigma_major_m=0.01,
            )
        )
    return found


def microseconds(on: Fence, given: list[Epoch]) -> float:
    """An epoch and the tick after it, the least of some runs."""
    settings = Settings.model_validate(CONTENT)
    loaded = Loaded(settings, Path("x"), "", "", on, Path("x"), "")
    taken_s = []
    for _ in range(RUNS):
        guard = Guard(loaded)
        guard.start(0.0, 0.0, run="bench", mode="bench", source="")
        began_s = time.perf_counter()
        for number, epoch in enumerate(given):
            guard.hear(number / 10.0, epoch)
        taken_s.append(time.perf_counter() - began_s)
    return min(taken_s) / len(given) * 1e6


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.fences",
        description="What a judgement costs, by the size of the fence.",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    costs = {(size, where): cost for size in SIZES for where, cost in by_place(*size).items()}
    if args.json:
        told = {
            f"{vertices} vertices, {keep_outs} keep-outs, {where}": cost
            for ((vertices, keep_outs), where), cost in costs.items()
        }
        print(json.dumps(told))
        return 0
    table = Table(title="Judgement, µs per epoch with a tick", title_justify="left")
    for heading in ("vertices", "keep-outs", FAR, ALONG):
        table.add_column(heading, justify="right")
    for size in SIZES:
        table.add_row(*map(str, size), *(f"{costs[size, where]:.0f}" for where in (FAR, ALONG)))
    Console(width=80, highlight=False).print(table)
    return 0


def by_place(vertices: int, keep_outs: int) -> dict[str, float]:
    """Microseconds far from every line, and along the fence."""
    on = fence(vertices, keep_outs)
    along_m = RADIUS_M * math.cos(math.pi / vertices) - NEAR_M
    return {
        where: microseconds(on, epochs(away_m))
        for where, away_m in ((FAR, FAR_M), (ALONG, along_m))
    }


if __name__ == "__main__":
    sys.exit(main())
