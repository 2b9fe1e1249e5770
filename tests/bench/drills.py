"""`python -m tests.bench.drills`: how fast drills run, beside the guard alone."""

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import ClassVar
from unittest.mock import patch

from rich.console import Console

from fenceguard.drill.campaign import plan_of, run_all
from fenceguard.drill.drill import LASTS_S, Ground, run
from fenceguard.guard import Guard
from fenceguard.judgement.types import Decision
from fenceguard.settings import Loaded, load

SETTINGS = Path(__file__).parents[2] / "config" / "demo" / "settings.yaml"
RUNS = 12
CAMPAIGN_RUNS = 48


class Noting(Guard):
    """A guard that notes what it is told."""

    told: ClassVar[list[list[tuple[float, bytes | None]]]]

    def __init__(self, loaded: Loaded, first_intervention: int = 1) -> None:
        super().__init__(loaded, first_intervention)
        self._calls: list[tuple[float, bytes | None]] = []
        self.told.append(self._calls)

    def receive(self, at_s: float, data: bytes) -> list[Decision]:
        self._calls.append((at_s, data))
        return super().receive(at_s, data)

    def tick(self, at_s: float) -> list[Decision]:
        self._calls.append((at_s, None))
        return super().tick(at_s)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.drills",
        description="How fast drills run, beside the guard alone, and on two processes.",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    figures = measure()
    if args.json:
        print(json.dumps(figures))
    else:
        out = Console(width=80, highlight=False)
        for name, value in figures.items():
            out.print(f"{name}: {value:.4g}")
    return 0


def measure() -> dict[str, float]:
    """Figures by what they are of."""
    loaded = load(SETTINGS)
    ground = Ground(loaded)
    # What the guard was told in one set of drills, to be told again by itself.
    told: list[list[tuple[float, bytes | None]]] = []
    Noting.told = told
    with patch("fenceguard.drill.policies.Guard", Noting):
        for number in range(RUNS):
            run(ground, "supervised", (), 1, number)
    began_s = time.perf_counter()
    for number in range(RUNS):
        run(ground, "supervised", (), 1, number)
    drill_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    for calls in told:
        guard = Guard(loaded)
        guard.start(0.0, 0.0, run="bench", mode="bench", source="")
        for at_s, data in calls:
            if data is None:
                guard.tick(at_s)
            else:
                guard.receive(at_s, data)
    alone_s = time.perf_counter() - began_s
    simulated_s = RUNS * LASTS_S
    campaign_s = {}
    plan = plan_of(loaded, (), 1, "single", (), ("supervised",), LASTS_S)
    for jobs in (1, 2):
        with TemporaryDirectory() as directory, ProcessPoolExecutor(jobs) as executor:
            began_s = time.perf_counter()
            run_all(plan, CAMPAIGN_RUNS, executor, Path(directory) / "results.jsonl")
            campaign_s[jobs] = time.perf_counter() - began_s
    return {
        "drills, simulated seconds a second and core": simulated_s / drill_s,
        "guard alone, the same": simulated_s / alone_s,
        "a drill by the guard alone": drill_s / alone_s,
        f"campaign of {CAMPAIGN_RUNS}, 1 process by 2": campaign_s[1] / campaign_s[2],
    }


if __name__ == "__main__":
    sys.exit(main())
