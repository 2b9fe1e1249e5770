"""`fenceguard replay`: what would have been done on a recording."""

import argparse
import json
import sys
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from fenceguard.cli import BAD_INPUT
from fenceguard.cli.common import (
    OUTPUTS_CAUTION,
    SIGNALS,
    HelpFormatter,
    Leaving,
    add_settings,
    console,
    count_text,
    intervention_dict,
    open_journal,
    print_interventions,
    print_table,
    use_board_pins,
)
from fenceguard.errors import BadInput
from fenceguard.journal.records import Tells, plain
from fenceguard.outputs.lines import Lines
from fenceguard.receiver.epoch import utc_text
from fenceguard.recording.names import recording_files
from fenceguard.replay import Left, Outcome, Replay
from fenceguard.same import Kept, Proof
from fenceguard.settings import Loaded, load
from fenceguard.text import held_text, seconds_text, tells_text

NOT_THE_SAME = 1
EXAMPLES = f"""\
examples:
  fenceguard replay mowing.nmea.gz --settings mower.yaml
  fenceguard replay mowing.nmea.gz --settings mower.yaml --json
  fenceguard replay a.log b.log --settings mower.yaml --set tick_s=0.05
  fenceguard replay - --settings mower.yaml < mowing.nmea
  fenceguard replay a.log --settings mower.yaml --speed 4 --drive-outputs
  fenceguard replay recording --same-as journal

exit status: 0 good, 1 a decision is not the journal's (--same-as), 2 bad
input, a recording that breaks off, or a journal that could not be written,
130 interrupted; with --drive-outputs 128 and the signal's number

{OUTPUTS_CAUTION}
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "replay",
        help="run the supervisor over recorded receiver output",
        description="Runs the supervisor over recordings, and tells every intervention and its "
        "cause. A recording is what a receiver sent (plain or .gz, - for standard input), or what "
        "the command run recorded.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    parser.add_argument(
        "log",
        nargs="+",
        metavar="LOG",
        help="recording, or a directory of them; several are one stream",
    )
    add_settings(parser, required=False)
    pace = parser.add_mutually_exclusive_group()
    pace.add_argument("--realtime", action="store_true", help="run at the pace of the recording")
    pace.add_argument("--speed", type=_speed, metavar="N", help="run at N times that pace")
    parser.add_argument(
        "--drive-outputs",
        action="store_true",
        help="move the real output lines, at the recording's pace unless --speed is given; "
        "blades off first",
    )
    parser.add_argument("--journal", type=Path, metavar="DIR", help="write a journal there")
    parser.add_argument(
        "--same-as",
        type=Path,
        metavar="DIR",
        help="run again what the command run recorded, and prove that each decision is the one in "
        "the journal there, or show the first that is not; settings and fence are the journal's "
        "unless --settings is given",
    )
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
    logs = [str(file) for log in args.log for file in _files(log)]
    if args.same_as is not None:
        return _prove(args, logs)
    if args.settings is None:
        raise BadInput("--settings FILE is missing; only --same-as can do without")
    loaded = load(args.settings, args.set)
    if args.drive_outputs and loaded.settings.outputs is None:
        raise BadInput(f"{args.settings}: outputs: none, so --drive-outputs has nothing to drive")
    paced = args.realtime or args.drive_outputs
    speed = args.speed if args.speed is not None else (1.0 if paced else None)
    if args.drive_outputs:
        for log in logs:
            if not Path(log).is_file():
                raise BadInput(
                    f"{log}: not a file; one that stalls would hold the lines, so "
                    "--drive-outputs takes files alone"
                )
        print(OUTPUTS_CAUTION, file=sys.stderr)
        use_board_pins()
    leaving = Leaving(*(SIGNALS if args.drive_outputs else ()))
    journal = open_journal(loaded, args.journal) if args.journal else None
    # A terminal that does not read must not hold up the lines.
    at_once = not (args.json or args.drive_outputs)
    try:
        with Lines.from_settings(loaded.settings.outputs if args.drive_outputs else None) as lines:
            replay = Replay(
                lambda _run: loaded,
                output=lines,
                journal=journal,
                speed=speed,
                leaving=leaving.asked,
                told=_say_what_is_told if at_once else None,
            )
            shown = sys.stderr.isatty() and not args.drive_outputs
            outcome = (_with_progress if shown else Replay.run)(replay, logs)
    except Left:
        return 128 + leaving.number
    finally:
        if journal is not None:
            journal.close()
    if journal is not None and journal.unwritten:
        outcome.faults.append(
            f"{args.journal}: {count_text(journal.unwritten, 'record')} could not be written; "
            "make space on the disk and run it again"
        )
    if args.json:
        print(json.dumps(as_dict(outcome)))
    else:
        _print(outcome, [] if at_once else _tells(outcome))
    _complain(outcome)
    return BAD_INPUT if outcome.faults else 0


def _complain(outcome: Outcome) -> None:
    for said in (*outcome.faults, *outcome.notes):
        print(f"fenceguard replay: {said}", file=sys.stderr)


def _files(log: str) -> list[str | Path]:
    """The recordings that an argument names: itself, or those in a directory, oldest first."""
    if not Path(log).is_dir():
        return [log]
    found = recording_files(Path(log))
    if not found:
        raise BadInput(f"{log}: no recording in it; name a recording, or a directory of them")
    return [*found]


def _prove(args: argparse.Namespace, logs: list[str]) -> int:
    """Whether every run of a recording decides as the journal tells."""
    for option in ("journal", "drive_outputs", "speed", "realtime"):
        if getattr(args, option):
            flag = "--" + option.replace("_", "-")
            raise BadInput(f"--same-as compares, and does nothing else; leave {flag} out")
    if args.set and args.settings is None:
        raise BadInput("--set changes the settings of a file; name that with --settings")
    kept = Kept(args.same_as)
    given = None if args.settings is None else load(args.settings, args.set)

    def loaded_of(run: str | None) -> Loaded:
        if run is None:
            raise BadInput(f"{', '.join(logs)}: not a recording of fenceguard; run writes one")
        return given or kept.loaded(run)

    replay = Replay(loaded_of)
    outcome = _with_progress(replay, logs) if sys.stderr.isatty() else replay.run(logs)
    proofs = [Proof(one, kept.entries(one.run)) for one in outcome.again]
    if all(Path(log).is_dir() for log in args.log):
        outcome.faults += [
            f"run {run}: is in the journal, and was recorded, but is not in the recording; it "
            "cannot be proved"
            for run in kept.missing([run.start.run for run in outcome.story.runs if run.start])
        ]
    if args.json:
        print(json.dumps({"runs": [_proof_dict(one) for one in proofs], "faults": outcome.faults}))
    else:
        out = console()
        for one in proofs:
            difference = one.difference()
            said = f"NOT THE SAME {difference}" if difference else "the same"
            proved = f"{one.decisions} decisions, {count_text(one.records, 'record')}"
            if not one.decisions:
                proved = f"{count_text(one.records, 'record')}, ended before its first summary"
            out.print(f"run {one.run}: {proved}: {said}")
            if one.later:
                out.print(
                    f"  {count_text(one.later, 'record')} came after the recording had ended, and "
                    "could not be compared"
                )
    _complain(outcome)
    return NOT_THE_SAME if outcome.faults or any(one.difference() for one in proofs) else 0


def _proof_dict(proof: Proof) -> dict[str, object]:
    return {
        "run": proof.run,
        "decisions": proof.decisions,
        "records": proof.records,
        "later": proof.later,
        "difference": proof.difference(),
    }


def as_dict(outcome: Outcome) -> dict[str, object]:
    """The outcome as the one JSON object that other tools read."""
    return {
        "epochs": outcome.epochs,
        "sentences": outcome.sentences,
        "rejected": dict(outcome.rejected),
        "duration_s": round(outcome.duration_s, 3),
        "time_in_rung_s": {rung: round(s, 3) for rung, s in outcome.time_in_rung_s.items()},
        "held_s": {name: round(held_s, 3) for name, held_s in outcome.held_s.items()},
        "receiver": _tells(outcome),
        "rung_changes": [
            {
                "utc": utc_text(entry.utc_s),
                "rung": change.rung,
                "findings": plain(change.findings),
            }
            for entry, change in outcome.changes
        ],
        "interventions": [intervention_dict(one) for one in outcome.story.interventions],
    }


def _say_what_is_told(tells: Tells) -> None:
    """What the receiver tells, and what it costs that the rest is missing."""
    out = console()
    for line in tells_text(tells):
        out.print(line)


def _tells(outcome: Outcome) -> list[str]:
    """What the receiver of the last run told."""
    tells = outcome.story.runs[-1].tells if outcome.story.runs else None
    return [] if tells is None else tells_text(tells)


def _with_progress(replay: Replay, logs: list[str]) -> Outcome:
    columns = TextColumn("replaying"), BarColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replaying", total=1.0)
        return replay.run(logs, lambda share: progress.update(task, completed=share))


def _print(outcome: Outcome, told: list[str]) -> None:
    """The outcome for people; `told` is what the receiver tells, where that was not said yet."""
    out = console()
    for line in told:
        out.print(line)
    rejected = ", ".join(f"{count} {why}" for why, count in sorted(outcome.rejected.items()))
    out.print(
        f"{outcome.epochs} epochs in {seconds_text(outcome.duration_s)}, from "
        f"{outcome.sentences} sentences; rejected: {rejected or 'none'}"
    )
    if outcome.story.interventions:
        print_interventions(out, outcome.story.interventions)
    else:
        out.print("No interventions.")
    times = []
    for rung, spent_s in outcome.time_in_rung_s.items():
        share = spent_s / outcome.duration_s if outcome.duration_s else 0.0
        times.append((rung, seconds_text(spent_s), f"{share * 100:.1f} %"))
    print_table(out, "Time in each rung", ("rung", "time", "share"), times)
    if not outcome.time_in_rung_s["full"]:
        out.print(f"It never reached full. It was held by: {held_text(outcome.held_s)}.")
