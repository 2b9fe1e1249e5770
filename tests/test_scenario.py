"""Scenarios: files that say what fails and what must follow."""

from pathlib import Path
from typing import Any

import pytest

from fenceguard.drill import scenario
from fenceguard.drill.drill import Grounds
from fenceguard.errors import BadInput
from tests.support.drills import AWAITED, GOOD, SCENARIOS, SETTINGS, made_up, written


@pytest.fixture(scope="module")
def grounds() -> Grounds:
    return Grounds(SETTINGS)


def test_scenarios_ship() -> None:
    assert len(SCENARIOS) >= 10


def expected(file: Path) -> Any:
    why = AWAITED.get(file.stem)
    marks = [] if why is None else [pytest.mark.xfail(strict=True, reason=why)]
    return pytest.param(file, id=file.stem, marks=marks)


@pytest.mark.parametrize("file", list(map(expected, SCENARIOS)))
def test_a_scenario_holds(grounds: Grounds, file: Path) -> None:
    read = scenario.read(file)
    assert read.about
    verdict = scenario.check(read._replace(runs=2), grounds, seed=1)
    assert verdict.holds, verdict.broken


@pytest.mark.parametrize(
    ("text", "holds", "breaks"),
    [
        ("halted within 1.5 s", {}, {"reached_s": {"slowed": 0.6, "halted": 1.501}}),
        ("halted within 2 s", {}, {"reached_s": {"slowed": 0.6}}),
        ("slowed within 0.6 s", {}, {"reached_s": {"slowed": 0.65}}),
        ("never locked", {}, {"reached_s": {"locked": 9.0}}),
        ("never halted", {"reached_s": {"blade_off": 1.0}}, {}),
        ("full again within 28.1 s", {}, {"full_again_s": 28.15}),
        ("full again within 60 s", {}, {"full_again_s": None}),
        ("never full again", {"full_again_s": None}, {}),
        ("blade never past the fence", {"drive_out_m": 0.1}, {"blade_out_m": 0.002}),
        ("mower never past the fence", {}, {"drive_out_m": 0.002}),
    ],
)
def test_what_must_follow(
    tmp_path: Path, text: str, holds: dict[str, Any], breaks: dict[str, Any]
) -> None:
    read = scenario.read(written(tmp_path, GOOD.replace("never locked", text)))
    ((told, test),) = read.must
    assert told == text
    assert test(made_up(**holds))
    assert not test(made_up(**breaks))


def test_each_example_is_understood(tmp_path: Path) -> None:
    must = "".join(f"  - {text}\n" for text in scenario.EXAMPLES)
    read = scenario.read(written(tmp_path, GOOD.replace("  - never locked\n", must)))
    assert [text for text, _ in read.must] == list(scenario.EXAMPLES)


def test_a_scenario_file_is_read_whole(tmp_path: Path) -> None:
    read = scenario.read(written(tmp_path, GOOD))
    assert (read.name, read.about, read.runs, read.course.lasts_s) == (
        "trial",
        "Something.",
        3,
        60.0,
    )
    assert [at_s for at_s, _ in read.course.changes] == [30.0]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "runs:",
            "drills:",
            "drills: unknown key; known are about, controller, lasts",
        ),
        ("runs: 3", "runs: 0", "runs: is 0; it must be a whole number from 1 to 10000"),
        ("runs: 3", "runs: many", "runs: is 'many'; it must be a whole number from 1"),
        ("lasts_s: 60", "lasts_s: 24", "lasts_s: is 24; it must be above 24, up to 86400"),
        ("\n  - {at_s: 30, silent: true}", "", "timeline: missing or not a list; write"),
        ("\n  - {at_s: 30, silent: true}", " soon", "timeline: missing or not a list; write"),
        ("must:\n  - never locked", "", "must: missing or not a list; write such as - halted"),
        ("\n  - never locked", " never locked", "must: missing or not a list; write such as"),
        ("at_s: 30", "at_s: 23.9", "timeline.0: at_s is 23.9; it must be from 24"),
        ("at_s: 30", "at_s: 60", "timeline.0: at_s is 60; it must be from 24"),
        ("at_s: 30", "at_s: .nan", "timeline.0: at_s is nan; it must be from 24"),
        ("at_s: 30, ", "", "timeline.0: at_s is None; it must be from 24"),
        ("{at_s: 30, silent: true}", "silence", "timeline.0: at_s is None; it must be from"),
        ("silent:", "quiet:", "timeline.0.quiet: unknown; known are buffered_s, carried_mps"),
        ("silent: true", "silent: 1", "timeline.0.silent: is 1; it must be true or false"),
        ("silent: true", "kind: good", "timeline.0.kind: is 'good'; it must be one of fixed, flo"),
        ("silent: true", "kind: [fixed]", "timeline.0.kind: is ['fixed']; it must be one of"),
        ("silent: true", "wrong_m: 0.4", "wrong_m: is 0.4; it must be a pair of numbers: towards"),
        ("silent: true", "wrong_m: [1, a]", "wrong_m: is [1, 'a']; it must be a pair of numbers"),
        ("silent: true", "drifting_mps: [1]", "drifting_mps: is [1]; it must be a pair of numbe"),
        ("silent: true", "wrong_up_m: [1, 2]", "wrong_up_m: is [1, 2]; it must be a number"),
        ("silent: true", "buffered_s: true", "buffered_s: is True; it must be a number"),
        ("silent: true", "ignores: slow", "ignores: is 'slow'; it must be a list of slow, halt"),
        ("silent: true", "ignores: [stop]", "ignores: is ['stop']; it must be a list of slow"),
        ("silent: true", "station: 0043", "station: is 35; it must be text in quotes"),
        ("never locked", "halted soon", "must: 'halted soon' is not understood; write such as h"),
        ("never locked", "never tired", "must: 'never tired' is not understood; write such as"),
        ("never locked", "halted within 1 s or so", "must: 'halted within 1 s or so' is not und"),
    ],
)
def test_a_fault_of_a_scenario_is_named(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in GOOD
    file = written(tmp_path, GOOD.replace(old, new))
    with pytest.raises(BadInput) as refused:
        scenario.read(file)
    (line,) = str(refused.value).splitlines()
    assert line.startswith(f"{file}: ")
    assert told in line


def test_all_faults_of_a_scenario_are_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace("runs: 3", "runs: 0").replace("never locked", "hm")
    with pytest.raises(BadInput) as refused:
        scenario.read(written(tmp_path, text))
    assert len(str(refused.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "not a mapping with the keys about, controller, "),
        ("- halted\n", "not a mapping with the keys"),
        ("must: [", "not YAML: while parsing"),
    ],
)
def test_what_is_no_scenario_is_refused(tmp_path: Path, text: str, told: str) -> None:
    file = written(tmp_path, text)
    with pytest.raises(BadInput) as refused:
        scenario.read(file)
    assert str(refused.value).startswith(f"{file}: {told}")


def test_a_scenario_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"no\.yaml: the scenario cannot be read: No such file"):
        scenario.read(tmp_path / "no.yaml")
