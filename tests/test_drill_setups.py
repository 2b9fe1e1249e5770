"""Who mows where in a drill: controllers, lawns, receivers, the axle; and what proves nothing."""

import json
import math
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.cli import main
from fenceguard.drill.campaign import plan_of
from fenceguard.drill.drill import BACKS_M, Course, Ground, Grounds, play, run
from fenceguard.drill.lawns import LAWNS, NAMES, PASSAGES_M, lawn_of
from fenceguard.drill.policies import POLICIES, Supervised
from fenceguard.drill.result import FULL_BEFORE_S, FULL_WITHIN_S, Setup
from fenceguard.drill.watch import Tally
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Decision, Grant, Inputs, Rung
from fenceguard.lawn.geojson import STATIONS
from fenceguard.settings import Loaded, load
from fenceguard.simulator.body import SPEEDS, STEP_S, Body, Pose, Start, along
from fenceguard.simulator.controllers import CONTROLLERS, OBEYS
from fenceguard.simulator.makes import MAKES
from fenceguard.simulator.motion import MOTIONS
from fenceguard.simulator.routes import EDGE, LANES, STRIPES, TURNING_MPS, WAY, Route
from tests.support.drills import SETTINGS
from tests.support.lawns import lawn_with_pond, write_settings

ALL = Grant(True, True, False, False, 0.5, math.inf)
STRAIGHT = Route([(0.0, 0.1 * n) for n in range(1000)], [0.4] * 1000, [0.5] * 1000, STRIPES)


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    return load(SETTINGS)


@pytest.fixture(scope="module")
def grounds() -> Grounds:
    return Grounds(SETTINGS)


# Who and where


def test_each_drill_draws_who_mows_where_by_seed_and_number(loaded: Loaded) -> None:
    every = tuple(CONTROLLERS), NAMES, tuple(MAKES), MOTIONS
    plan = plan_of(loaded, (), 1, "single", (), ("supervised",), 30.0, *every)
    drawn = [plan.setup_of(number) for number in range(600)]
    assert drawn == [plan.setup_of(number) for number in range(600)]
    assert drawn != [plan._replace(seed=2).setup_of(number) for number in range(600)]
    for names, there in zip(zip(*drawn, strict=True), every, strict=True):
        assert set(names) == set(there)
        shares = [names.count(name) / 600 * len(there) for name in there]
        assert 0.6 < min(shares) <= max(shares) < 1.4
    usual = plan_of(loaded, (), 1, "single", (), ("supervised",), 30.0)
    assert {usual.setup_of(number) for number in range(50)} == {Setup()}


def test_the_faults_do_not_go_with_the_controllers(loaded: Loaded) -> None:
    faults = ("silence", "step", "float")
    plan = plan_of(loaded, (), 1, "single", faults, ("supervised",), 30.0, tuple(CONTROLLERS))
    pairs = {(plan.faults_of(n)[0], plan.setup_of(n).controller) for n in range(90)}
    assert len(pairs) == len(faults) * len(CONTROLLERS)


def test_a_fence_with_stations_is_mown_with_its_own(tmp_path: Path) -> None:
    lawn = lawn_with_pond()
    lawn["features"][0]["properties"][STATIONS] = ["0777", "0778"]
    ground = Ground(load(write_settings(tmp_path, lawn)))
    result = run(ground, "supervised", ("station_change",), 1, 0)
    assert result.proves
    assert result.full_before_s == FULL_WITHIN_S
    assert result.reached_s["halted"] < 1.0


def test_a_station_that_is_the_fences_is_not_another_one(tmp_path: Path) -> None:
    """Whatever the name of the fence's."""
    lawn = lawn_with_pond()
    lawn["features"][0]["properties"][STATIONS] = ["0043"]
    ground = Ground(load(write_settings(tmp_path, lawn)))
    assert "halted" in run(ground, "supervised", ("station_change",), 1, 0).reached_s


# What proves nothing


NEVER_FULL = "limits.satellites.slowed=30"


def test_a_drill_that_is_never_at_full_proves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["drill", "--settings", str(SETTINGS), "--runs", "3", "--fault", "step"]
    words += ["--policy", "supervised", "--controller", "plans_ahead", "--set", NEVER_FULL]
    words += ["--results", str(tmp_path / "results.jsonl")]
    assert main([*words, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["proves_nothing"] == 3
    step = told["faults"]["step"]["supervised"]
    assert (step["runs"], step["proves_nothing"]) == (0, 3)
    assert (step["granted_out"], step["hours"], step["full_share"]) == (0, 0.0, None)
    assert step["before"]["full_share"] == 0.0
    assert main(words) == 1
    out = capsys.readouterr().out
    assert "3 drills prove nothing: before the fault the mower was at full for less" in out
    assert "0+3" in out


def test_a_scenario_that_is_never_at_full_does_not_hold(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "quiet.yaml"
    file.write_text(
        "about: Quiet.\nruns: 2\nlasts_s: 40\n"
        "timeline:\n  - {at_s: 35, silent: true}\nmust:\n  - blade never past the fence\n"
    )
    words = ["drill", str(file), "--settings", str(SETTINGS)]
    assert main(words) == 0
    assert capsys.readouterr().out == "holds   quiet: Quiet.\n"
    assert main([*words, "--set", NEVER_FULL]) == 1
    assert "2 of 2 drills prove nothing" in capsys.readouterr().out


class Told:
    """A policy that does as it is told."""

    decision: Decision | None = None

    def __init__(self) -> None:
        self.be(Rung.FULL)

    def be(self, rung: Rung) -> None:
        self.rung = rung
        self.grant = ALL._replace(blade=rung < Rung.BLADE_OFF, drive=rung < Rung.HALTED)

    def feed(self, data: bytes, at_s: float) -> None:
        raise AssertionError

    def tick(self, now_s: float) -> None:
        raise AssertionError

    def sense(self, now_s: float, inputs: Inputs) -> None:
        raise AssertionError


@given(st.lists(st.booleans(), min_size=1, max_size=700))
@settings(max_examples=50)
def test_time_at_full_counts_as_far_back_as_is_told(fulls: list[bool]) -> None:
    tally, policy = Tally(1000.0), Told()
    for number, full in enumerate(fulls):
        policy.be(Rung.FULL if full else Rung.SLOWED)
        tally.count(number * STEP_S, policy, None)
    lately = fulls[-round(FULL_WITHIN_S / STEP_S) :]
    assert tally.full_lately_s == pytest.approx(sum(lately) * STEP_S)
    assert tally.ready == (sum(lately) >= round(FULL_BEFORE_S / STEP_S))


def test_blade_stops_and_interventions_are_two_things() -> None:
    """Slowed once, then the blade off, then halted: two interventions, one loss of the blade."""
    tally, policy = Tally(40.0), Told()
    way = [Rung.FULL, Rung.SLOWED, Rung.FULL, Rung.BLADE_OFF, Rung.HALTED, Rung.FULL]
    for begin_s in (30.0, 50.0):
        for number, rung in enumerate(way):
            policy.be(rung)
            tally.count(begin_s + number, policy, None)
    assert (tally.interventions, tally.blade_stops, tally.halts) == (4, 2, 2)
    assert tally.honest_blade_stops == 1
    assert tally.honest_full_s == pytest.approx(3 * STEP_S)


def test_a_fault_waits_until_the_mower_is_at_full(
    grounds: Grounds, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = run(grounds.of(), "supervised", ("silence",), 1, 3)
    assert plain.fault_at_s is not None

    class Late(Supervised):
        """As the supervised one, that nobody lets mow for a long time."""

        def tick(self, now_s: float) -> None:
            super().tick(now_s)
            if now_s < 65.0:
                self.rung = Rung.HALTED

    monkeypatch.setitem(POLICIES, "late", Late)
    late = run(grounds.of(), "late", ("silence",), 1, 3)
    assert late.fault_at_s == pytest.approx(65.0 + FULL_BEFORE_S, abs=1.0)
    assert late.proves


# What the controller tells of its motion


def found(grounds: Grounds, motion: str, faults: tuple[str, ...]) -> set[str]:
    """Which monitors speak in some drills."""
    names: set[str] = set()

    class Noted(Supervised):
        def _take(self, decisions: list[Decision]) -> None:
            super()._take(decisions)
            names.update(one.monitor for decision in decisions for one in decision.findings)

    setup = Setup(lawn="small", motion=motion)
    with pytest.MonkeyPatch.context() as patched:
        patched.setitem(POLICIES, "noted", Noted)
        for number in range(2):
            run(grounds.of("small"), "noted", faults, 1, number, 100.0, setup)
    return names


def test_wheels_and_gyro_of_an_honest_mower_agree_with_its_receiver(grounds: Grounds) -> None:
    assert not found(grounds, "told", ()) & {"wheels", "yaw"}


@pytest.mark.parametrize(("fault", "monitor"), [("carried", "wheels"), ("heading_off", "yaw")])
def test_what_they_contradict_is_found_where_they_are_told(
    grounds: Grounds, fault: str, monitor: str
) -> None:
    assert monitor in found(grounds, "told", (fault,))
    assert monitor not in found(grounds, "untold", (fault,))


# Controllers


@pytest.mark.parametrize(
    ("name", "grant", "limit_mps"),
    [
        ("lines_alone", ALL._replace(top_speed_mps=0.1), SPEEDS.full_mps),
        ("lines_alone", ALL._replace(slow=True, top_speed_mps=0.1), SPEEDS.slowed_mps),
        ("lines_alone", ALL._replace(drive=False, top_speed_mps=0.1), 0.0),
        ("told_speed", ALL._replace(top_speed_mps=0.37), 0.37),
        ("told_speed", ALL._replace(slow=True, top_speed_mps=0.37), 0.37),
        ("plans_ahead", ALL._replace(top_speed_mps=0.37), OBEYS * 0.37),
    ],
)
def test_what_a_controller_keeps_to(name: str, grant: Grant, limit_mps: float) -> None:
    assert CONTROLLERS[name].limit_mps(grant, SPEEDS) == limit_mps


def test_only_who_plans_slows_down_for_more_than_turns(grounds: Grounds) -> None:
    for route in grounds.of("small").routes:
        plans, lines = (CONTROLLERS[n].planned_mps(route) for n in ("plans_ahead", "lines_alone"))
        assert all(a <= b for a, b in zip(plans, lines, strict=True))
        assert (min(lines) == TURNING_MPS) == (route.kind != EDGE)
    assert STRAIGHT.turning_mps == CONTROLLERS["told_speed"].planned_mps(STRAIGHT)


def test_a_controller_drives_as_it_wants(grounds: Grounds) -> None:
    speeds_mps = {}
    for name, controller in CONTROLLERS.items():
        body = Body(Random(1), STRAIGHT, along(STRAIGHT, 0), controller)
        for step in range(100):
            body.step(step * STEP_S, ALL._replace(top_speed_mps=0.3))
        speeds_mps[name] = body.axle.speed_mps
    wanted_mps = {"lines_alone": 0.5, "told_speed": 0.3, "plans_ahead": 0.3 * OBEYS}
    # Wheels slip by up to 4 %.
    assert all(0.95 * wanted_mps[n] <= speeds_mps[n] <= wanted_mps[n] for n in wanted_mps)


# The axle


@given(st.floats(-0.5, 0.5), st.floats(-0.3, 0.3), st.floats(-3.0, 3.0), st.integers(0, 99))
@settings(max_examples=60)
def test_the_antennas_velocity_is_how_its_position_changes(
    ahead_m: float, left_m: float, heading: float, seed: int
) -> None:
    """By differences, over turns on the spot, bends and straights."""
    start = Start(Pose(0.3, 0.2, heading, 0.0), 20)
    body = Body(Random(seed), STRAIGHT, start, antenna_m=(ahead_m, left_m))
    poses = []
    for step in range(200):
        body.step(step * STEP_S, ALL)
        body.believe(body.pose[:2])
        poses.append(body.pose)
        off_m = math.dist(body.pose[:2], body.axle[:2])
        assert off_m == pytest.approx(math.hypot(ahead_m, left_m))
    for before, after in pairwise(poses):
        moved_mps = [(b - a) / STEP_S for a, b in zip(before[:2], after[:2], strict=True)]
        # A step at 60 degrees a second turns the antenna by 3 degrees meanwhile.
        assert after.velocity_mps() == pytest.approx(moved_mps, abs=0.035)


def test_a_turn_on_the_spot_leaves_the_axle_where_it_is() -> None:
    body = Body(Random(1), STRAIGHT, Start(Pose(0.0, 0.0, math.pi, 0.0), 5), antenna_m=(0.3, 0.0))
    places = set()
    for step in range(40):
        body.step(step * STEP_S, ALL)
        if body.axle.speed_mps == 0.0:
            places.add(body.axle[:2])
    assert places == {(0.0, 0.0)}


def test_the_axle_is_where_the_settings_say(grounds: Grounds) -> None:
    assert grounds.of().antenna_m == (0.0, 0.0)
    antenna_m = load(SETTINGS).settings.mower.antenna_m
    axle_m = [antenna_m[0] - 0.3, antenna_m[1] + 0.1]
    ground = grounds.of(more=(f"mower.axle_m={axle_m}",))
    assert ground.antenna_m == pytest.approx((0.3, -0.1))
    assert ground.footprint.clearance(
        ground.fence, 5.0, 5.0, 30.0
    ) == grounds.of().footprint.clearance(ground.fence, 5.0, 5.0, 30.0)


# Lawns


@pytest.mark.parametrize("name", LAWNS)
def test_ways_on_made_up_lawns_keep_the_mower_inside(grounds: Grounds, name: str) -> None:
    ground = grounds.of(name)
    assert ground.fence.stations
    for route in ground.routes:
        for here, there in pairwise(route.points_m):
            heading_deg = math.degrees(math.atan2(there[0] - here[0], there[1] - here[1]))
            clearance = ground.footprint.clearance(ground.fence, *here, heading_deg)
            assert clearance.metres > 0.05, (route.kind, here)


def test_lanes_end_with_the_nose_close_before_the_fence(grounds: Grounds) -> None:
    ground = grounds.of("small")
    (lanes,) = (route for route in ground.routes if route.kind == LANES)
    west, _, east, _ = ground.fence.area.bounds
    easts = [point[0] for point in lanes.points_m]
    assert min(easts) - west == pytest.approx(0.35 + 0.3, abs=0.1)
    assert east - max(easts) == pytest.approx(0.35 + 0.3, abs=0.1)


def test_passages_are_as_wide_as_is_said_and_are_driven_through(grounds: Grounds) -> None:
    ground = grounds.of("passages")
    ways = [route for route in ground.routes if route.kind == WAY]
    widths_m = [
        2.0
        * min(ground.fence.area.boundary.distance(shapely.Point(point)) for point in route.points_m)
        for route in ways
    ]
    assert widths_m == pytest.approx(PASSAGES_M, abs=0.01)


def test_the_owners_lawn_is_the_settings_own(loaded: Loaded) -> None:
    drawn = lawn_of("own", loaded.fence)
    assert drawn.fence is loaded.fence
    assert (drawn.ways_m, drawn.field) == ((), None)


@pytest.mark.parametrize("name", LAWNS)
def test_a_mower_that_stands_before_the_fence_backs_away(grounds: Grounds, name: str) -> None:
    ground = grounds.of(name)
    for seed in range(5):
        random = Random(seed)
        route = ground.pick(random)
        start = ground.facing(random, route, (0.05, 0.25))
        nose_deg = math.degrees(start.pose.heading)
        stands = ground.footprint.clearance(ground.fence, *start.pose[:2], nose_deg).metres
        assert 0.05 <= stands <= 0.25
        body = Body(random, route, start)
        for step in range(round(2.0 / STEP_S)):
            body.step(step * STEP_S, ALL)
            assert body.axle.speed_mps <= 0.0
        gone_m = math.dist(body.axle[:2], start.pose[:2])
        assert 0.2 < gone_m < BACKS_M
        backed = ground.footprint.clearance(ground.fence, *body.pose[:2], nose_deg).metres
        assert backed > stands + 0.1 or name in ("passages", "ring")


def test_what_a_lawn_does_not_have_is_refused(grounds: Grounds) -> None:
    course = Course(("x",), [], 30.0, kind=WAY)
    with pytest.raises(BadInput, match="on the lawn small no way is of the kind way"):
        play(grounds.of("small"), "supervised", course, 1, 0)


def test_settings_of_a_scenario_go_over_those_of_the_command() -> None:
    grounds = Grounds(SETTINGS, ("mower.full_mps=0.45",))
    full_mps = [
        grounds.of(more=more).loaded.settings.mower.full_mps
        for more in ((), ("mower.full_mps=0.4",))
    ]
    assert full_mps == [0.45, 0.4]
    assert grounds.of() is grounds.of()
