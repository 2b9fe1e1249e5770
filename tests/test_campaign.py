"""Campaigns of drills: any executor, what is torn or breaks off, and what is refused."""

import json
import multiprocessing
import os
from collections.abc import Callable
from concurrent.futures import (
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.drill import campaign
from fenceguard.drill.campaign import Lost, Plan, plan_of, run_all
from fenceguard.drill.drill import Ground
from fenceguard.drill.report import Report
from fenceguard.errors import BadInput
from fenceguard.settings import Loaded, load
from fenceguard.simulator.faults import FAULTS
from tests.support.drills import (
    SETTINGS,
    SHORT_S,
    made_up,
)


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    return load(SETTINGS)


@pytest.fixture(scope="module")
def ground(loaded: Loaded) -> Ground:
    return Ground(loaded)


def a_plan(loaded: Loaded, **changes: Any) -> Plan:
    parts: dict[str, Any] = {
        "overrides": (),
        "seed": 1,
        "kind": "single",
        "only": (),
        "policies": ("supervised",),
        "lasts_s": SHORT_S,
        **changes,
    }
    return plan_of(loaded, **parts)


def rows(file: Path) -> list[str]:
    """The rows of a file of results in the order of their texts, without its plan."""
    first, *others = file.read_text().splitlines()
    assert list(json.loads(first)) == ["plan"]
    return sorted(others)


RUNS = 6


@pytest.fixture(scope="module")
def by_a_thread(loaded: Loaded, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results that one thread of this process has made."""
    file = tmp_path_factory.mktemp("thread") / "results.jsonl"
    with ThreadPoolExecutor(1) as executor:
        run_all(a_plan(loaded), RUNS, executor, file)
    return file


@pytest.mark.parametrize(
    ("kind", "workers"),
    [(ThreadPoolExecutor, 2), (ProcessPoolExecutor, 1), (ProcessPoolExecutor, 2)],
)
def test_any_executor_gives_the_same_rows(
    loaded: Loaded, by_a_thread: Path, tmp_path: Path, kind: Callable[[int], Executor], workers: int
) -> None:
    file = tmp_path / "results.jsonl"
    shares: list[float] = []
    with kind(workers) as executor:
        run_all(a_plan(loaded), RUNS, executor, file, shares.append)
    assert rows(file) == rows(by_a_thread)
    assert [json.loads(row)["number"] for row in rows(file)] == list(range(RUNS))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def noting_grounds(file: Path) -> type[Ground]:
    """A ground that notes in a file which process made it."""

    class Noting(Ground):
        def __init__(self, *given: Any) -> None:
            with file.open("a") as notes:
                notes.write(f"{os.getpid()}\n")
            super().__init__(*given)

    return Noting


@pytest.mark.parametrize("way", ["fork", "spawn"])
def test_forked_processes_find_the_ground_made(
    loaded: Loaded,
    by_a_thread: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    way: str,
) -> None:
    """What is noted in a spawned process is its own business: it imports everything afresh."""
    notes = tmp_path / "notes"
    monkeypatch.setattr(campaign, "Ground", noting_grounds(notes))
    campaign._ground.cache_clear()
    file = tmp_path / "results.jsonl"
    with ProcessPoolExecutor(2, multiprocessing.get_context(way)) as executor:
        run_all(a_plan(loaded), RUNS, executor, file)
    assert rows(file) == rows(by_a_thread)
    assert notes.read_text().split() == [str(os.getpid())]


def test_no_ground_is_made_where_nothing_is_to_be_run(
    loaded: Loaded, by_a_thread: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = tmp_path / "notes"
    monkeypatch.setattr(campaign, "Ground", noting_grounds(notes))
    campaign._ground.cache_clear()
    with ThreadPoolExecutor(1) as executor:
        run_all(a_plan(loaded), RUNS, executor, by_a_thread)
    assert not notes.exists()


def test_faults_follow_from_the_number_alone(loaded: Loaded) -> None:
    names = list(FAULTS)
    single, pairs = a_plan(loaded), a_plan(loaded, kind="pairs")
    assert [single.faults_of(n) for n in range(len(names))] == [(name,) for name in names]
    assert single.faults_of(len(names)) == single.faults_of(0)
    every = [pairs.faults_of(n) for n in range(len(names) * (len(names) - 1))]
    assert len(set(every)) == len(every)
    assert all(first != second for first, second in every)
    assert pairs.faults_of(len(every)) == every[0]
    assert a_plan(loaded, kind="none").faults_of(7) == ()
    only = a_plan(loaded, only=("float", "silence"))
    assert [only.faults_of(n) for n in range(3)] == [("float",), ("silence",), ("float",)]
    assert a_plan(loaded, seed=2).faults_of(3) == single.faults_of(3)


def test_pairs_of_one_fault_are_refused(loaded: Loaded) -> None:
    with pytest.raises(BadInput, match="pairs of faults need two of them, and there is only float"):
        a_plan(loaded, kind="pairs", only=("float", "float"))
    assert a_plan(loaded, kind="pairs", only=("float", "silence")).faults_of(1) == (
        "silence",
        "float",
    )


class Counting(ThreadPoolExecutor):
    """Counts the drills that it is given."""

    drills = 0

    def submit(self, fn: Any, /, *args: Any, **how: Any) -> Future[Any]:
        self.drills += len(args[1])
        return super().submit(fn, *args, **how)


@pytest.mark.parametrize(("line", "share"), [(1, 0.0), (3, 0.0), (3, 0.5), (3, 0.99), (RUNS, 0.5)])
def test_a_torn_file_is_completed(
    loaded: Loaded, by_a_thread: Path, tmp_path: Path, line: int, share: float
) -> None:
    """As a kill leaves it: cut somewhere in a line, or at its end."""
    lines = by_a_thread.read_text().splitlines(keepends=True)
    file = tmp_path / "results.jsonl"
    file.write_text("".join(lines[:line]) + lines[line][: int(share * len(lines[line]))])
    with Counting(1) as executor:
        run_all(a_plan(loaded), RUNS, executor, file)
    assert rows(file) == rows(by_a_thread)
    assert executor.drills == RUNS - (line - 1)
    assert len(list(campaign.read(file))) == RUNS


def test_a_torn_last_row_is_passed_over(by_a_thread: Path, tmp_path: Path) -> None:
    file = tmp_path / "results.jsonl"
    file.write_text(by_a_thread.read_text()[:-1])
    assert len(list(campaign.read(file))) == RUNS - 1


def test_a_row_that_stands_twice_counts_once(by_a_thread: Path, tmp_path: Path) -> None:
    file = tmp_path / "results.jsonl"
    text = by_a_thread.read_text()
    file.write_text(text + text.splitlines(keepends=True)[-1])
    assert list(campaign.read(file)) == list(campaign.read(by_a_thread))


def test_an_empty_file_is_begun(loaded: Loaded, by_a_thread: Path, tmp_path: Path) -> None:
    file = tmp_path / "results.jsonl"
    file.touch()
    with ThreadPoolExecutor(1) as executor:
        run_all(a_plan(loaded), 1, executor, file)
    assert rows(file) == rows(by_a_thread)[:1]


def test_a_drill_that_lacks_a_policy_is_run_again(
    loaded: Loaded, tmp_path: Path, by_a_thread: Path
) -> None:
    plan = a_plan(loaded, policies=("supervised", "hand_written"))
    file = tmp_path / "results.jsonl"
    first_row = by_a_thread.read_text().splitlines(keepends=True)[1]
    file.write_text(json.dumps({"plan": plan._asdict()}) + "\n" + first_row)
    with ThreadPoolExecutor(1) as executor:
        run_all(plan, 1, executor, file)
    assert [(one.number, one.policy) for one in campaign.read(file, plan)] == [
        (0, "supervised"),
        (0, "hand_written"),
    ]


@pytest.mark.parametrize("changes", [{"seed": 2}, {"kind": "none"}, {"lasts_s": 33.0}])
def test_a_file_of_another_plan_is_refused(
    loaded: Loaded, by_a_thread: Path, changes: dict[str, Any]
) -> None:
    before = by_a_thread.read_bytes()
    with (
        ThreadPoolExecutor(1) as executor,
        pytest.raises(BadInput, match=r"results of another plan; name another file"),
    ):
        run_all(a_plan(loaded, **changes), RUNS, executor, by_a_thread)
    assert by_a_thread.read_bytes() == before


def test_a_file_for_other_settings_is_refused(loaded: Loaded, by_a_thread: Path) -> None:
    word = "limits.silence.halted=1.7"
    other = load(SETTINGS, (word,))
    with (
        ThreadPoolExecutor(1) as executor,
        pytest.raises(BadInput, match="results of another plan"),
    ):
        run_all(a_plan(other, overrides=(word,)), RUNS, executor, by_a_thread)


@pytest.mark.parametrize("content", ["mower: {}", "mower: {}\n", '{"plan": 1\n', "[]\n"])
def test_a_file_of_something_else_is_left_alone(
    loaded: Loaded, tmp_path: Path, content: str
) -> None:
    file = tmp_path / "mower.yaml"
    file.write_text(content)
    with (
        ThreadPoolExecutor(1) as executor,
        pytest.raises(BadInput, match=r"mower\.yaml: .*name another"),
    ):
        run_all(a_plan(loaded), 1, executor, file)
    assert file.read_text() == content


def test_a_drill_is_refused_where_settings_or_fence_are_others(
    loaded: Loaded, tmp_path: Path
) -> None:
    """As on a machine that has them from another day."""
    plan = a_plan(loaded)
    for other in (plan._replace(settings_hash="0"), plan._replace(fence_hash="0")):
        with (
            ThreadPoolExecutor(1) as executor,
            pytest.raises(BadInput, match="settings or fence are others than here"),
        ):
            run_all(other, 1, executor, tmp_path / "r.jsonl")
        (tmp_path / "r.jsonl").unlink()


class Breaking(ThreadPoolExecutor):
    """Runs one task, and then breaks."""

    ran = 0

    def __init__(self, error: BaseException) -> None:
        super().__init__(1)
        self._error = error

    def submit(self, fn: Any, /, *args: Any, **how: Any) -> Future[Any]:
        self.ran += 1
        if self.ran == 1:
            return super().submit(fn, *args, **how)
        broken: Future[Any] = Future()
        broken.set_exception(self._error)
        return broken


@pytest.mark.parametrize("error", [CancelledError(), BrokenProcessPool(), ConnectionError()])
def test_an_executor_that_breaks_is_told_and_the_same_again_goes_on(
    loaded: Loaded, by_a_thread: Path, tmp_path: Path, error: BaseException
) -> None:
    file = tmp_path / "results.jsonl"
    with Breaking(error) as executor, pytest.raises(Lost):
        run_all(a_plan(loaded), RUNS, executor, file)
    assert set(rows(file)) <= set(rows(by_a_thread))
    with ThreadPoolExecutor(1) as another:
        run_all(a_plan(loaded), RUNS, another, file)
    assert rows(file) == rows(by_a_thread)


@given(st.permutations(range(12)))
def test_the_order_of_the_drills_makes_no_difference(order: list[int]) -> None:
    drills = [made_up(number=n, full_s=0.1 * n + 60.01, lasted_s=76.03) for n in range(12)]
    expected = Report(drills).as_dict()
    assert Report(drills[n] for n in order).as_dict() == expected


def test_a_place_that_cannot_be_written_is_refused(loaded: Loaded, tmp_path: Path) -> None:
    with ThreadPoolExecutor(1) as executor:
        with pytest.raises(BadInput, match=r"r\.jsonl: cannot be written: No such file"):
            run_all(a_plan(loaded), 1, executor, tmp_path / "nowhere" / "r.jsonl")
        with pytest.raises(BadInput, match="cannot be read: Is a directory"):
            run_all(a_plan(loaded), 1, executor, tmp_path)
