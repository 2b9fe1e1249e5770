"""What several commands print or ask for."""

import argparse
import sys
from pathlib import Path
from typing import Any

from rich.console import Console

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


def number(value: float) -> str:
    """A number with as many digits as mean anything."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def cause_text(cause: dict[str, Any]) -> str:
    """A finding in a few words: monitor, value, limit, unit."""
    if cause["value"] is None:
        return f"{cause['monitor']} unknown: {cause['note']}"
    if isinstance(cause["value"], str):
        return f"{cause['monitor']} {cause['value']}, wanted {cause['limit']}"
    value, limit = number(cause["value"]), number(cause["limit"])
    return f"{cause['monitor']} {value}, limit {limit} {cause['unit']}".rstrip()


def seconds_text(seconds: float | None) -> str:
    """A length of time, short: `12.3 s` or `4 min 05 s`."""
    if seconds is None:
        return "not ended"
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"
