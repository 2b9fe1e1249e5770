"""Many drills: reproducible from seed and number, resumable, on any executor."""

import itertools
import json
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from functools import lru_cache
from pathlib import Path
from random import Random
from threading import Lock
from typing import IO, Any, NamedTuple

from fenceguard.drill.drill import Ground, run
from fenceguard.drill.lawns import NAMES
from fenceguard.drill.result import Result, Setup
from fenceguard.errors import BadInput
from fenceguard.settings import Loaded, load
from fenceguard.simulator.faults import FAULTS

BATCH = 4
"""Drills in one task: enough that handing it over costs little."""
WAITING = 64
"""Tasks handed over at a time, so that memory stays flat."""
KINDS = ("none", "single", "pairs")
TUPLES = ("faults", "regions", "fixes")
"""What of a result a file holds as lists."""
ONE_AT_A_TIME = Lock()
"""The fence's prepared shapes are shared within a process, and not safe to use from two threads."""


class Lost(Exception):
    """What ran the drills went away before all were done."""


class Plan(NamedTuple):
    """What is to be run. The faults of a drill follow from its number alone, who mows where from
    seed and number.
    """

    settings_file: str
    overrides: tuple[str, ...]
    settings_hash: str
    fence_hash: str
    seed: int
    kind: str
    """`none`, `single` faults, or `pairs` of them."""
    only: tuple[str, ...]
    """Single faults to choose from; empty for all."""
    policies: tuple[str, ...]
    controllers: tuple[str, ...]
    lawns: tuple[str, ...]
    receivers: tuple[str, ...]
    motions: tuple[str, ...]
    lasts_s: float

    def setup_of(self, number: int) -> Setup:
        """Who mows where in a drill."""
        random = Random(f"{self.seed}/{number}/setup")
        drawn_from = self.controllers, self.lawns, self.receivers, self.motions
        return Setup(*map(random.choice, drawn_from))

    def faults_of(self, number: int) -> tuple[str, ...]:
        """The faults of a drill."""
        names = self.only or tuple(FAULTS)
        if self.kind == "none":
            return ()
        if self.kind == "single":
            return (names[number % len(names)],)
        pairs = list(itertools.permutations(names, 2))
        return pairs[number % len(pairs)]


def plan_of(
    loaded: Loaded,
    overrides: tuple[str, ...],
    seed: int,
    kind: str,
    only: tuple[str, ...],
    policies: tuple[str, ...],
    lasts_s: float,
    controllers: tuple[str, ...] = (Setup().controller,),
    lawns: tuple[str, ...] = (Setup().lawn,),
    receivers: tuple[str, ...] = (Setup().receiver,),
    motions: tuple[str, ...] = (Setup().motion,),
) -> Plan:
    """A plan for settings and fence. Raises BadInput if the faults do not suit the kind."""
    if kind == "none" and only:
        raise BadInput(f"drills without faults cannot have {only[0]}; leave one of the two away")
    if kind == "pairs" and len(set(only)) == 1:
        raise BadInput(
            f"pairs of faults need two of them, and there is only {only[0]}; add another"
        )
    return Plan(
        str(loaded.settings_file),
        overrides,
        loaded.settings_hash,
        loaded.fence_hash,
        seed,
        kind,
        only,
        policies,
        controllers,
        lawns,
        receivers,
        motions,
        lasts_s,
    )


@lru_cache(maxsize=len(NAMES))
def _ground(
    settings_file: str, overrides: tuple[str, ...], settings_hash: str, fence_hash: str, lawn: str
) -> Ground:
    """Settings and fence: read once in each process. Raises BadInput if they are not the plan's."""
    loaded = load(Path(settings_file), overrides)
    if (loaded.settings_hash, loaded.fence_hash) != (settings_hash, fence_hash):
        raise BadInput(
            f"{settings_file}: where a drill was run, settings or fence are others than here; "
            "have the same files on all machines"
        )
    return Ground(loaded, lawn)


def _ground_of(plan: Plan, lawn: str) -> Ground:
    return _ground(plan.settings_file, plan.overrides, plan.settings_hash, plan.fence_hash, lawn)


def batch(plan: Plan, numbers: tuple[int, ...]) -> list[dict[str, Any]]:
    """Run some drills; what an executor is given to do."""
    rows = []
    with ONE_AT_A_TIME:
        for number in numbers:
            setup, faults = plan.setup_of(number), plan.faults_of(number)
            ground = _ground_of(plan, setup.lawn)
            for policy in plan.policies:
                result = run(ground, policy, faults, plan.seed, number, plan.lasts_s, setup)
                rows.append(result._asdict())
    return rows


def run_all(
    plan: Plan,
    runs: int,
    executor: Executor,
    results: Path,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Run drills 0 to `runs` - 1 and append what came of each to a file, one JSON line each.

    What stands in the file already is not run again. Raises BadInput if the file is not of this
    plan, or cannot be written, and Lost if the executor breaks: what was done by then is in it.
    """
    done = _done(plan, results)
    missing = [number for number in range(runs) if number not in done]
    batches = (tuple(missing[k : k + BATCH]) for k in range(0, len(missing), BATCH))
    try:
        with results.open("a+", encoding="utf-8") as file:
            _drop_torn_line(file)
            if not results.stat().st_size:
                _write(file, {"plan": plan._asdict()})
            if not missing:
                return
            for finished, rows in _in_turn(plan, executor, batches):
                for row in rows:
                    _write(file, row)
                if progress is not None:
                    progress((runs - len(missing) + finished) / runs)
    except OSError as error:
        raise BadInput(f"{results}: cannot be written: {error.strerror}") from error


def _in_turn(
    plan: Plan, executor: Executor, batches: Iterator[tuple[int, ...]]
) -> Iterator[tuple[int, list[dict[str, Any]]]]:
    """Results as they come, and how many drills are finished."""
    waiting: dict[Future[list[dict[str, Any]]], int] = {}
    finished = 0
    # Whoever runs a drill may do so in another directory.
    plan = plan._replace(settings_file=str(Path(plan.settings_file).absolute()))
    # Processes that are forked from this one find the ground made; others make it themselves.
    with ONE_AT_A_TIME:
        for lawn in plan.lawns:
            _ground_of(plan, lawn)
    lost: BaseException | None = None
    while lost is None:
        for numbers in itertools.islice(batches, WAITING - len(waiting)):
            waiting[executor.submit(batch, plan, numbers)] = len(numbers)
        if not waiting:
            return
        for future in wait(waiting, return_when=FIRST_COMPLETED).done:
            count = waiting.pop(future)
            try:
                rows = future.result()
            except (CancelledError, BrokenExecutor, OSError) as error:
                lost = error
                continue
            finished += count
            yield finished, rows
    raise Lost from lost


def _write(file: IO[str], content: dict[str, Any]) -> None:
    file.write(json.dumps(content) + "\n")
    file.flush()


def _drop_torn_line(file: IO[str]) -> None:
    """Shorten a file to its whole lines: what is added must not run into half a line."""
    file.seek(0)
    whole = sum(len(line) for line in file if line.endswith("\n"))
    file.truncate(whole)


def _done(plan: Plan, results: Path) -> set[int]:
    """Numbers that all policies have run already."""
    if not results.exists() or not results.stat().st_size:
        return set()
    seen: dict[int, int] = {}
    for result in read(results, plan):
        seen[result.number] = seen.get(result.number, 0) + 1
    return {number for number, times in seen.items() if times >= len(plan.policies)}


def read(results: Path, plan: Plan | None = None) -> Iterator[Result]:
    """What stands in a file of results, each drill and policy once.

    A torn last line is passed over. Raises BadInput if the file cannot be read or is not of the
    plan.
    """
    try:
        with results.open(encoding="utf-8") as file:
            first = file.readline()
            if plan is not None and json.loads(first or "{}") != json.loads(
                json.dumps({"plan": plan._asdict()})
            ):
                raise BadInput(
                    f"{results}: holds results of another plan; name another file for this one"
                )
            seen: set[tuple[int, str]] = set()
            for line in file:
                if not line.endswith("\n"):
                    return
                row = json.loads(line)
                if (row["number"], row["policy"]) in seen:
                    continue
                seen.add((row["number"], row["policy"]))
                yield Result(**{**row, **{name: tuple(row[name]) for name in TUPLES}})
    except OSError as error:
        raise BadInput(f"{results}: cannot be read: {error.strerror}") from error
    except (ValueError, TypeError, KeyError) as error:
        raise BadInput(f"{results}: not a file of results; name another one") from error
