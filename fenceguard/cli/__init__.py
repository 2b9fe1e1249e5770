"""The command line: one file per command."""

import os
import sys
from collections.abc import Sequence
from typing import TextIO

from fenceguard.errors import BadInput

BAD_INPUT = 2
INTERRUPTED = 130
CAUTION = """\
fenceguard COMMAND --help tells more, with examples.

fenceguard can stop a mower; it cannot make one safe.
Nothing here is certified. A hard-wired stop stays the first line.
Follow local codes and licensed practice."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status: 0 good, 1 faults found, 2 bad input."""
    _have_streams()
    try:
        return _run(argv)
    except BadInput as error:
        return _complain(str(error))
    except BrokenPipeError:
        # Nobody reads any more, nor shall the interpreter complain of it at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        return _complain(f"{error.filename or 'standard output'}: {error.strerror}")
    except KeyboardInterrupt:
        print("fenceguard: interrupted", file=sys.stderr)
        return INTERRUPTED


def _run(argv: Sequence[str] | None) -> int:
    """Parse and run. The commands take a while to import, so that is done here."""
    import argparse

    from fenceguard import __version__
    from fenceguard.cli import audit, check, drill, replay, run
    from fenceguard.cli.common import HelpFormatter

    parser = argparse.ArgumentParser(
        prog="fenceguard",
        description="Geofence safety supervisor for robot mowers.",
        epilog=CAUTION,
        formatter_class=HelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"fenceguard {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for command in (run, replay, audit, check, drill):
        command.add_parser(commands)
    args = parser.parse_args(argv)
    try:
        status: int = args.run(args)
        sys.stdout.flush()
    except BadInput as error:
        return _complain(str(error), args.command)
    return status


def _complain(text: str, command: str = "") -> int:
    print(f"fenceguard {command}".rstrip() + f": {text}", file=sys.stderr)
    return BAD_INPUT


def _have_streams() -> None:
    """Outputs that were closed lead nowhere; what an output cannot show is replaced by `?`."""
    sys.stdout, sys.stderr = _shown(sys.stdout), _shown(sys.stderr)


def _shown(stream: TextIO | None) -> TextIO:
    if stream is None:
        return open(os.devnull, "w")  # noqa: PTH123
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(errors="replace")
    return stream
