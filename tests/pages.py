"""`python -m tests.pages`: the parts of the pages that are made from the code, and the picture.

Such a part stands between two comments, `<!-- made by python -m tests.pages: NAME -->` and
`<!-- end -->`. With `--check` nothing is written: what is out of date is named.
"""

import argparse
import re
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from fenceguard.judgement.ladder import RISES, RUNGS, Gives
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.types import Rung
from fenceguard.settings.models import ClearSettings
from tests.picture import demo_picture, demo_table

ROOT = Path(__file__).parents[1]
PICTURE = Path("config/demo/mowing.svg")
BOX_COLUMNS = 40
RAIL_COLUMNS = 12
"""Columns of the line that leads down, left of the boxes."""
ASKS_COLUMNS = 80 - RAIL_COLUMNS - 8
ASKS = {
    "clear": "nothing has demanded {rung} or lower for {clear_s:g} s (clear_s.{rung})",
    "armed": "armed: once since the start or reset, trusted long enough, with no demand but "
    "for want of room",
    "room": "a mower that speeds up then would not be halted for want of room",
    "blade_runs": "the blade runs: its warning and delay are over",
    "reset": "a person pressed reset at the machine",
}
"""What each question of `RISES` asks, in words."""


def ladder() -> str:
    """The ladder's diagram: what each rung permits, the ways down, the ways up."""
    lines = ["DOWN: at once, to whatever is demanded, past any number of rungs.", ""]
    first, last = min(RUNGS), max(RUNGS)
    for rung in sorted(RUNGS):
        if rung is not first:
            lines += _way_up(rung)
        lines += _box(rung, RUNGS[rung], "│" if rung is not first else " ", rung is last)
    lines += ["", "UP: one rung a step, and only while nothing demands this rung or lower."]
    return _fenced("\n".join(line.rstrip() for line in lines))


def _box(rung: Rung, gives: Gives, above: str, is_last: bool) -> list[str]:
    granted = "   ".join(f"{name} {'on' if on else 'off'}" for name, on in gives._asdict().items())
    below = " " if is_last else "│"
    arrow = ("└" if is_last else "├") + "─" * (RAIL_COLUMNS - 2) + "►"
    rail = arrow if rung is not Rung.FULL else "┌" + "─" * (RAIL_COLUMNS - 1)
    inside = BOX_COLUMNS - 2
    return [
        above + " " * (RAIL_COLUMNS - 1) + "┌" + "─" * inside + "┐",
        rail + ("│" if rung is not Rung.FULL else "┤") + f" {rung.word}".ljust(inside) + "│",
        below + " " * (RAIL_COLUMNS - 1) + "│" + f" {granted}".ljust(inside) + "│",
        below + " " * (RAIL_COLUMNS - 1) + "└" + "─" * inside + "┘",
    ]


def _way_up(rung: Rung) -> list[str]:
    """The line from a rung to the one above it, with all that the way asks for."""
    rise = RISES[rung]
    assert rise.to == rung - 1, "the diagram knows of ways up to the next rung alone"
    clear_s = getattr(ClearSettings(), rung.word, 0.0)
    asked: list[str] = []
    for ask in rise.asks:
        text = ASKS[ask].format(rung=rung.word, clear_s=clear_s)
        asked += textwrap.wrap(text, ASKS_COLUMNS, initial_indent="- ", subsequent_indent="  ")
    lead = "│" + " " * (RAIL_COLUMNS + 5)
    return [lead + ("▲ " if number == 0 else "│ ") + text for number, text in enumerate(asked)]


def _fenced(text: str) -> str:
    return f"```text\n{text}\n```"


def monitors() -> str:
    """The table of monitors."""
    rows = [f"| `{one.name}` | {one.watches} |" for one in MONITORS]
    return "\n".join(["| monitor | watches |", "| --- | --- |", *rows])


MADE: dict[str, Callable[[], str]] = {
    "ladder": ladder,
    "monitors": monitors,
    "interventions": demo_table,
}
"""The parts, by name."""
PAGES = {"DEVELOPERS.md": ("ladder",), "README.md": ("interventions", "monitors")}
"""Which parts each page has, in their order."""
PART = re.compile(r"(?s)(<!-- made by python -m tests\.pages: (\w+) -->\n).*?(<!-- end -->)")


class File(NamedTuple):
    """A file as it should be."""

    path: Path
    content: str


def made(root: Path = ROOT) -> list[File]:
    """Every page and picture as it should be. Raises ValueError where a page lacks a part."""
    files = [File(root / PICTURE, demo_picture())]
    for name, parts in PAGES.items():
        page = (root / name).read_text(encoding="utf-8")
        there = tuple(match[2] for match in PART.finditer(page))
        if there != parts:
            raise ValueError(f"{name}: has the parts {there}, and should have {parts}")
        files.append(File(root / name, PART.sub(_filled, page)))
    return files


def _filled(match: re.Match[str]) -> str:
    return f"{match[1]}\n{MADE[match[2]]()}\n\n{match[3]}"


def out_of_date(files: list[File]) -> list[File]:
    """Those that are not as they should be."""
    return [
        one
        for one in files
        if not one.path.exists() or one.path.read_text(encoding="utf-8") != one.content
    ]


def main() -> int:
    """Write, or check."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.pages",
        description="Makes the parts of the pages that follow from the code, and the picture.",
    )
    parser.add_argument("--check", action="store_true", help="only name what is out of date")
    args = parser.parse_args()
    old = out_of_date(made())
    for file in old:
        name = file.path.relative_to(ROOT)
        if args.check:
            print(f"{name} is out of date; run python -m tests.pages")
        else:
            file.path.write_text(file.content, encoding="utf-8")
            print(f"{name} written")
    return 1 if args.check and old else 0


if __name__ == "__main__":
    sys.exit(main())
