"""`python -m tests.bench.compare DIR`: are all decisions those of another revision, in a checkout?

The recordings of real receivers and the demo are run through both, step by step. Compared are
time, rung, reason, findings, what only watched would have demanded, grant, and whether it is armed.
Lengths may differ by the rounding of positions. Where only the least clearance is known, it must
not be greater than the exact one.
"""

import argparse
import inspect
import json
import os
import subprocess
import sys
import tempfile
from itertools import zip_longest
from pathlib import Path
from typing import Any

LOGS = Path(__file__).parents[3] / "shared" / "logs"
RATES_HZ = {
    "static": 1,
    "walk": 1,
    "drive-4hz": 4,
    "drive-5hz": 5,
    "survey": 10,
    "idle": 1,
    "odd": 1,
}
"""By what the names of the recordings begin with."""
SOON = "arm: {fixed_for_s: 2}\nclear_s: {slowed: 1, blade_off: 2, halted: 3}\n"
ROUNDING = 1e-6
DEMO = Path("config") / "demo"
FIELDS = ("now_s", "rung", "was", "why", "clear_s", "armed", "grant", "findings", "watched")


def main() -> int:
    """Compare and print; 1 where a decision is another."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.compare", description=__doc__)
    parser.add_argument("directory", type=Path, metavar="DIR", help="checkout to compare with")
    parser.add_argument("--logs", type=Path, default=LOGS, metavar="DIR", help="recordings")
    args = parser.parse_args()
    apart = 0
    with tempfile.TemporaryDirectory() as scratch:
        here, there = Path(scratch) / "here", Path(scratch) / "there"
        for root, out in ((Path(__file__).parents[2], here), (args.directory, there)):
            out.mkdir()
            words = [sys.executable, __file__, str(out), str(args.logs.resolve())]
            environment = {**os.environ, "PYTHONPATH": str(root.resolve())}
            subprocess.run(words, cwd=root, env=environment, check=True)
        for file in sorted(there.iterdir()):
            pairs = list(zip_longest(_rows(file), _rows(here / file.name)))
            found = [n for n, (before, now) in enumerate(pairs) if not _same(before, now)]
            print(f"{file.name:45} {len(pairs):6} decisions, {len(found)} differ")
            for number in found[:3]:
                before, now = pairs[number]
                told = (*FIELDS, "clearance_m", "ahead_m")
                names = [one for one in told if (before or {}).get(one) != (now or {}).get(one)]
                print(f"    number {number}, at {(before or now or {})['now_s']} s: {names}")
            apart += len(found)
    return 1 if apart else 0


def _rows(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text().splitlines()]


def _same(before: dict[str, Any] | None, now: dict[str, Any] | None) -> bool:
    if before is None or now is None:
        return False
    if not all(_close(before[name], now[name]) for name in FIELDS):
        return False
    lengths = [(before[name], now[name]) for name in ("clearance_m", "ahead_m")]
    if now["at_least"]:
        return all(is_now <= was + ROUNDING for was, is_now in lengths)
    return all(_close(was, is_now) for was, is_now in lengths)


def _close(one: Any, other: Any) -> bool:
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_close, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= ROUNDING * max(1.0, abs(one))
    return bool(one == other)


def dump(out: Path, logs: Path) -> None:
    """Write every decision of the checkout that is imported, a file for each recording."""
    from tests.bench.recorded import raw_gga, unpacked, write_settings

    for log in sorted(logs.glob("*.gz")):
        rate_hz = next((rate for name, rate in RATES_HZ.items() if log.name.startswith(name)), None)
        if rate_hz is None or ".csv" in log.name:
            continue
        for acting in (True, False):
            with tempfile.TemporaryDirectory() as scratch:
                silence_s = (1.5 / rate_hz, 2.5 / rate_hz, 4.0 / rate_hz)
                positions = raw_gga(unpacked(log))
                file = write_settings(Path(scratch), positions, silence_s, SOON)
                if acting:
                    text = file.read_text().replace("watch_only: true", "watch_only: false")
                    file.write_text(text)
                name = f"{log.name.split('.')[0]}, {'acting' if acting else 'watching'}"
                _dump_one(out / name, log, file)
    _dump_one(out / "demo", DEMO / "mowing.nmea.gz", DEMO / "settings.yaml")


def _dump_one(out: Path, log: Path, settings: Path) -> None:
    from fenceguard.judgement.supervisor import Supervisor
    from fenceguard.replay import Replay
    from fenceguard.settings import load

    loaded, step = load(settings), Supervisor.step
    with out.open("w") as file:

        def noted(self: Supervisor, *told: Any) -> Any:
            decision = step(self, *told)
            situation = decision.situation
            row = {name: getattr(decision, name) for name in FIELDS}
            row["at_least"] = getattr(situation, "at_least", False)
            row["clearance_m"], row["ahead_m"] = situation.clearance_m, situation.ahead_m
            file.write(json.dumps(row) + "\n")
            return decision

        Supervisor.step = noted  # type: ignore[method-assign, assignment]
        takes = inspect.signature(Replay).parameters
        given: Any = loaded if "loaded" in takes else (lambda _run: loaded)
        Replay(given).run([str(log)])
        Supervisor.step = step  # type: ignore[method-assign]


if __name__ == "__main__":
    if len(sys.argv) == 3 and Path(sys.argv[1]).is_dir() and Path(sys.argv[2]).is_dir():
        dump(Path(sys.argv[1]), Path(sys.argv[2]))
    else:
        sys.exit(main())
