"""`fenceguard drill`: simulated mowing with faults."""

import argparse
import json
import logging
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import active_children
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from fenceguard.cli.common import NARROW_COLUMNS, HelpFormatter, add_settings, console, print_table
from fenceguard.drill.campaign import KINDS, Lost, Plan, plan_of, read, run_all
from fenceguard.drill.drill import LASTS_S, Grounds
from fenceguard.drill.lawns import NAMES, OWN
from fenceguard.drill.policies import POLICIES, available
from fenceguard.drill.report import HEADINGS, WORK_HEADINGS, Report, check_picture, picture
from fenceguard.drill.result import FULL_BEFORE_S, FULL_WITHIN_S, Setup
from fenceguard.drill.scenario import check
from fenceguard.drill.scenario import read as read_scenario
from fenceguard.errors import BadInput
from fenceguard.settings import load
from fenceguard.simulator.controllers import CONTROLLERS
from fenceguard.simulator.faults import FAULTS
from fenceguard.simulator.makes import MAKES
from fenceguard.simulator.motion import MOTIONS

NOT_AS_IT_MUST = 1
EVERY = "all"
REACH_S = 10.0
"""How long to wait for a cluster's scheduler."""
WORKER_S = 30.0
"""How long to wait for its first worker."""
EXAMPLES = """\
examples:
  fenceguard drill config/drills/*.yaml --settings mower.yaml
  fenceguard drill --settings mower.yaml --runs 1000 --seed 1 --jobs 2
  fenceguard drill --settings mower.yaml --runs 500 --faults pairs
  fenceguard drill --settings mower.yaml --runs 500 --fault silence --json
  fenceguard drill --settings mower.yaml --runs 60 --faults none --lawn all
  fenceguard drill --settings mower.yaml --runs 20000 --results runs.jsonl
  fenceguard drill --settings mower.yaml --runs 900 --plot integrity.png

Everything is simulated: no line is moved. What a simulation shows holds for
the simulation. It does not replace a test on the lawn, blades off.

A drill whose mower was hardly at full before the fault proves nothing. It is
counted apart.

exit status: 0 good, 1 something that must follow did not, or a drill proves
nothing, 2 bad input, or what ran the drills was killed, 130 interrupted
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "drill",
        help="simulate mowing with faults, and count what follows",
        description="Simulates a mower and its receiver on the lawn of the settings. With "
        "scenarios, checks that what must follow does; without, runs many drills with faults at "
        "random times, and reports how often blade or mower came past the fence, beside a rule as "
        "one would write it by hand, and a Kalman filter.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    parser.add_argument(
        "scenario",
        nargs="*",
        type=Path,
        metavar="SCENARIO",
        help="what happens when, and what must follow (YAML)",
    )
    add_settings(parser)
    parser.add_argument(
        "--runs", type=_count, default=100, metavar="N", help="how many drills (%(default)s)"
    )
    parser.add_argument(
        "--seed",
        type=int,
        default=1,
        metavar="S",
        help="another one draws other drills (%(default)s)",
    )
    parser.add_argument(
        "--jobs", type=_count, default=1, metavar="J", help="processes at a time (%(default)s)"
    )
    parser.add_argument(
        "--faults",
        choices=KINDS,
        default="single",
        help="how many faults in each drill (%(default)s)",
    )
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        choices=sorted(FAULTS),
        metavar="NAME",
        help=f"only this fault; repeatable: {', '.join(sorted(FAULTS))}",
    )
    parser.add_argument(
        "--policy",
        choices=[*POLICIES, EVERY],
        default=EVERY,
        help="who decides (%(default)s that there are)",
    )
    for option, choices, default, what in (
        ("--controller", tuple(CONTROLLERS), EVERY, "who drives"),
        ("--lawn", NAMES, OWN, "where: your own, or one that is made up"),
        ("--receiver", tuple(MAKES), Setup().receiver, "what the receiver tells, and how often"),
        ("--motion", MOTIONS, Setup().motion, "whether wheel speed and yaw rate are told"),
    ):
        parser.add_argument(
            option,
            action="append",
            choices=[*choices, EVERY],
            metavar="NAME",
            help=f"{what}; repeatable, each drill draws one: {', '.join(choices)} or {EVERY} "
            f"({default})",
        )
    parser.add_argument(
        "--results",
        type=Path,
        metavar="FILE",
        help="keep what comes of each drill there; what it holds already is not run again",
    )
    parser.add_argument("--plot", type=Path, metavar="PNG", help="draw the integrity picture")
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help='run on a cluster of machines ("fenceguard[cluster]") whose scheduler is there',
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def _count(text: str) -> int:
    number = int(text) if text.isdecimal() else 0
    if not 1 <= number <= 10_000_000:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number from 1 to 10000000")
    return number


def run(args: argparse.Namespace) -> int:
    """Run scenarios or a campaign."""
    if args.scenario:
        return _scenarios(args)
    loaded = load(args.settings, args.set)
    if args.plot:
        check_picture(args.plot)
    plan = plan_of(
        loaded,
        tuple(args.set),
        args.seed,
        args.faults,
        tuple(args.fault),
        available() if args.policy == EVERY else (args.policy,),
        LASTS_S,
        _chosen(args.controller, tuple(CONTROLLERS), EVERY),
        _chosen(args.lawn, NAMES, OWN),
        _chosen(args.receiver, tuple(MAKES), Setup().receiver),
        _chosen(args.motion, MOTIONS, Setup().motion),
    )
    with TemporaryDirectory() as directory:
        results = args.results or Path(directory) / "results.jsonl"
        try:
            with _executor(args) as executor:
                _with_progress(plan, args.runs, executor, results)
        except Lost as lost:
            raise BadInput(_what_is_left(args)) from lost
        report = Report(one for one in read(results, plan) if one.number < args.runs)
    if args.json:
        print(json.dumps(report.as_dict()))
    else:
        _print(report)
    if args.plot:
        picture(report, args.plot)
    return NOT_AS_IT_MUST if report.proves_nothing else 0


def _chosen(given: list[str] | None, choices: tuple[str, ...], default: str) -> tuple[str, ...]:
    """What an option that may be given several times asks for."""
    wanted = given or [default]
    return choices if EVERY in wanted else tuple(dict.fromkeys(wanted))


@contextmanager
def _executor(args: argparse.Namespace) -> Iterator[Executor]:
    """Processes of this machine, or a cluster's executor: both are `concurrent.futures`."""
    if args.scheduler is None:
        with ProcessPoolExecutor(args.jobs) as executor:
            try:
                yield executor
            except BaseException:
                # Nobody waits for what they are at any more.
                for process in active_children():
                    process.terminate()
                raise
        return
    try:
        from distributed import Client, KilledWorker
    except ImportError as error:
        raise BadInput(
            '--scheduler needs the extra "cluster": pip install "fenceguard[cluster]"'
        ) from error
    # Its own words come in many lines, whatever becomes of it; ours say the same in one.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
    try:
        client = Client(args.scheduler, timeout=REACH_S)
    except (OSError, ValueError) as error:
        raise BadInput(f"--scheduler {args.scheduler}: cannot be reached: {error}") from error
    try:
        try:
            client.wait_for_workers(1, timeout=WORKER_S)
        except TimeoutError as error:
            raise BadInput(
                f"--scheduler {args.scheduler}: has no worker; start some, each by "
                f"dask worker {args.scheduler}"
            ) from error
        yield client.get_executor()
    except KilledWorker as error:
        raise Lost from error
    finally:
        client.close()


def _what_is_left(args: argparse.Namespace) -> str:
    """What is said when whatever ran the drills went away."""
    gone = "a process that ran drills was killed; is there too little memory?"
    if args.scheduler is not None:
        gone = f"--scheduler {args.scheduler}: it, or one worker after the other, went away."
    if args.results is None:
        return f"{gone} Nothing was kept; --results FILE keeps what comes of each drill"
    return f"{gone} What was done is in {args.results}; the same command goes on from there"


def _with_progress(plan: Plan, runs: int, executor: Executor, results: Path) -> None:
    if not sys.stderr.isatty():
        run_all(plan, runs, executor, results)
        return
    columns = TextColumn("drills"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("drills", total=runs)
        run_all(
            plan,
            runs,
            executor,
            results,
            lambda share: progress.update(task, completed=round(share * runs)),
        )


def _print(report: Report) -> None:
    out = console()
    for controller in report.controllers:
        print_table(
            out, f"Drills, controller {controller}", _for(out, HEADINGS), report.rows(controller)
        )
    print_table(out, "Work, before anything fails", _for(out, WORK_HEADINGS), report.work())
    told = report.as_dict()
    everything = told["faults"]["all"].get("supervised")
    if everything is not None and everything["runs"]:
        regions = everything["regions"]
        counts = ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in regions.items())
        out.print(f"Epochs: {counts}.")
        out.print(
            f"{everything['interventions_per_hour']:.1f} interventions and "
            f"{everything['halts_per_hour']:.2f} halts an hour."
        )
    if report.proves_nothing:
        out.print(
            f"{report.proves_nothing} drills prove nothing: before the fault the mower was at full "
            f"for less than {FULL_BEFORE_S:g} of {FULL_WITHIN_S:g} s."
        )
    for name, why in told["undetectable"].items():
        out.print(f"{name}: {why}.")


def _for(out: Console, headings: tuple[str, ...]) -> tuple[str, ...]:
    """Headings in lines for a table; where that becomes paragraphs, in one."""
    if out.width >= NARROW_COLUMNS:
        return headings
    return tuple(heading.replace("\n", " ") for heading in headings)


def _scenarios(args: argparse.Namespace) -> int:
    scenarios = [read_scenario(file) for file in args.scenario]
    grounds = Grounds(args.settings, args.set)
    verdicts = [check(scenario, grounds, args.seed) for scenario in scenarios]
    if args.json:
        content = [
            {
                "name": one.name,
                "runs": one.runs,
                "holds": one.holds,
                "broken": one.broken,
                "proves_nothing": one.proves_nothing,
            }
            for one in verdicts
        ]
        print(json.dumps({"scenarios": content}))
    else:
        out = console()
        for one in verdicts:
            out.print(f"{'holds ' if one.holds else 'BROKEN'}  {one.name}: {one.about}")
            for text, numbers in one.broken.items():
                if numbers:
                    out.print(f"        {text}: not in {len(numbers)} of {one.runs} drills")
            if one.proves_nothing:
                out.print(
                    f"        {len(one.proves_nothing)} of {one.runs} drills prove nothing: the "
                    "mower was hardly at full before"
                )
    return 0 if all(one.holds for one in verdicts) else NOT_AS_IT_MUST
