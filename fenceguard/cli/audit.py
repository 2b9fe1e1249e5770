"""`fenceguard audit`: what was taken away, when and why."""

import argparse
import dataclasses
import json
import sys
import textwrap
from pathlib import Path
from typing import Any

from fenceguard.audit.explain import day_and_time, explain
from fenceguard.cli.common import (
    HelpFormatter,
    console,
    count_text,
    intervention_dict,
    print_interventions,
    print_table,
)
from fenceguard.errors import BadInput
from fenceguard.journal.read import each_entry
from fenceguard.journal.records import plain
from fenceguard.journal.story import Intervention, Run, Story, WatchOnly
from fenceguard.journal.verify import verify
from fenceguard.receiver.epoch import utc_text
from fenceguard.text import cause_text, held_text, seconds_text

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
        description="Reads a journal. Lists the interventions, explains one, tells what monitors "
        "set to watch_only would have done, or checks every record.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    questions = parser.add_subparsers(dest="question", required=True, metavar="QUESTION")
    asked = {
        "list": (_list, "every intervention, and the runs that never reached full"),
        "show": (_show, "one intervention in plain words, with its numbers"),
        "watched": (_watched, "what monitors set to watch_only would have done, how often"),
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
        question.add_argument(
            "--journal", type=Path, required=True, metavar="DIR", help="directory of the journal"
        )
        question.add_argument("--json", action="store_true", help="print one JSON object")
        question.set_defaults(run=answer)


def _list(args: argparse.Namespace) -> int:
    story = _story(args.journal)
    never = [run for run in story.runs if run.totals is not None and not run.reached_full]
    if args.json:
        content = {
            "interventions": [intervention_dict(one) for one in story.interventions],
            "never_full": [_run_dict(run) for run in never],
        }
        print(json.dumps(content))
        return 0
    out = console()
    first, last = story.runs[0].first, story.runs[-1].last
    span = f"from {utc_text(first.utc_s)} to {utc_text(last.utc_s)}"
    out.print(f"{count_text(len(story.runs), 'run')}, {span}")
    if story.interventions:
        print_interventions(out, story.interventions)
    else:
        out.print("No interventions.")
    for run in never:
        out.print(
            f"The run of {day_and_time(run.first.utc_s)} UTC never reached full in "
            f"{seconds_text(run.lasted_s)}. It was held by: {held_text(run.held_s)}."
        )
    if story.watch_only:
        only = count_text(len(story.watch_only), "monitor")
        out.print(f"{only} only watched; audit watched tells what they would have done.")
    return 0


def _run_dict(run: Run) -> dict[str, Any]:
    return {
        "begin_utc": utc_text(run.first.utc_s),
        "lasted_s": round(run.lasted_s, 4),
        "held_s": run.held_s,
    }


def _story(journal: Path) -> Story:
    """The story of a journal, after saying what of it could not be read."""
    story, unreadable = Story(), 0
    for entry in each_entry(journal):
        if entry is None:
            unreadable += 1
        else:
            story.add(entry)
    if unreadable:
        print(
            f"fenceguard audit: {count_text(unreadable, 'line')} of {journal} cannot be read "
            "and may be missing here; audit verify tells which",
            file=sys.stderr,
        )
    if not story.runs:
        raise BadInput(f"{journal}: no whole record in it; audit verify tells what is wrong")
    return story


def _show(args: argparse.Namespace) -> int:
    one = _found(_story(args.journal), args.id, args.journal)
    if args.json:
        changes = [
            {"mono_s": entry.mono_s, "utc": utc_text(entry.utc_s), **plain(change)}
            for entry, change in one.changes
        ]
        content = {**intervention_dict(one), "changes": changes, "explanation": explain(one)}
        print(json.dumps(content))
        return 0
    out = console()
    for line in explain(one):
        indent = " " * (len(line) - len(line.lstrip()))
        out.print(textwrap.fill(line, out.width, subsequent_indent=indent))
    return 0


def _watched(args: argparse.Namespace) -> int:
    story = _story(args.journal)
    if args.json:
        print(json.dumps({"watched": [_as_dict(one) for one in story.watch_only]}))
        return 0
    out = console()
    if not story.watch_only:
        out.print("No monitor was set to watch_only.")
        return 0
    acting = [one for one in story.watch_only if one.times]
    if acting:
        headings = ("monitor", "times, in all", "from, to", "worst", "first, last (UTC)")
        print_table(out, "Would have acted", headings, [_watched_row(one) for one in acting])
        out.print("The clear times on the way up are not in it.")
    never = [one.monitor for one in story.watch_only if not one.times]
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
        ", ".join(utc[:19].replace("T", " ") for utc in moments),
    )


def _as_dict(one: WatchOnly) -> dict[str, Any]:
    return {
        "monitor": one.monitor,
        "times": one.times,
        "duration_s": round(one.duration_s, 4),
        "from": dict(one.from_rungs),
        "rung": one.rung,
        "worst": plain(one.worst),
        "first_utc": one.first_utc,
        "last_utc": one.last_utc,
    }


def _found(story: Story, wanted: int, journal: Path) -> Intervention:
    for one in story.interventions:
        if one.id == wanted:
            return one
    known = [one.id for one in story.interventions]
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
