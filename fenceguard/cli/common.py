"""What several commands print or ask for."""

import argparse
import os
import signal
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from fenceguard.journal.records import Where, plain
from fenceguard.journal.story import Intervention
from fenceguard.journal.write import Journal
from fenceguard.receiver.epoch import utc_text
from fenceguard.settings import Loaded
from fenceguard.text import cause_text, seconds_text

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


def add_settings(parser: argparse.ArgumentParser, required: bool = True) -> None:
    """The options that name the settings and change single ones."""
    parser.add_argument(
        "--settings",
        type=Path,
        required=required,
        metavar="FILE",
        help="settings of the mower (YAML)",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="use another value for one setting, such as limits.silence.halted=2.5; repeatable",
    )


SIGNALS = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGTSTP,
    signal.SIGTTIN,
    signal.SIGTTOU,
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGALRM,
    signal.SIGVTALRM,
    signal.SIGPROF,
    signal.SIGXCPU,
    signal.SIGIO,
    signal.SIGPWR,
    signal.SIGSTKFLT,
)
"""What ends a command that moves lines, with every line off.

All that would end or stop this process if it did nothing about them: it would leave its lines as
they are. But for kill and stop, which no process can take, real-time signals, and those of a crash.
"""


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


def print_interventions(out: Console, interventions: Sequence[Intervention]) -> None:
    """Interventions for people."""
    print_table(
        out,
        count_text(len(interventions), "intervention"),
        ("id", "began (UTC)", "lasted", "reached", "first cause", "where"),
        [
            (
                str(one.id),
                utc_text(one.begun[0].utc_s).replace("T", " "),
                seconds_text(one.duration_s),
                one.rung,
                cause_text(one.cause),
                _place_text(one.begun[1].where),
            )
            for one in interventions
        ],
    )


def intervention_dict(one: Intervention) -> dict[str, Any]:
    """An intervention as other tools read it."""
    entry, begun = one.begun
    epoch = begun.where.epoch
    return {
        "id": one.id,
        "begin_utc": utc_text(entry.utc_s),
        "end_utc": utc_text(one.ended.utc_s) if one.ended else None,
        "duration_s": None if one.duration_s is None else round(one.duration_s, 4),
        "rung": one.rung,
        "cause": plain(one.cause),
        "lat": epoch.lat_deg if epoch else None,
        "lon": epoch.lon_deg if epoch else None,
        "clearance_m": begun.where.clearance_m,
        "nearest": begun.where.nearest,
    }


RECORDS_MISSING = 3
"""Exit status: something of the journal or the recording is not on the disk."""


def open_journal(loaded: Loaded, directory: Path) -> Journal:
    """The journal in a directory, with the fence in it. Raises BadInput if that cannot be."""
    kept = loaded.settings.journal
    limits = {} if kept is None else kept.model_dump(include={"file_mib", "keep_mib", "keep_days"})
    journal = Journal(directory, **limits)
    journal.keep_fence(loaded.fence_hash, loaded.fence_file.read_bytes())
    return journal


def unwritten_text(directory: Path, unwritten: int) -> str:
    """What is said of records, or events, that did not get to the disk."""
    return (
        f"{directory}: {count_text(unwritten, 'record')} could not be written; look after the disk"
    )


def count_text(number: int, what: str) -> str:
    """How many there are of something."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _place_text(where: Where) -> str:
    """Where the mower was, short."""
    epoch = where.epoch
    if epoch is None or epoch.lat_deg is None or epoch.lon_deg is None:
        return "position unknown"
    if where.clearance_m is None:
        return "position unknown"
    place = f"{epoch.lat_deg:.7f} {epoch.lon_deg:.7f}"
    return f"{place}, {where.clearance_m:.2f} m to {where.nearest}"
