"""Scenarios: short YAML files with what happens when, and what must follow."""

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import yaml

from fenceguard.drill.drill import Course, Grounds, play
from fenceguard.drill.lawns import NAMES, OWN
from fenceguard.drill.result import SETTLED_S, Result, Setup
from fenceguard.errors import BadInput
from fenceguard.simulator.controllers import CONTROLLERS
from fenceguard.simulator.fault import Change, World
from fenceguard.simulator.makes import MAKES
from fenceguard.simulator.motion import MOTIONS
from fenceguard.simulator.routes import WAYS, Point
from fenceguard.simulator.state import FIXED, FLOAT, SINGLE, Kind, State

CHOICES = {
    "controller": tuple(CONTROLLERS),
    "lawn": NAMES,
    "receiver": tuple(MAKES),
    "motion": MOTIONS,
    "way": WAYS,
}
NOSE = "nose_m"
KEYS = {"about", "runs", "lasts_s", "timeline", "must", "set", NOSE, *CHOICES}
KINDS = {"fixed": FIXED, "float": FLOAT, "single": SINGLE}
IGNORES = ("slow", "halt")
WORLD_KEYS = set(vars(World(State()))) - {"state"}
DEFAULTS = {
    key: value
    for part in (World(State()), State())
    for key, value in vars(part).items()
    if key != "state"
}
"""What a timeline may change, with the values that nothing has changed."""
RUNGS = "slowed|blade_off|halted|locked"
NUMBER = r"(\d+(?:\.\d+)?)"

Test = Callable[[Result], bool]
FORMS: list[tuple[str, Callable[[re.Match[str]], Test]]] = [
    (
        rf"({RUNGS}) within {NUMBER} s",
        lambda m: lambda result: result.reached_s.get(m[1], math.inf) <= float(m[2]),
    ),
    (rf"never ({RUNGS})", lambda m: lambda result: m[1] not in result.reached_s),
    (
        rf"full again within {NUMBER} s",
        lambda m: (
            lambda result: result.full_again_s is not None and result.full_again_s <= float(m[1])
        ),
    ),
    (
        rf"full within {NUMBER} s",
        lambda m: (
            lambda result: result.first_full_s is not None and result.first_full_s <= float(m[1])
        ),
    ),
    (
        rf"full {NUMBER} %",
        lambda m: lambda result: 100.0 * result.full_s >= float(m[1]) * result.lasted_s,
    ),
    (
        r"blade stops at most (\d+)",
        lambda m: lambda result: result.blade_stops <= int(m[1]),
    ),
    ("never full again", lambda _m: lambda result: result.full_again_s is None),
    ("blade never past the fence", lambda _m: lambda result: result.blade_out_m == 0.0),
    ("mower never past the fence", lambda _m: lambda result: result.drive_out_m == 0.0),
]
"""What may stand under `must`. Times count from the first entry of the timeline, but `full within`
from the start.
"""
EXAMPLES = (
    "halted within 1.6 s",
    "never halted",
    "full again within 60 s",
    "never full again",
    "full within 30 s",
    "full 85 %",
    "blade stops at most 2",
    "blade never past the fence",
    "mower never past the fence",
)


class Scenario(NamedTuple):
    """A scenario that has been read."""

    name: str
    about: str
    runs: int
    course: Course
    setup: Setup
    overrides: tuple[str, ...]
    must: list[tuple[str, Test]]


class Verdict(NamedTuple):
    """What came of a scenario: for each demand, the numbers of the drills that broke it."""

    name: str
    about: str
    runs: int
    broken: dict[str, list[int]]
    proves_nothing: list[int]
    """Numbers of the drills whose mower was hardly at full before."""

    @property
    def holds(self) -> bool:
        """Whether everything followed that must, and there was something to be taken away."""
        return not any(self.broken.values()) and not self.proves_nothing


def read(file: Path) -> Scenario:
    """The scenario in a file. Raises BadInput with one line for each fault."""
    try:
        content = yaml.safe_load(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(f"{file}: the scenario cannot be read: {error.strerror}") from error
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise BadInput(f"{file}: not YAML: {str(error).splitlines()[0]}") from error
    if not isinstance(content, dict):
        raise BadInput(f"{file}: not a mapping with the keys {', '.join(sorted(KEYS))}")
    faults = [
        f"{key}: unknown key; known are {', '.join(sorted(KEYS))}"
        for key in content
        if key not in KEYS
    ]
    content.setdefault("timeline", [])
    for key, example in (("timeline", "- {at_s: 30, silent: true}"), ("must", f"- {EXAMPLES[0]}")):
        given = content.get(key)
        if not isinstance(given, list) or (key == "must" and not given):
            faults.append(f"{key}: missing or not a list; write such as {example}")
            content[key] = []
    runs, lasts_s = content.get("runs", 5), content.get("lasts_s", 100.0)
    if not isinstance(runs, int) or not 1 <= runs <= 10_000:
        faults.append(f"runs: is {runs!r}; it must be a whole number from 1 to 10000")
    if not isinstance(lasts_s, int | float) or not SETTLED_S < lasts_s <= 86400.0:
        faults.append(f"lasts_s: is {lasts_s!r}; it must be above {SETTLED_S:g}, up to 86400")
        lasts_s = math.inf
    chosen = {key: _choice(content, key, faults) for key in CHOICES}
    nose_m = _nose_m(content.get(NOSE), faults)
    overrides = _overrides(content.get("set", {}), faults)
    changes = _changes(content["timeline"], lasts_s, faults)
    must = _must(content["must"], faults)
    if faults:
        raise BadInput("\n".join(f"{file}: {fault}" for fault in faults))
    usual = Setup()
    return Scenario(
        file.stem,
        str(content.get("about", "")),
        runs,
        Course((file.stem,), changes, float(lasts_s), kind=chosen["way"], nose_m=nose_m),
        Setup(
            chosen["controller"] or usual.controller,
            chosen["lawn"] or OWN,
            chosen["receiver"] or usual.receiver,
            chosen["motion"] or usual.motion,
        ),
        overrides,
        must,
    )


def _choice(content: dict[str, Any], key: str, faults: list[str]) -> str | None:
    value = content.get(key)
    if value is not None and value not in CHOICES[key]:
        faults.append(f"{key}: is {value!r}; it must be one of {', '.join(CHOICES[key])}")
        return None
    return None if value is None else str(value)


def _nose_m(value: Any, faults: list[str]) -> Point | None:
    if value is None:
        return None
    if not _is_pair(value):
        faults.append(f"{NOSE}: is {value!r}; it must be a pair of numbers in m: from and to")
        return None
    return float(value[0]), float(value[1])


def _overrides(given: Any, faults: list[str]) -> tuple[str, ...]:
    if not isinstance(given, dict):
        faults.append(f"set: is {given!r}; write such as {{mower.full_mps: 0.4}}")
        return ()
    return tuple(f"{key}={json.dumps(value)}" for key, value in given.items())


def _changes(timeline: list[Any], lasts_s: float, faults: list[str]) -> list[tuple[float, Change]]:
    changes = []
    for number, entry in enumerate(timeline):
        at_s = entry.get("at_s") if isinstance(entry, dict) else None
        if not isinstance(at_s, int | float) or not SETTLED_S <= at_s < lasts_s:
            faults.append(
                f"timeline.{number}: at_s is {at_s!r}; it must be from {SETTLED_S:g}, when the "
                "mower is at full, to the end of the drill"
            )
            continue
        for key, value in entry.items():
            if key != "at_s":
                change = _change(f"timeline.{number}.{key}", key, value, faults)
                changes.append((float(at_s), change))
    return changes


def _change(where: str, key: str, value: Any, faults: list[str]) -> Change:
    if key not in DEFAULTS:
        faults.append(f"{where}: unknown; known are {', '.join(sorted(DEFAULTS))}")
    elif (wanted := _wanted(DEFAULTS[key], value)) is not None:
        faults.append(f"{where}: is {value!r}; it must be {wanted}")
    elif key == "kind":
        value = KINDS[value]
    elif key == "ignores":
        value = set(value)
    elif isinstance(value, list):
        value = tuple(value)

    def change(world: World, _random: Random) -> None:
        setattr(world if key in WORLD_KEYS else world.state, key, value)

    return change


def _wanted(default: Any, value: Any) -> str | None:
    """What to write in place of a value; None if it will do."""
    if isinstance(default, Kind):
        good, wanted = isinstance(value, str) and value in KINDS, f"one of {', '.join(KINDS)}"
    elif isinstance(default, set):
        good, wanted = (
            isinstance(value, list) and all(one in IGNORES for one in value),
            ("a list of slow, halt"),
        )
    elif isinstance(default, tuple):
        good, wanted = (
            _is_pair(value),
            ("a pair of numbers: towards east and north"),
        )
    elif isinstance(default, bool):
        good, wanted = isinstance(value, bool), "true or false"
    elif isinstance(default, str):
        good, wanted = isinstance(value, str), "text in quotes"
    else:
        good, wanted = _number(value), "a number"
    return None if good else wanted


def _is_pair(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(_number, value))


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _must(texts: list[Any], faults: list[str]) -> list[tuple[str, Test]]:
    tests = []
    for text in texts:
        for form, build in FORMS:
            match = re.fullmatch(form, str(text))
            if match is not None:
                tests.append((str(text), build(match)))
                break
        else:
            faults.append(f"must: {text!r} is not understood; write such as {'; '.join(EXAMPLES)}")
    return tests


def check(scenario: Scenario, grounds: Grounds, seed: int) -> Verdict:
    """Run a scenario's drills and see whether what must follow did."""
    ground = grounds.of(scenario.setup.lawn, scenario.overrides)
    broken: dict[str, list[int]] = {text: [] for text, _ in scenario.must}
    proves_nothing = []
    for number in range(scenario.runs):
        result = play(ground, "supervised", scenario.course, seed, number, scenario.setup)
        if not result.proves:
            proves_nothing.append(number)
        for text, test in scenario.must:
            if not test(result):
                broken[text].append(number)
    return Verdict(scenario.name, scenario.about, scenario.runs, broken, proves_nothing)
