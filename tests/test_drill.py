"""Drills: the simulated mower and receiver, campaigns, reports, scenarios, and the command."""

import json
import math
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import (
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pynmea2
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pymap3d import enu2geodetic, geodetic2enu
from pyproj import Geod
from scipy.stats import beta

from fenceguard.cli import drill as drill_command
from fenceguard.cli import main
from fenceguard.drill import campaign, scenario
from fenceguard.drill.campaign import Lost, Plan, plan_of, run_all
from fenceguard.drill.drill import (
    CELLS,
    CELLS_PER_DECADE,
    REGIONS,
    TOUCH_M,
    USABLE_M,
    Ground,
    Result,
    _Outside,
    cell,
    region,
    run,
)
from fenceguard.drill.policies import SHRUNK_BY_M, HandWritten
from fenceguard.drill.report import HEADINGS, Report, picture, quantiles, upper_limit
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant
from fenceguard.settings import Loaded, load
from fenceguard.simulator import nmea
from fenceguard.simulator.body import OBEYS, STEP_S, Body, Pose
from fenceguard.simulator.faults import FAULTS
from fenceguard.simulator.gnss import (
    DECIMALS,
    FIXED,
    FLOAT,
    KEEPS_FIX_S,
    LATENCY_S,
    LATER_S,
    OTHER_STATION,
    RATE_HZ,
    SHADOW_M,
    SINGLE,
    SOON_S,
    STATION,
    WALL_AHEAD_M,
    Gnss,
    Kind,
    Sent,
    _Globe,
)
from fenceguard.simulator.routes import Route
from tests.support.lawns import collection, polygon, write_settings

CONFIG = Path(__file__).parents[1] / "config"
SETTINGS = CONFIG / "demo" / "settings.yaml"
SCENARIOS = sorted((CONFIG / "drills").glob("*.yaml"))
SHORT_S = 32.0
COLUMNS = 80


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    return load(SETTINGS)


@pytest.fixture(scope="module")
def ground(loaded: Loaded) -> Ground:
    return Ground(loaded)


# One drill


def test_everything_follows_from_seed_and_number(ground: Ground) -> None:
    first = run(ground, "supervised", ("silence",), 1, 5, 40.0)
    assert run(ground, "supervised", ("silence",), 1, 5, 40.0) == first
    assert run(ground, "supervised", ("silence",), 1, 6, 40.0)._replace(number=5) != first
    assert run(ground, "supervised", ("silence",), 2, 5, 40.0) != first


def test_without_a_fault_nothing_is_taken_away(ground: Ground) -> None:
    results = [run(ground, "supervised", (), 1, number) for number in range(6)]
    assert [result.blade_out_m for result in results] == [0.0] * 6
    assert [result.drive_out_m for result in results] == [0.0] * 6
    assert [result.halts for result in results] == [0] * 6
    full_s, lasted_s = (sum(column) for column in zip(*map(_full_and_all, results), strict=True))
    assert full_s / lasted_s > 0.9
    assert all(result.action_s is None and result.fault_at_s is None for result in results)


def _full_and_all(result: Result) -> tuple[float, float]:
    return result.full_s, result.lasted_s


DETECTABLE = [name for name, fault in FAULTS.items() if not fault.undetectable]
# Alone, a halt that is ignored leaves the blade time to come to rest.
CONTROLLED = [*DETECTABLE, "ignores_halt"]


@pytest.mark.parametrize("name", CONTROLLED)
def test_the_blade_stays_inside_whatever_fails(ground: Ground, name: str) -> None:
    result = run(ground, "supervised", (name,), 1, list(FAULTS).index(name))
    assert result.faults == (name,)
    assert result.fault_at_s is not None
    assert result.blade_out_m == 0.0
    assert sum(result.regions) == sum(result.cells.values()) > 0


def test_a_lawn_without_room_is_refused(tmp_path: Path) -> None:
    small = collection(polygon([(0, 0), (1.2, 0), (1.2, 1.2), (0, 1.2)], "keep_in", "pocket"))
    tiny = load(write_settings(tmp_path, small))
    with pytest.raises(BadInput, match="too small for a lap or a stripe; drill on a larger one"):
        Ground(tiny)


# Campaigns


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


# Reports


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))))
def test_upper_limit_of_clopper_and_pearson(counts: tuple[int, int]) -> None:
    """Against the quantile of the beta distribution, as `scipy.stats` computes it."""
    events, runs = counts
    told = upper_limit(events, runs, 0.95)
    assert told == pytest.approx(beta.ppf(0.95, events + 1, runs - events), rel=1e-7)


@pytest.mark.parametrize("runs", [1, 59, 1000, 20_000])
def test_upper_limit_of_no_event(runs: int) -> None:
    """The closed form; and the rule of three, which is common practice for many runs."""
    told = upper_limit(0, runs, 0.95)
    assert told == pytest.approx(1.0 - 0.05 ** (1.0 / runs), rel=1e-9)
    if runs >= 59:
        assert told == pytest.approx(3.0 / runs, rel=0.03)


def test_upper_limit_when_every_run_has_the_event() -> None:
    assert upper_limit(7, 7, 0.95) == 1.0


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=200))
def test_quantiles(values: list[float]) -> None:
    told = quantiles(values)
    assert told is not None
    assert told["median"] == pytest.approx(np.median(values))
    assert told["worst"] == max(values)
    p95 = told["p95"]
    assert 20 * sum(value <= p95 for value in values) >= 19 * len(values)
    assert 20 * sum(value < p95 for value in values) < 19 * len(values)


def test_quantiles_by_hand() -> None:
    assert quantiles([]) is None
    assert quantiles([3.0]) == {"median": 3.0, "p95": 3.0, "worst": 3.0}
    hundred = [float(n) for n in range(100, 0, -1)]
    assert quantiles(hundred) == {"median": 50.5, "p95": 95.0, "worst": 100.0}


@pytest.mark.parametrize(
    ("error_m", "bound_m", "name"),
    [
        (0.1, 0.1, "holds_usable"),
        (0.1001, 0.1, "misleading"),
        (USABLE_M, USABLE_M, "holds_usable"),
        (USABLE_M, USABLE_M + 0.001, "holds_not_usable"),
        (USABLE_M, 0.1, "misleading"),
        (USABLE_M + 0.001, 0.1, "hazardously_misleading"),
        (USABLE_M + 0.001, USABLE_M, "hazardously_misleading"),
        (0.5, USABLE_M + 0.001, "misleading"),
        (0.5, 0.5, "holds_not_usable"),
    ],
)
def test_region(error_m: float, bound_m: float, name: str) -> None:
    assert REGIONS[region(error_m, bound_m)] == name


def test_cells_lie_between_their_edges() -> None:
    for k in range(1, CELLS):
        edge_m = 0.001 * 10.0 ** (k / CELLS_PER_DECADE)
        assert (cell(edge_m * 0.9999), cell(edge_m * 1.0001)) == (k - 1, k)
    assert (cell(0.0), cell(0.001)) == (0, 0)
    assert (cell(9.99), cell(10.0), cell(1000.0)) == (CELLS - 1,) * 3


def made_up(**changes: Any) -> Result:
    base = Result(
        number=0,
        policy="supervised",
        faults=("silence",),
        fault_at_s=30.0,
        action_s=1.0,
        blade_out_m=0.0,
        drive_out_m=0.0,
        interventions=1,
        halts=1,
        full_s=36.0,
        lasted_s=72.0,
        reached_s={"slowed": 0.6, "blade_off": 1.0, "halted": 1.5},
        full_again_s=28.1,
        regions=(5, 1, 0, 0),
        cells={"3,2": 6},
    )
    return base._replace(**changes)


def test_a_pair_counts_for_each_of_its_faults() -> None:
    report = Report(
        [
            made_up(),
            made_up(number=1, faults=("silence", "wrong_fix"), blade_out_m=0.2, action_s=3.0),
            made_up(number=2, faults=(), action_s=None, drive_out_m=0.1, halts=0),
            made_up(number=2, policy="hand_written", full_s=72.0, regions=(0, 0, 1, 2), cells={}),
        ]
    )
    told = report.as_dict()
    assert json.loads(json.dumps(told)) == told
    assert set(told["faults"]) == {"all", "detectable", "none", "silence", "wrong_fix"}
    assert list(told["undetectable"]) == ["wrong_fix"]
    silence = told["faults"]["silence"]["supervised"]
    assert (silence["runs"], silence["blade_out"], silence["blade_out_worst_m"]) == (2, 1, 0.2)
    assert silence["action_s"] == {"median": 2.0, "p95": 3.0, "worst": 3.0}
    assert told["faults"]["wrong_fix"]["supervised"]["runs"] == 1
    detectable = told["faults"]["detectable"]["supervised"]
    assert (detectable["runs"], detectable["blade_out"]) == (1, 0)
    none = told["faults"]["none"]["supervised"]
    assert (none["drive_out"], none["drive_out_worst_m"]) == (1, 0.1)
    assert (none["acted"], none["action_s"]) == (0, None)
    everything = told["faults"]["all"]["supervised"]
    assert (everything["runs"], everything["blade_out"], everything["acted"]) == (3, 1, 2)
    assert everything["hours"] == pytest.approx(3 * 72.0 / 3600.0)
    assert everything["full_share"] == 0.5
    assert everything["halts_per_hour"] == pytest.approx(2 / 0.06)
    assert everything["interventions_per_hour"] == pytest.approx(3 / 0.06)
    assert everything["blade_out_rate_upper"] == pytest.approx(beta.ppf(0.95, 2, 2))
    assert everything["regions"] == dict(zip(REGIONS, (15, 3, 0, 0), strict=True))
    assert report.cells[3][2] == sum(map(sum, report.cells)) == 18
    rows = report.rows()
    assert [row[0] for row in rows] == [
        "all",
        "  by hand",
        "detectable",
        "  by hand",
        "none",
        "silence",
        "  by hand",
        "wrong_fix",
    ]
    assert {len(row) for row in rows} == {len(HEADINGS)}
    assert rows[6][-1] == "100"
    alone = Report([made_up(policy="hand_written")])
    assert [row[0] for row in alone.rows()] == [
        "all by hand",
        "detectable by hand",
        "silence by hand",
    ]


def test_the_picture_is_a_png(tmp_path: Path) -> None:
    """Signature: PNG specification, ISO/IEC 15948, 5.2."""
    pytest.importorskip("matplotlib")
    file = tmp_path / "integrity.picture"
    picture(Report([made_up()]), file)
    assert file.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    with pytest.raises(BadInput, match=r"p\.png: cannot be written: No such file"):
        picture(Report([made_up()]), tmp_path / "nowhere" / "p.png")


def test_the_picture_says_what_it_needs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(BadInput, match=r'needs matplotlib: pip install "fenceguard\[plots\]"'):
        picture(Report([made_up()]), tmp_path / "integrity.png")


# The simulated receiver

ORIGIN = (-31.4, -123.7, 42.0)
STANDING = Pose(3.0, 4.0, 0.0, 0.0)
GEOD = Geod(ellps="WGS84")


def receiver(seed: int = 1, decimals: int = 7, **state: Any) -> Gnss:
    """A receiver whose sentences all come through."""
    gnss = Gnss(Random(seed), ORIGIN, decimals)
    for key, value in {"lost": 0.0, "garbled": 0.0, **state}.items():
        assert hasattr(gnss.state, key)
        setattr(gnss.state, key, value)
    return gnss


def sent(gnss: Gnss, count: int, pose: Pose = STANDING, first: int = 0) -> Iterator[Sent]:
    for number in range(first, first + count):
        one = gnss.epoch(number / RATE_HZ, pose)
        assert one is not None
        yield one


def parsed(data: bytes) -> dict[str, Any]:
    """Sentences by type, as pynmea2 reads them: one of each."""
    sentences = [pynmea2.parse(line, check=True) for line in data.decode("ascii").splitlines()]
    by_type = {one.sentence_type: one for one in sentences}
    assert len(by_type) == len(sentences)
    return by_type


def place_m(gga: Any) -> tuple[float, float]:
    """East and north of the origin along the ellipsoid, by pyproj."""
    azimuth_deg, _, way_m = GEOD.inv(ORIGIN[1], ORIGIN[0], gga.longitude, gga.latitude)
    azimuth = math.radians(azimuth_deg)
    return way_m * math.sin(azimuth), way_m * math.cos(azimuth)


@given(st.floats(-1000.0, 1000.0), st.floats(-1000.0, 1000.0), st.floats(-60.0, 60.0))
def test_its_degrees_are_those_of_the_place(east_m: float, north_m: float, lat_deg: float) -> None:
    """Turned round again by pymap3d."""
    origin = (lat_deg, 17.0, 42.0)
    told = _Globe(origin).degrees(east_m, north_m)
    assert geodetic2enu(*told, 42.0, *origin)[:2] == pytest.approx((east_m, north_m), abs=1e-6)


def test_beside_a_wall_the_fix_is_lost_and_is_found_again_later() -> None:
    """Half a minute to five; sooner where the satellites were kept: common practice, no source."""
    found_after_s = []
    for seed in range(20):
        gnss = receiver(seed, wall=True)
        ahead = Pose(3.0, 4.0 + WALL_AHEAD_M - SHADOW_M + 0.1, 0.0, 0.5)
        qualities = [
            parsed(one.data)["GGA"].gps_qual
            for steps, pose in ((5, STANDING), (5, ahead), (1550, STANDING))
            for one in sent(gnss, steps, pose)
        ]
        assert qualities[:10] == [4] * 5 + [5] * 5
        after = qualities[10:]
        assert after == sorted(after, reverse=True)
        found_after_s.append(after.index(4) / RATE_HZ)
    assert SOON_S[0] <= min(found_after_s) < SOON_S[1]
    assert LATER_S[0] < max(found_after_s) <= LATER_S[1] + 1.0 / RATE_HZ


def test_receivers_tell_five_decimals_or_seven() -> None:
    told = set()
    for seed in range(10):
        gnss = Gnss(Random(seed), ORIGIN)
        gga = next(line for line in next(sent(gnss, 1)).data.split(b"\r\n") if b"GGA" in line)
        told.add(len(gga.split(b",")[2].split(b".")[1]))
    assert told == set(DECIMALS)


def test_some_receivers_tell_the_ellipse_of_the_error_and_some_leave_it_empty() -> None:
    told = set()
    for seed in range(10):
        gst = parsed(next(sent(receiver(seed), 1)).data)["GST"]
        told.add(bool(gst.std_dev_major))
        if gst.std_dev_major:
            assert gst.std_dev_major == gst.std_dev_minor == float(gst.std_dev_latitude)
    assert told == {True, False}


def test_its_bytes_are_nmea() -> None:
    pose = Pose(3.0, 4.0, math.radians(60.0), 0.5)
    for one in sent(receiver(), 50, pose):
        told = parsed(one.data)
        assert list(told) == ["GGA", "RMC", "GST", "HDT"]
        gga, rmc = told["GGA"], told["RMC"]
        assert place_m(gga) == pytest.approx(one.reported_m, abs=0.001)
        assert one.truth_m == (3.0, 4.0)
        assert one.reported_m == pytest.approx(one.truth_m, abs=0.05)
        assert (gga.gps_qual, gga.ref_station_id) == (FIXED.quality, STATION)
        assert 0.4 <= float(gga.age_gps_data) <= 1.5
        height_m = float(gga.altitude) + float(gga.geo_sep)
        assert height_m == pytest.approx(ORIGIN[2] + 0.3, abs=0.08)
        assert (rmc.latitude, rmc.longitude) == (gga.latitude, gga.longitude)
        assert rmc.spd_over_grnd * 1852.0 / 3600.0 == pytest.approx(0.5, abs=0.08)
        assert rmc.true_course == pytest.approx(60.0, abs=10.0)
        assert float(told["HDT"].heading) == pytest.approx(60.0, abs=4.0)
        assert float(told["GST"].std_dev_latitude) == pytest.approx(FIXED.stated_m, rel=0.11)


def errors_m(kind: Kind, receivers: int, epochs: int) -> np.ndarray[Any, Any]:
    """Errors per axis of standing receivers, shape (receivers, epochs, 2)."""
    gnsses = [receiver(seed, kind=kind) for seed in range(receivers)]
    return np.array(
        [
            [np.subtract(one.reported_m, one.truth_m) for one in sent(gnss, epochs)]
            for gnss in gnsses
        ]
    )


def test_a_fixed_position_has_white_noise_and_wander() -> None:
    """A first-order Gauss-Markov process is correlated as exp(-t / T) (any text on filtering)."""
    seconds = 30
    errors = errors_m(FIXED, 100, seconds * RATE_HZ + 1)
    spread_m = math.hypot(FIXED.white_m, FIXED.wander_m)
    assert np.std(errors, axis=(0, 1)) == pytest.approx([spread_m] * 2, rel=0.15)
    assert np.mean(errors) == pytest.approx(0.0, abs=0.001)
    steps = np.diff(errors, axis=1)
    assert np.std(steps) / math.sqrt(2.0) == pytest.approx(FIXED.white_m, rel=0.05)
    later = np.mean(errors[:, 0] * errors[:, -1]) / FIXED.wander_m**2
    assert later == pytest.approx(math.exp(-seconds / FIXED.wander_s), abs=0.15)


def test_a_float_position_wanders_by_decimetres() -> None:
    errors = errors_m(FLOAT, 25, 400)[:, 300:]
    assert np.std(errors) == pytest.approx(FLOAT.wander_m, rel=0.2)


@pytest.mark.parametrize("kind", [FLOAT, SINGLE])
def test_a_worse_solution_says_so(kind: Kind) -> None:
    (one,) = sent(receiver(kind=kind), 1)
    told = parsed(one.data)
    assert told["GGA"].gps_qual == kind.quality
    assert told["RMC"].mode_indicator == kind.mode
    assert float(told["GST"].std_dev_longitude) == pytest.approx(kind.stated_m, rel=0.11)
    assert (told["GGA"].age_gps_data in ("", None)) == (kind is SINGLE)


def test_a_frozen_receiver_repeats_its_bytes() -> None:
    gnss = receiver()
    *_, last = sent(gnss, 3)
    gnss.state.frozen = True
    frozen = list(sent(gnss, 5, STANDING._replace(east_m=9.0), first=3))
    assert {one.data for one in frozen} == {last.data}
    assert {one.reported_m for one in frozen} == {last.reported_m}
    assert frozen[0].truth_m == (9.0, 4.0)
    gnss.state.frozen = False
    (thawed,) = sent(gnss, 1, first=8)
    assert thawed.data != last.data


def test_a_repeating_receiver_says_everything_twice() -> None:
    for one in sent(receiver(repeats=True), 5):
        half = len(one.data) // 2
        assert one.data[:half] == one.data[half:]
        assert len(parsed(one.data[:half])) == 4


@given(st.lists(st.floats(0.0, 5.0), min_size=2, max_size=40), st.integers(0, 9))
@settings(max_examples=50, deadline=None)
def test_a_buffer_delays_and_never_reorders(buffered_s: list[float], seed: int) -> None:
    gnss = receiver(seed)
    arrivals_s = []
    for number, waits_s in enumerate(buffered_s):
        gnss.state.buffered_s = waits_s
        (one,) = sent(gnss, 1, first=number)
        assert one.at_s >= number / RATE_HZ + LATENCY_S + waits_s
        arrivals_s.append(one.at_s)
    assert arrivals_s == sorted(arrivals_s)


def test_offsets_and_drifts_show_in_the_position() -> None:
    pairs = [
        (place_m(parsed(good.data)["GGA"]), place_m(parsed(bad.data)["GGA"]))
        for good, bad in zip(
            sent(receiver(), 101),
            sent(receiver(wrong_m=(0.3, -0.2), drifting_mps=(0.01, 0.05)), 101),
            strict=True,
        )
    ]
    for number in (0, 100):
        good, bad = pairs[number]
        way_s = (number + 1) / RATE_HZ
        moved = np.subtract(bad, good)
        assert moved == pytest.approx((0.3 + 0.01 * way_s, -0.2 + 0.05 * way_s), abs=0.001)


def test_a_wrong_height_shows_in_the_height() -> None:
    (good,), (bad,) = sent(receiver(), 1), sent(receiver(wrong_up_m=0.7), 1)
    heights_m = [float(parsed(one.data)["GGA"].altitude) for one in (good, bad)]
    assert heights_m[1] - heights_m[0] == pytest.approx(0.7, abs=0.001)


@pytest.mark.parametrize(("decimals", "step_m"), [(5, 0.0185), (7, 0.000185)])
def test_decimals_of_a_minute_are_steps_on_the_ground(decimals: int, step_m: float) -> None:
    """A minute of latitude is about a nautical mile of 1852 m: five decimals are 1.85 cm."""
    gnss = receiver(decimals=decimals)
    norths_m = set()
    for number in range(40):
        (one,) = sent(gnss, 1, STANDING._replace(north_m=number * step_m / 8.0), first=number)
        norths_m.add(round(place_m(parsed(one.data)["GGA"])[1] / step_m, 2))
    steps = np.diff(sorted(norths_m))
    assert len(steps) >= 3
    assert steps == pytest.approx(np.round(steps), abs=0.08)
    assert min(steps) == pytest.approx(1.0, abs=0.02 if decimals == 5 else math.inf)


def test_garbled_sentences_have_one_byte_changed() -> None:
    gnss = receiver()
    (clean,) = sent(gnss, 1)
    gnss.state.frozen, gnss.state.garbled = True, 1.0
    changed = 0
    for one in sent(gnss, 20, first=1):
        assert len(one.data) == len(clean.data)
        differing = sum(a != b for a, b in zip(one.data, clean.data, strict=True))
        assert differing <= 4
        changed += differing
    assert changed > 70


def test_lost_sentences_do_not_come() -> None:
    assert [one.data for one in sent(receiver(lost=1.0), 3)] == [b""] * 3
    half = [one.data.count(b"$") for one in sent(receiver(lost=0.5), 200)]
    assert sum(half) == pytest.approx(400, abs=60)


def test_a_lie_about_sigma_shows_in_gst() -> None:
    honest, lying = sent(receiver(), 20), sent(receiver(sigma_share=1.0 / 3.0), 20)
    for good, bad in zip(honest, lying, strict=True):
        told, truth = parsed(bad.data)["GST"], parsed(good.data)["GST"]
        for field in ("std_dev_latitude", "std_dev_longitude"):
            assert 3.0 * getattr(told, field) == pytest.approx(getattr(truth, field), abs=0.0003)
        assert parsed(bad.data)["GGA"].latitude == parsed(good.data)["GGA"].latitude


def test_silence_headings_stations_and_clocks() -> None:
    assert receiver(silent=True).epoch(0.0, STANDING) is None
    (one,) = sent(receiver(heading=False), 1)
    assert list(parsed(one.data)) == ["GGA", "RMC", "GST"]
    (one,) = sent(receiver(station=OTHER_STATION), 1)
    assert parsed(one.data)["GGA"].ref_station_id == OTHER_STATION
    (before,), (after,) = sent(receiver(), 1), sent(receiver(utc_step_s=18.0), 1)
    moments = [parsed(one.data)["RMC"].datetime for one in (before, after)]
    assert (moments[1] - moments[0]).total_seconds() == 18.0


def test_without_corrections_their_age_grows_and_the_fix_is_lost() -> None:
    gnss = receiver()
    list(sent(gnss, 5))
    gnss.state.corrections = False
    told = [parsed(one.data)["GGA"] for one in sent(gnss, 70 * RATE_HZ, first=5)]
    ages_s = [float(gga.age_gps_data) for gga in told]
    assert np.diff(ages_s) == pytest.approx(np.full(len(ages_s) - 1, 0.2), abs=0.11)
    assert ages_s[-1] - ages_s[0] == pytest.approx(70.0 - 0.2, abs=0.11)
    qualities = [gga.gps_qual for gga in told]
    lost_at_s = ages_s[qualities.index(FLOAT.quality)]
    assert KEEPS_FIX_S[0] <= lost_at_s <= KEEPS_FIX_S[1] + 0.3
    assert qualities == sorted(qualities)


# The simulated mower

STRAIGHT = Route([(0.0, 0.1 * n) for n in range(1000)], [0.5] * 1000, False)
ALL = Grant(True, True, False, False, 0.5 / OBEYS, math.inf)
NOTHING = Grant(False, False, False, False, 0.0, math.inf)


def drive(body: Body, grant: Grant, lasts_s: float, begin_s: float = 0.0) -> None:
    for number in range(round(lasts_s / STEP_S)):
        body.step(begin_s + number * STEP_S, grant)


@pytest.mark.parametrize("seed", range(20))
def test_the_mower_stops_in_its_own_stopping_distance(seed: int) -> None:
    """Way while nothing happens yet and while braking, v t + v²/(2 a): any text on kinematics."""
    body = Body(Random(seed), STRAIGHT, 0)
    drive(body, ALL, 10.0)
    over_mps, before = body.pose.speed_mps, body.pose
    assert 0.5 * 0.96 <= over_mps <= 0.5
    drive(body, NOTHING, 3.0, 10.0)
    assert body.pose.speed_mps == 0.0
    way_m = math.dist(before[:2], body.pose[:2])
    held = over_mps / 0.5
    stopping_m = over_mps * body._brake_delay_s + over_mps**2 / (2.0 * body._braking_mps2 * held)
    # Steps: the brakes may take hold a whole one sooner, and act on all of it.
    assert -1.5 * STEP_S <= (way_m - stopping_m) / over_mps <= STEP_S
    at_worst_m = 0.5 * 0.15 + 0.5**2 / (2.0 * (1.5 - 9.81 * math.sin(math.radians(5.0))))
    assert way_m <= at_worst_m + over_mps * STEP_S


@pytest.mark.parametrize("seed", range(10))
def test_the_blade_turns_on_for_its_own_time(seed: int) -> None:
    body = Body(Random(seed), STRAIGHT, 0)
    assert not body.blade_turns
    drive(body, ALL, 1.0)
    assert body.blade_turns
    turned_s = 0.0
    while body.blade_turns:
        turned_s += STEP_S
        drive(body, ALL._replace(blade=False), STEP_S, 1.0 + turned_s)
    assert turned_s == pytest.approx(body._blade_stop_s, abs=STEP_S + 1e-9)
    assert 0.4 - 1e-9 <= turned_s <= 1.0 + STEP_S


def test_the_controller_obeys_unless_told_otherwise() -> None:
    slow = ALL._replace(slow=True, top_speed_mps=0.2)
    speeds_mps: dict[tuple[str, str], float] = {}
    for ignores in ("", "slow", "halt"):
        for word, grant in (("slow", slow), ("halt", NOTHING)):
            body = Body(Random(1), STRAIGHT, 0)
            drive(body, ALL, 5.0)
            body.ignores = frozenset({ignores} - {""})
            drive(body, grant, 5.0, 5.0)
            speeds_mps[ignores, word] = body.pose.speed_mps
    assert 0.9 * 0.2 * OBEYS <= speeds_mps["", "slow"] <= 0.2 * OBEYS
    assert speeds_mps["slow", "slow"] >= 0.9 * 0.5
    assert speeds_mps["", "halt"] == speeds_mps["slow", "halt"] == 0.0
    assert speeds_mps["halt", "halt"] >= 0.9 * 0.25


def test_the_controller_hears_of_a_lower_speed_a_moment_later() -> None:
    body = Body(Random(1), STRAIGHT, 0)
    drive(body, ALL, 5.0)
    before_mps = body.pose.speed_mps
    body.step(5.0, ALL._replace(top_speed_mps=0.1))
    assert body.pose.speed_mps == before_mps
    drive(body, ALL._replace(top_speed_mps=0.1), 0.2, 5.05)
    assert body.pose.speed_mps < before_mps


CORNER_CUT_M = 0.15
"""At the ends of the stripes: half of what the controller aims ahead."""


def test_the_mower_stays_on_its_route(ground: Ground) -> None:
    for number, route in enumerate(ground.routes):
        line = shapely.LinearRing(route.points_m)
        body = Body(Random(number), route, 0)
        for step in range(round(200.0 / STEP_S)):
            body.step(step * STEP_S, ALL)
            body.believe(body.pose[:2])
            off_m = line.distance(shapely.Point(body.pose[:2]))
            assert off_m <= (0.05 if route.edge else CORNER_CUT_M), (number, step)


def test_routes_keep_the_footprint_inside_and_edge_laps_near_the_line(ground: Ground) -> None:
    assert {route.edge for route in ground.routes} == {True, False}
    for route in ground.routes:
        clearances_m = []
        for n, (east_m, north_m) in enumerate(route.points_m[:-1]):
            after = route.points_m[n + 1]
            heading_deg = math.degrees(math.atan2(after[0] - east_m, after[1] - north_m))
            clearances_m.append(
                ground.footprint.clearance(ground.fence, east_m, north_m, heading_deg).metres
            )
        assert min(clearances_m) > 0.05
        if route.edge:
            # Beside every straight side the lap is where it should be, and it never is far nearer.
            assert min(clearances_m) > 0.07
            assert sum(0.09 <= one_m <= 0.101 for one_m in clearances_m) > 0.4 * len(clearances_m)


# What is watched


@pytest.mark.parametrize("seed", range(4))
def test_the_watch_misses_nothing(ground: Ground, seed: int) -> None:
    """Against a look at every single step."""
    random = Random(seed)
    route = ground.routes[seed % len(ground.routes)]
    body = Body(random, route, random.randrange(len(route.points_m)))
    body.ignores = frozenset({"halt"})
    watch = _Outside(ground)
    shift_m = (0.0, 0.0)
    blade_out_m = drive_out_m = 0.0
    for step in range(round(90.0 / STEP_S)):
        now_s = step * STEP_S
        if step % 400 == 200:
            shift_m = (random.uniform(-0.6, 0.6), random.uniform(-0.6, 0.6))
        body.step(now_s, ALL if step % 200 < 100 else NOTHING)
        watch.look(body, shift_m)
        out_m = -ground.footprint.clearance(
            ground.fence,
            body.pose.east_m - shift_m[0],
            body.pose.north_m - shift_m[1],
            math.degrees(body.pose.heading),
        ).metres
        if out_m > TOUCH_M and body.blade_turns:
            blade_out_m = max(blade_out_m, out_m)
        if out_m > TOUCH_M and body.pose.speed_mps > 0.0:
            drive_out_m = max(drive_out_m, out_m)
    assert (watch.blade_out_m, watch.drive_out_m) == (blade_out_m, drive_out_m)
    if route.edge:
        assert drive_out_m > 0.0


# The rule that one would write by hand


@pytest.fixture(scope="module")
def place(ground: Ground) -> Any:
    frame = ground.fence.frame

    def text(east_m: float, north_m: float) -> str:
        lat_deg, lon_deg, _ = enu2geodetic(east_m, north_m, 0.0, *frame.origin)
        return nmea.position_text(float(lat_deg), float(lon_deg))

    return text


def by_hand(ground: Ground, place: str, quality: int) -> HandWritten:
    """The rule after one epoch, which ends when the next one begins."""
    rule = HandWritten(ground.loaded)
    for number in range(2):
        body = nmea.gga(1e9 + number, place, quality, 24, 0.7, 42.0, -21.5, (1.0, "0042"))
        rule.feed(nmea.sentence(body), float(number))
    return rule


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_the_rule_by_hand(ground: Ground, place: Any, data: st.DataObject) -> None:
    west_m, south_m, east_m, north_m = ground.fence.area.bounds
    here = (
        data.draw(st.floats(west_m - 1.0, east_m + 1.0)),
        data.draw(st.floats(south_m - 1.0, north_m + 1.0)),
    )
    quality = data.draw(st.sampled_from([0, 1, 2, 4, 4, 4, 5, 6]))
    point = shapely.Point(here)
    off_m = ground.fence.area.boundary.distance(point)
    if abs(off_m - SHRUNK_BY_M) < 0.01:
        return
    on = quality == 4 and ground.fence.area.contains(point) and off_m > SHRUNK_BY_M
    grant = by_hand(ground, place(*here), quality).grant
    assert (grant.drive, grant.blade) == (on, on)
    assert grant.top_speed_mps == (ground.loaded.settings.mower.full_mps if on else 0.0)


def test_the_rule_by_hand_on_both_sides_of_its_line(ground: Ground, place: Any) -> None:
    ring = shapely.LineString(ground.fence.area.exterior.coords[:2])
    east_m, north_m = ring.interpolate(0.5, normalized=True).coords[0]
    (x0, y0), (x1, y1) = ring.coords
    inwards = np.array([y0 - y1, x1 - x0]) / ring.length
    if not ground.fence.area.contains(shapely.Point(np.add((east_m, north_m), inwards))):
        inwards = -inwards
    for way_m, on in ((0.299, False), (0.301, True)):
        here = np.add((east_m, north_m), way_m * inwards)
        assert by_hand(ground, place(*here), 4).grant.drive is on
        assert by_hand(ground, place(*here), 5).grant.drive is False


# Scenarios


def test_scenarios_ship() -> None:
    assert len(SCENARIOS) >= 10


@pytest.mark.parametrize("file", SCENARIOS, ids=lambda file: file.stem)
def test_a_scenario_holds(ground: Ground, file: Path) -> None:
    read = scenario.read(file)
    assert read.about
    verdict = scenario.check(read._replace(runs=2), ground, seed=1)
    assert verdict.holds, verdict.broken


GOOD = """\
about: Something.
runs: 3
lasts_s: 60
timeline:
  - {at_s: 30, silent: true}
must:
  - never locked
"""


def written(directory: Path, text: str) -> Path:
    file = directory / "trial.yaml"
    file.write_text(text)
    return file


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
    assert (read.name, read.about, read.runs, read.lasts_s) == ("trial", "Something.", 3, 60.0)
    assert [at_s for at_s, _ in read.changes] == [30.0]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("runs:", "drills:", "drills: unknown key; known are about, lasts_s, must, runs, timeline"),
        ("runs: 3", "runs: 0", "runs: is 0; it must be a whole number from 1 to 10000"),
        ("runs: 3", "runs: many", "runs: is 'many'; it must be a whole number from 1"),
        ("lasts_s: 60", "lasts_s: 24", "lasts_s: is 24; it must be above 24, up to 86400"),
        ("timeline:\n  - {at_s: 30, silent: true}", "", "timeline: missing or not a list; write"),
        ("\n  - {at_s: 30, silent: true}", " soon", "timeline: missing or not a list; write"),
        ("must:\n  - never locked", "", "must: missing or not a list; write such as - halted"),
        ("\n  - never locked", " never locked", "must: missing or not a list; write such as"),
        ("at_s: 30", "at_s: 23.9", "timeline.0: at_s is 23.9; it must be from 24"),
        ("at_s: 30", "at_s: 60", "timeline.0: at_s is 60; it must be from 24"),
        ("at_s: 30", "at_s: .nan", "timeline.0: at_s is nan; it must be from 24"),
        ("at_s: 30, ", "", "timeline.0: at_s is None; it must be from 24"),
        ("{at_s: 30, silent: true}", "silence", "timeline.0: at_s is None; it must be from"),
        ("silent:", "quiet:", "timeline.0.quiet: unknown; known are buffered_s, clock_step_s"),
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
        ("", "not a mapping with the keys about, lasts_s, must"),
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


# The command


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(COLUMNS))


def command(*words: str | Path) -> int:
    return main(["drill", "--settings", str(SETTINGS), *map(str, words)])


def test_scenarios_that_hold_and_that_do_not(
    tmp_path: Path, narrow: None, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    short = GOOD.replace("runs: 3", "runs: 1").replace("lasts_s: 60", "lasts_s: 33")
    good.write_text(short.replace("never locked", "halted within 1.8 s"))
    bad.write_text(short.replace("never locked", "never halted"))
    assert command(good) == 0
    assert capsys.readouterr().out == "holds   good: Something.\n"
    assert command(bad) == 1
    out = capsys.readouterr().out
    assert out == "BROKEN  bad: Something.\n        never halted: not in 1 of 1 drills\n"
    assert command(good, bad, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert [list(one) for one in told["scenarios"]] == [["name", "runs", "holds", "broken"]] * 2
    assert [one["holds"] for one in told["scenarios"]] == [True, False]
    assert told["scenarios"][1]["broken"] == {"never halted": [0]}


class Refusing(ThreadPoolExecutor):
    """Runs nothing."""

    def submit(self, fn: Any, /, *args: Any, **how: Any) -> Future[Any]:
        raise AssertionError("a drill is run again")


def test_a_campaign(
    tmp_path: Path,
    narrow: None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["--runs", "3", "--fault", "silence", "--fault", "slow_drift"]
    words += ["--fault", "correction_loss"]
    words += ["--results", str(tmp_path / "results.jsonl")]
    assert command(*words) == 0
    done = capsys.readouterr()
    assert max(map(len, done.out.splitlines())) <= COLUMNS
    assert done.err == ""
    for word in (
        "silence",
        "slow_drift",
        "correction_loss",
        "  by hand",
        "interventions and",
    ):
        assert word in done.out
    assert "…" not in done.out
    assert {len(line) for line in done.out.splitlines() if line.startswith("│")} <= {
        len(line) for line in done.out.splitlines() if line.endswith("┘")
    }
    before = (tmp_path / "results.jsonl").read_bytes()
    monkeypatch.setattr(drill_command, "ProcessPoolExecutor", Refusing)
    assert command(*words, "--json") == 0
    assert (tmp_path / "results.jsonl").read_bytes() == before
    told = json.loads(capsys.readouterr().out)
    assert list(told) == ["faults", "undetectable"]
    assert list(told["undetectable"]) == ["slow_drift"]
    assert list(told["faults"]) == [
        "all",
        "correction_loss",
        "detectable",
        "silence",
        "slow_drift",
    ]
    assert {name: one["runs"] for name, one in told["faults"]["all"].items()} == {
        "supervised": 3,
        "hand_written": 3,
    }
    assert command(*words, "--seed", "2") == 2
    assert "results of another plan" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert command(*words, "--plot", tmp_path / "p.png") == 2
    told_then = capsys.readouterr()
    assert told_then.out == ""
    assert told_then.err.startswith("fenceguard drill: the picture needs matplotlib: pip install")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--runs", "0"), "0 is not a whole number from 1 to 10000000"),
        (("--jobs", "-1"), "-1 is not a whole number"),
        (("--fault", "nosuch"), "invalid choice: 'nosuch'"),
        (("--policy", "nobody"), "invalid choice: 'nobody'"),
        (("--seed", "one"), "invalid int value: 'one'"),
    ],
)
def test_bad_options(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str) -> None:
    with pytest.raises(SystemExit) as ended:
        command(*words)
    assert ended.value.code == 2
    assert told in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("no.yaml",), "no.yaml: the scenario cannot be read: No such file or directory"),
        (("--faults", "pairs", "--fault", "float"), "pairs of faults need two of them, and there"),
        (("--faults", "none", "--fault", "float"), "drills without faults cannot have float"),
        (("--plot", "/nowhere/p.png"), "/nowhere/p.png: cannot be written: No such"),
        (("--results", "/nowhere/r.jsonl"), "/nowhere/r.jsonl: cannot be written: No such"),
        (("--set", "limits.silence.halted=soon"), "limits.silence.halted"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str) -> None:
    assert command(*words) == 2
    done = capsys.readouterr()
    assert done.out == ""
    (line,) = done.err.splitlines()
    assert line.startswith("fenceguard drill: ")
    assert told in line


def test_a_cluster_needs_its_extra(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert command("--scheduler", "tcp://127.0.0.1:9") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == (
        'fenceguard drill: --scheduler needs the extra "cluster": pip install "fenceguard[cluster]"'
    )
