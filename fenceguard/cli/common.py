"""What several commands print or ask for."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from fenceguard.words import seconds_text

OUTPUTS_CAUTION = (
    "Caution: this moves output lines. Take the blades off, keep people and animals away, and have "
    "the hard-wired stop in reach. Nothing here is certified."
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


def console() -> Console:
    """Standard output, for people."""
    return Console(file=sys.stdout, highlight=False)


InterventionRow = tuple[int, str, float | None, str, str, str]
"""Number, UTC of the beginning, seconds that it lasted, rung, first cause, place."""


def interventions_table(rows: Sequence[InterventionRow]) -> Table:
    """Interventions for people, within 80 columns."""
    table = Table(title=f"{len(rows)} interventions", title_justify="left")
    for heading in ("id", "began (UTC)", "lasted", "reached", "first cause", "where"):
        table.add_column(heading)
    for number, began_utc, lasted_s, rung, cause, place in rows:
        began = began_utc.replace("T", " ")
        table.add_row(str(number), began, seconds_text(lasted_s), rung, cause, place)
    return table


def place_text(
    lat_deg: float | None, lon_deg: float | None, clearance_m: float | None, ring: str
) -> str:
    """Where the mower was, short."""
    if lat_deg is None or lon_deg is None or clearance_m is None:
        return "position unknown"
    return f"{lat_deg:.7f} {lon_deg:.7f}, {clearance_m:.2f} m to {ring}"
