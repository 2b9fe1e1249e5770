"""`fenceguard replay`: what would have been done on a recording."""

import argparse
import dataclasses
import json
import sys
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from fenceguard.cli.common import (
    OUTPUTS_CAUTION,
    SIGNALS,
    HelpFormatter,
    Leaving,
    add_settings,
    console,
    count_text,
    place_text,
    print_interventions,
    print_table,
    use_board_pins,
)
from fenceguard.errors import BadInput
from fenceguard.journal.write import Journal
from fenceguard.outputs.lines import Lines
from fenceguard.replay import Left, Outcome, Replay
from fenceguard.settings import load
from fenceguard.words import cause_text, seconds_text

BAD_INPUT = 2
EXAMPLES = f"""\
examples:
  fenceguard replay mowing.nmea.gz --settings mower.yaml
  fenceguard replay mowing.nmea.gz --settings mower.yaml --json
  fenceguard replay a.log b.log --settings mower.yaml --set tick_s=0.05
  fenceguard replay - --settings mower.yaml < mowing.nmea
  fenceguard replay a.log --settings mower.yaml --speed 4 --drive-outputs

{OUTPUTS_CAUTION}
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "replay",
        help="run the supervisor over recorded receiver output",
        description="Runs the supervisor over recordings of a receiver's output (plain or .gz, - "
        "for standard input) and tells every intervention and its cause.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    parser.add_argument("log", nargs="+", metavar="LOG", help="recording; several are one stream")
    add_settings(parser)
    pace = parser.add_mutually_exclusive_group()
    pace.add_argument("--realtime", action="store_true", help="at the pace of the recording")
    pace.add_argument("--speed", type=_speed, metavar="N", help="at N times that pace")
    parser.add_argument(
        "--drive-outputs",
        action="store_true",
        help="move the real output lines, at the recording's pace unless --speed is given; "
        "blades off first",
    )
    parser.add_argument("--journal", type=Path, metavar="DIR", help="write a journal there")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a number") from None
    if not 0.01 <= speed <= 1000.0:
        raise argparse.ArgumentTypeError(f"{text} is not between 0.01 and 1000")
    return speed


def run(args: argparse.Namespace) -> int:
    """Replay and print."""
    loaded = load(args.settings, args.set)
    if args.drive_outputs and loaded.settings.outputs is None:
        raise BadInput(f"{args.settings}: outputs: none, so --drive-outputs has nothing to drive")
    paced = args.realtime or args.drive_outputs
    speed = args.speed if args.speed is not None else (1.0 if paced else None)
    if args.drive_outputs:
        for log in args.log:
            if not Path(log).is_file():
                raise BadInput(
                    f"{log}: not a file; one that stalls would hold the lines, so "
                    "--drive-outputs takes files alone"
                )
        print(OUTPUTS_CAUTION, file=sys.stderr)
        use_board_pins()
    leaving = Leaving(*(SIGNALS if args.drive_outputs else ()))
    journal = Journal(args.journal) if args.journal else None
    try:
        with Lines.from_settings(loaded.settings.outputs if args.drive_outputs else None) as lines:
            replay = Replay(
                loaded, lines=lines, journal=journal, speed=speed, leaving=leaving.asked
            )
            # A terminal that does not read must not hold up the lines.
            shown = sys.stderr.isatty() and not args.drive_outputs
            outcome = (_with_progress if shown else Replay.run)(replay, args.log)
    except Left:
        return 128 + leaving.number
    finally:
        if journal is not None:
            journal.close()
    if journal is not None and journal.unwritten:
        outcome.faults.append(
            f"{args.journal}: {count_text(journal.unwritten, 'record')} could not be written; "
            "make room on the disk and run it again"
        )
    if args.json:
        print(json.dumps(as_dict(outcome)))
    else:
        _print(outcome)
    for fault in outcome.faults:
        print(f"fenceguard replay: {fault}", file=sys.stderr)
    return BAD_INPUT if outcome.faults else 0


def as_dict(outcome: Outcome) -> dict[str, object]:
    """The outcome as the one JSON object that other tools read."""
    content = dataclasses.asdict(outcome)
    del content["faults"], content["standing"]
    content["duration_s"] = round(outcome.duration_s, 3)
    content["time_in_rung_s"] = {r: round(s, 3) for r, s in outcome.time_in_rung_s.items()}
    return content


def _with_progress(replay: Replay, logs: list[str]) -> Outcome:
    columns = TextColumn("replaying"), BarColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replaying", total=1.0)
        return replay.run(logs, lambda share: progress.update(task, completed=share))


def _print(outcome: Outcome) -> None:
    out = console()
    rejected = ", ".join(f"{count} {why}" for why, count in sorted(outcome.rejected.items()))
    out.print(
        f"{outcome.epochs} epochs in {seconds_text(outcome.duration_s)}, from "
        f"{outcome.sentences} sentences; rejected: {rejected or 'none'}"
    )
    if outcome.interventions:
        rows = [
            (
                one["id"],
                one["begin_utc"],
                one["duration_s"],
                one["rung"],
                cause_text(one["cause"]),
                place_text(one["lat"], one["lon"], one["clearance_m"], one["nearest"]),
            )
            for one in outcome.interventions
        ]
        print_interventions(out, rows)
    else:
        out.print("No interventions.")
    times = []
    for rung, spent_s in outcome.time_in_rung_s.items():
        share = spent_s / outcome.duration_s if outcome.duration_s else 0.0
        times.append((rung, seconds_text(spent_s), f"{share * 100:.1f} %"))
    print_table(out, "Time in each rung", ("rung", "time", "share"), times)
    if not outcome.time_in_rung_s["full"]:
        demands = "; ".join(map(cause_text, outcome.standing)) or "nothing: it was still waiting"
        if outcome.time_in_rung_s["locked"] == outcome.duration_s:
            demands = "nothing: it starts locked, and nobody resets it in a replay"
        out.print(f"It never reached full. Demanded at the end: {demands}.")
