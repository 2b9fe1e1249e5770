"""The command line: one file per command."""

import argparse
import sys
from collections.abc import Sequence

from fenceguard import __version__
from fenceguard.cli import audit, check, replay, run
from fenceguard.cli.common import HelpFormatter
from fenceguard.errors import BadInput

BAD_INPUT = 2
CAUTION = """\
fenceguard can stop a mower; it cannot make one safe.
Nothing here is certified. A hard-wired stop stays the first line.
Follow local codes and licensed practice."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status: 0 good, 1 faults found, 2 bad input."""
    parser = argparse.ArgumentParser(
        prog="fenceguard",
        description="Geofence safety supervisor for robot mowers.",
        epilog=CAUTION,
        formatter_class=HelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"fenceguard {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for command in (run, replay, audit, check):
        command.add_parser(commands)
    args = parser.parse_args(argv)
    try:
        status: int = args.run(args)
    except BadInput as error:
        print(f"fenceguard {args.command}: {error}", file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print(f"fenceguard {args.command}: interrupted", file=sys.stderr)
        return 130
    return status
