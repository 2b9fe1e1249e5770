"""`python -m tests.bench.drills`: how fast drills run, beside the supervisor alone."""

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console

from fenceguard.drill.campaign import plan_of, run_all
from fenceguard.drill.drill import LASTS_S, Ground, run
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import load

SETTINGS = Path(__file__).parents[2] / "config" / "demo" / "settings.yaml"
RUNS = 12
CAMPAIGN_RUNS = 48


def main() -> int:
    """Measure and print."""
    loaded = load(SETTINGS)
    ground = Ground(loaded.settings, loaded.fence)
    steps: list[tuple[float, Epoch | None]] = []
    taken = Supervisor.step

    def noted(self: Supervisor, now_s: float, epoch: Epoch | None, *more: object) -> object:
        steps.append((now_s, epoch))
        return taken(self, now_s, epoch, *more)  # type: ignore[arg-type]

    # What the supervisor was told in one set of drills, to be told again by itself.
    Supervisor.step = noted  # type: ignore[method-assign, assignment]
    ends = []
    for number in range(RUNS):
        run(ground, "supervised", (), 1, number)
        ends.append(len(steps))
    Supervisor.step = taken  # type: ignore[method-assign]
    began_s = time.perf_counter()
    for number in range(RUNS):
        run(ground, "supervised", (), 1, number)
    drill_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    begin = 0
    for end in ends:
        supervisor = Supervisor.from_settings(loaded.settings, loaded.fence)
        for now_s, epoch in steps[begin:end]:
            supervisor.step(now_s, epoch)
        begin = end
    alone_s = time.perf_counter() - began_s
    simulated_s = RUNS * LASTS_S
    out = Console(width=80, highlight=False)
    out.print(f"Drills: {simulated_s / drill_s:.0f} simulated seconds a second and core")
    out.print(f"Supervisor alone: {simulated_s / alone_s:.0f}; ratio {drill_s / alone_s:.2f}")
    campaign_s = {}
    plan = plan_of(loaded, (), 1, "single", (), ("supervised",), LASTS_S)
    for jobs in (1, 2):
        with TemporaryDirectory() as directory, ProcessPoolExecutor(jobs) as executor:
            began_s = time.perf_counter()
            run_all(plan, CAMPAIGN_RUNS, executor, Path(directory) / "results.jsonl")
            campaign_s[jobs] = time.perf_counter() - began_s
    scaling = campaign_s[1] / campaign_s[2]
    out.print(f"Campaign of {CAMPAIGN_RUNS}: 2 processes are {scaling:.2f} times as fast as 1")
    return 0


if __name__ == "__main__":
    sys.exit(main())
