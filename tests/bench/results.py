"""`python -m tests.bench.results`: run the benches, and write what they show to results.md.

With `--beside DIR`, a checkout of another revision with a `.venv` of its own, each bench runs there
too, by turns, and the ratios are written. Each time is the least of a bench's own runs.
"""

import argparse
import json
import os
import platform
import re
import subprocess
import sys
import textwrap
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parents[2]
PAGE = Path(__file__).with_name("results.md")
PART = "<!-- made by python -m tests.bench.results: {name} -->\n"
END = "<!-- end -->"
UNITS = {"s": "s", "us": "µs", "mib": "MiB"}
Figures = dict[str, float]
"""Figures by what they are of."""


class Bench(NamedTuple):
    """A bench that prints JSON, and how its figures are told."""

    module: str
    about: str
    flat: Callable[[Any], Figures]


def _of_replay(told: Any) -> Figures:
    found = {
        f"{name}: {_in_words(label)}": value
        for name, one in told["logs"].items()
        for label, value in one.items()
    }
    return {**found, "import of the live service, s": told["service_import_s"]}


def _in_words(label: str) -> str:
    """A figure's name with its unit apart."""
    what, _, unit = label.rpartition("_")
    return f"{what}, {UNITS[unit]}" if unit in UNITS else label


BENCHES = {
    "replay": Bench(
        "tests.bench",
        "A made-up hour of mowing at 10 Hz and two recordings of real receivers. `bare` is a loop "
        "of pynmea2.parse over the same sentences, and `ratio` the replay's time by that; µs are "
        "for one epoch, with the ticks between.",
        _of_replay,
    ),
    "fences": Bench(
        "tests.bench.fences",
        "What an epoch with its tick costs in the judgement, in µs, by the fence.",
        dict,
    ),
    "drills": Bench("tests.bench.drills", "How fast drills run.", dict),
}


def figures(bench: Bench, root: Path) -> Figures | None:
    """What a bench shows in a checkout; None where that one's bench tells no JSON."""
    python = sys.executable if root == ROOT else str(root / ".venv" / "bin" / "python")
    command = [python, "-m", bench.module, "--json"]
    done = subprocess.run(command, cwd=root, stdout=subprocess.PIPE, text=True, check=False)
    try:
        return bench.flat(json.loads(done.stdout))
    except ValueError:
        return None


def revision(root: Path) -> str:
    """The revision of a checkout, short, and whether there are changes, but for results.md."""
    changed = _git(root, "status", "--porcelain", "--untracked-files=no", ":!*results.md")
    return _git(root, "rev-parse", "--short=7", "HEAD") + (" with changes" if changed else "")


def _git(root: Path, *words: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(root), *words], stdout=subprocess.PIPE, text=True, check=True
    )
    return done.stdout.strip()


def machine() -> str:
    """This machine, in general words, and how busy it is: more than a core's load disturbs."""
    cores, load = os.cpu_count(), os.getloadavg()[0]
    python = platform.python_version()
    return f"{cores} cores ({platform.machine()}) at a load of {load:.1f}, Python {python}"


def section(bench: Bench, beside: Path | None) -> str:
    """What results.md tells of one bench. Raises RuntimeError where it shows nothing."""
    measured = f"{datetime.now(UTC):%Y-%m-%d}, on {machine()}."
    revisions = [revision(root) for root in (beside, ROOT) if root is not None]
    before = None if beside is None else figures(bench, beside)
    now = figures(bench, ROOT)
    if not now:
        raise RuntimeError(f"{bench.module} --json told nothing")
    lines = [*textwrap.wrap(bench.about, 100), "", measured, ""]
    if before is None or beside is None:
        lines += [f"| | {revisions[-1]} |", "| --- | --- |"]
        lines += [f"| {name} | {text(value)} |" for name, value in now.items()]
        return "\n".join(lines)
    lines += [f"| | {' | '.join(revisions)} | ratio |", "| --- | --- | --- | --- |"]
    for name, value in now.items():
        was = before.get(name)
        told = ("", "") if was is None else (text(was), f"{value / was:.2f}" if was else "")
        lines.append(f"| {name} | {told[0]} | {text(value)} | {told[1]} |")
    return "\n".join(lines)


def text(value: float) -> str:
    """A figure to three digits, or whole."""
    return f"{value:.0f}" if abs(value) >= 100.0 or value == int(value) else f"{value:.3g}"


def replaced(page: str, name: str, content: str) -> str:
    """The page with another part in it. Raises ValueError where it has no such part."""
    begin = PART.format(name=name)
    page, number = re.subn(
        f"(?s){re.escape(begin)}.*?{END}", lambda _: f"{begin}\n{content}\n\n{END}", page
    )
    if number != 1:
        raise ValueError(f"{name}: there are {number} such parts, and should be one")
    return page


def main() -> int:
    """Measure and write."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.results",
        description="Runs the benches and writes their figures to tests/bench/results.md.",
    )
    parser.add_argument("bench", nargs="*", choices=[*BENCHES, []], help="all, if none is given")
    parser.add_argument("--beside", type=Path, metavar="DIR", help="a checkout to compare with")
    args = parser.parse_args()
    for name in args.bench or BENCHES:
        content = section(BENCHES[name], args.beside)
        PAGE.write_text(replaced(PAGE.read_text("utf-8"), name, content), encoding="utf-8")
        print(f"{name}: written to {PAGE.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
