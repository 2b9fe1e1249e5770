"""`fenceguard audit`: what was taken away, when and why."""

import argparse
import dataclasses
import json
import sys
import textwrap
from pathlib import Path
from typing import Any

from fenceguard.audit.explain import explain
from fenceguard.audit.interventions import History, Intervention, day_and_time, history
from fenceguard.audit.watched import WatchOnly
from fenceguard.cli.common import (
    HelpFormatter,
    console,
    count_text,
    place_text,
    print_interventions,
    print_table,
)
from fenceguard.errors import BadInput
from fenceguard.journal.read import each_line
from fenceguard.journal.verify import verify
from fenceguard.words import cause_text, seconds_text

FAULTS_FOUND = 1
EXAMPLES = """\
examples:
  fenceguard audit list --journal journal
  fenceguard audit show 3 --journal journal
  fenceguard audit watched --journal journal
  fenceguard audit verify --journal journal --json

exit status: 0 good, 1 verify found faults, 2 no such journal or intervention
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "audit",
        help="tell why the mower stopped",
        description="Reads a journal: lists the interventions, explains one, tells what monitors "
        "set to watch_only would have done, or checks every record.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    questions = parser.add_subparsers(dest="question", required=True, metavar="QUESTION")
    asked = {
        "list": (_list, "every intervention: when, how long, how far, why, where"),
        "show": (_show, "one intervention in plain words, with its numbers"),
        "watched": (_watched, "what monitors set to watch_only would have done, and how often"),
        "verify": (_verify, "whether each record follows the one before, as it was written"),
    }
    for name, (answer, text) in asked.items():
        question = questions.add_parser(
            name,
            help=text,
            description=text[0].upper() + text[1:] + ".",
            epilog=EXAMPLES,
            formatter_class=HelpFormatter,
        )
        if name == "show":
            question.add_argument("id", type=int, metavar="ID", help="number of the intervention")
        question.add_argument("--journal", type=Path, required=True, metavar="DIR")
        question.add_argument("--json", action="store_true", help="print one JSON object")
        question.set_defaults(run=answer)


def _list(args: argparse.Namespace) -> int:
    told = _told(args.journal)
    if args.json:
        print(json.dumps({"interventions": [_summary(one) for one in told.interventions]}))
        return 0
    out = console()
    out.print(f"{count_text(told.runs, 'run')}, from {told.first_utc} to {told.last_utc}")
    if told.interventions:
        print_interventions(out, [_row(one) for one in told.interventions])
    else:
        out.print("No interventions.")
    if told.watch_only:
        only = count_text(len(told.watch_only), "monitor")
        out.print(f"{only} only watched; audit watched tells what they would have done.")
    return 0


def _told(journal: Path) -> History:
    """The history, after saying what of it could not be read."""
    told = history(each_line(journal))
    if told.unreadable:
        print(
            f"fenceguard audit: {count_text(told.unreadable, 'line')} of {journal} cannot be read "
            "and may be missing here; audit verify tells which",
            file=sys.stderr,
        )
    return told


def _row(one: Intervention) -> tuple[int, str, float | None, str, str, str]:
    begun = one.begun
    epoch = begun["epoch"] or {}
    place = place_text(epoch.get("lat"), epoch.get("lon"), begun["clearance_m"], begun["nearest"])
    return one.id, begun["utc"], one.duration_s, one.rung, cause_text(begun["cause"]), place


def _summary(one: Intervention) -> dict[str, Any]:
    begun = one.begun
    epoch = begun["epoch"] or {}
    return {
        "id": one.id,
        "begin_utc": begun["utc"],
        "end_utc": one.ended["utc"] if one.ended else None,
        "duration_s": one.duration_s,
        "rung": one.rung,
        "cause": begun["cause"],
        "lat": epoch.get("lat"),
        "lon": epoch.get("lon"),
        "clearance_m": begun["clearance_m"],
        "nearest": begun["nearest"],
    }


def _show(args: argparse.Namespace) -> int:
    one = _found(_told(args.journal), args.id, args.journal)
    if args.json:
        content = {**_summary(one), "changes": one.changes, "explanation": explain(one)}
        print(json.dumps(content))
        return 0
    out = console()
    for line in explain(one):
        indent = " " * (len(line) - len(line.lstrip()))
        out.print(textwrap.fill(line, out.width, subsequent_indent=indent))
    return 0


def _watched(args: argparse.Namespace) -> int:
    told = _told(args.journal)
    if args.json:
        print(json.dumps({"watched": [_as_dict(one) for one in told.watch_only]}))
        return 0
    out = console()
    if not told.watch_only:
        out.print("No monitor was set to watch_only.")
        return 0
    acting = [one for one in told.watch_only if one.times]
    if acting:
        headings = ("monitor", "times, in all", "from, to", "worst", "first, last (UTC)")
        print_table(out, "Would have acted", headings, [_watched_row(one) for one in acting])
        out.print("The clear times on the way up are not in it.")
    never = [one.monitor for one in told.watch_only if not one.times]
    if never:
        out.print(f"Would never have acted: {', '.join(never)}.")
    return 0


def _watched_row(one: WatchOnly) -> tuple[str, ...]:
    """What a monitor would have done that would have acted."""
    worst = "" if one.worst is None else cause_text(one.worst)
    moments = dict.fromkeys(utc for utc in (one.first_utc, one.last_utc) if utc)
    return (
        one.monitor,
        f"{one.times}, {seconds_text(one.duration_s)}",
        f"{', '.join(one.from_rungs)} to {one.rung}",
        worst.removeprefix(f"{one.monitor} "),
        ", ".join(day_and_time(utc)[:-4] for utc in moments),
    )


def _as_dict(one: WatchOnly) -> dict[str, Any]:
    return {
        "monitor": one.monitor,
        "times": one.times,
        "duration_s": round(one.duration_s, 4),
        "from": dict(one.from_rungs),
        "rung": one.rung,
        "worst": one.worst,
        "first_utc": one.first_utc,
        "last_utc": one.last_utc,
    }


def _found(told: History, wanted: int, journal: Path) -> Intervention:
    for one in told.interventions:
        if one.id == wanted:
            return one
    known = [one.id for one in told.interventions]
    there = f"there are {known[0]} to {known[-1]}" if known else "there are none"
    raise BadInput(f"{journal}: no intervention {wanted}; {there}")


def _verify(args: argparse.Namespace) -> int:
    verdict = verify(args.journal)
    if args.json:
        print(json.dumps(dataclasses.asdict(verdict)))
    else:
        out = console()
        for fault in verdict.faults:
            out.print(fault)
        if verdict.earlier:
            out.print(verdict.earlier)
        if verdict.torn:
            whole = "" if verdict.faults else "; every record before it is whole"
            out.print(f"{verdict.torn}{whole}")
        found = count_text(len(verdict.faults), "fault") if verdict.faults else "no fault"
        read = (count_text(verdict.records, "record"), count_text(verdict.files, "file"))
        out.print(f"{' in '.join(read)}: {found}")
    return FAULTS_FOUND if verdict.faults else 0
