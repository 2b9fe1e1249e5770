"""What several commands print or ask for."""

import argparse
import os
import signal
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from fenceguard.text import seconds_text

OUTPUTS_CAUTION = (
    "Caution: this moves output lines. Take the blades off, keep people and animals away, and have "
    "the hard-wired stop in reach. Nothing here is certified."
)


class HelpFormatter(argparse.HelpFormatter):
    """Wraps each line of a description by itself, so that examples stay on lines of their own."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return "\n".join(
            textwrap.fill(line, width, initial_indent=indent, subsequent_indent=indent)
            for line in text.splitlines()
        )


def add_settings(parser: argparse.ArgumentParser) -> None:
    """The options that name the settings and change single ones."""
    parser.add_argument(
        "--settings", type=Path, required=True, metavar="FILE", help="settings of the mower (YAML)"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="use another value for one setting, such as limits.silence.halted=2.5; repeatable",
    )


SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
"""What ends a command that moves lines, with every line off."""


class Leaving:
    """Notes that one of some signals has come, for the command to leave by itself.

    An exception raised by a signal may get lost in whatever is running just then.
    """

    def __init__(self, *signals: signal.Signals) -> None:
        self.number = 0
        for number in signals:
            signal.signal(number, self._note)

    def _note(self, number: int, _frame: object) -> None:
        self.number = number

    def asked(self) -> bool:
        """Whether such a signal has come."""
        return self.number > 0


def use_board_pins() -> None:
    """Have the pins by lgpio, unless the user says otherwise; never by a library that happens to
    be there.
    """
    os.environ.setdefault("GPIOZERO_PIN_FACTORY", "lgpio")


class _Out(Console):
    """A console that leaves it to the caller what a closed pipe means."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def console() -> Console:
    """Standard output, for people. Names are printed as they are, whatever they look like."""
    return _Out(file=sys.stdout, highlight=False, markup=False, emoji=False)


NARROW_COLUMNS = 76
"""Below this a table becomes paragraphs: a phone has some 40 columns."""


def print_table(
    out: Console, title: str, headings: Sequence[str], rows: Iterable[Sequence[str]]
) -> None:
    """A table that fits the terminal; where that is narrow, a paragraph for each row."""
    if out.width >= NARROW_COLUMNS:
        table = Table(title=title, title_justify="left")
        for heading in headings:
            table.add_column(heading, no_wrap=heading == headings[0])
        for row in rows:
            table.add_row(*row)
        out.print(table)
        return
    out.print(title)
    for first, *others in rows:
        out.print(f"{headings[0]} {first}")
        for heading, cell in zip(headings[1:], others, strict=True):
            if cell:
                out.print(f"  {heading}: {cell}")


InterventionRow = tuple[int, str, float | None, str, str, str]
"""Number, UTC of the beginning, seconds that it lasted, rung, first cause, place."""


def print_interventions(out: Console, rows: Sequence[InterventionRow]) -> None:
    """Interventions for people."""
    print_table(
        out,
        count_text(len(rows), "intervention"),
        ("id", "began (UTC)", "lasted", "reached", "first cause", "where"),
        [
            (str(number), began_utc.replace("T", " "), seconds_text(lasted_s), rung, cause, place)
            for number, began_utc, lasted_s, rung, cause, place in rows
        ],
    )


def count_text(number: int, what: str) -> str:
    """How many there are of something."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def place_text(
    lat_deg: float | None, lon_deg: float | None, clearance_m: float | None, ring: str
) -> str:
    """Where the mower was, short."""
    if lat_deg is None or lon_deg is None or clearance_m is None:
        return "position unknown"
    return f"{lat_deg:.7f} {lon_deg:.7f}, {clearance_m:.2f} m to {ring}"
