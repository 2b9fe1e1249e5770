"""Drills: one of them, the simulated mower, what is watched, and the rule by hand."""

import math
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pymap3d import enu2geodetic

from fenceguard.drill.drill import Ground, run
from fenceguard.drill.policies import SHRUNK_BY_M, HandWritten
from fenceguard.drill.result import TOUCH_M, Result
from fenceguard.drill.watch import Outside
from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant
from fenceguard.settings import Loaded, load
from fenceguard.simulator import nmea
from fenceguard.simulator.body import STEP_S, Body, along
from fenceguard.simulator.controllers import OBEYS
from fenceguard.simulator.faults import FAULTS
from fenceguard.simulator.routes import EDGE, STRIPES, Route
from tests.support.drills import SETTINGS
from tests.support.lawns import collection, polygon, write_settings


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


# The simulated mower


STRAIGHT = Route([(0.0, 0.1 * n) for n in range(1000)], [0.5] * 1000, [0.5] * 1000, STRIPES)
ALL = Grant(True, True, False, False, 0.5 / OBEYS, math.inf)
NOTHING = Grant(False, False, False, False, 0.0, math.inf)


def drive(body: Body, grant: Grant, lasts_s: float, begin_s: float = 0.0) -> None:
    for number in range(round(lasts_s / STEP_S)):
        body.step(begin_s + number * STEP_S, grant)


@pytest.mark.parametrize("seed", range(20))
def test_the_mower_stops_in_its_own_stopping_distance(seed: int) -> None:
    """Way while nothing happens yet and while braking, v t + v²/(2 a): any text on kinematics."""
    body = Body(Random(seed), STRAIGHT, along(STRAIGHT, 0))
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
    body = Body(Random(seed), STRAIGHT, along(STRAIGHT, 0))
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
            body = Body(Random(1), STRAIGHT, along(STRAIGHT, 0))
            drive(body, ALL, 5.0)
            body.will.ignores = {ignores} - {""}
            drive(body, grant, 5.0, 5.0)
            speeds_mps[ignores, word] = body.pose.speed_mps
    assert 0.9 * 0.2 * OBEYS <= speeds_mps["", "slow"] <= 0.2 * OBEYS
    assert speeds_mps["slow", "slow"] >= 0.9 * 0.5
    assert speeds_mps["", "halt"] == speeds_mps["slow", "halt"] == 0.0
    assert speeds_mps["halt", "halt"] >= 0.9 * 0.25


def test_the_controller_hears_of_a_lower_speed_a_moment_later() -> None:
    body = Body(Random(1), STRAIGHT, along(STRAIGHT, 0))
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
        body = Body(Random(number), route, along(route, 0))
        for step in range(round(200.0 / STEP_S)):
            body.step(step * STEP_S, ALL)
            body.believe(body.pose[:2])
            off_m = line.distance(shapely.Point(body.pose[:2]))
            assert off_m <= (0.05 if route.kind == EDGE else CORNER_CUT_M), (number, step)


def test_routes_keep_the_footprint_inside_and_edge_laps_near_the_line(ground: Ground) -> None:
    assert {route.kind for route in ground.routes} == {EDGE, STRIPES}
    for route in ground.routes:
        clearances_m = []
        for n, (east_m, north_m) in enumerate(route.points_m[:-1]):
            after = route.points_m[n + 1]
            heading_deg = math.degrees(math.atan2(after[0] - east_m, after[1] - north_m))
            clearances_m.append(
                ground.footprint.clearance(ground.fence, east_m, north_m, heading_deg).metres
            )
        assert min(clearances_m) > 0.05
        if route.kind == EDGE:
            # Beside every straight side the lap is where it should be, and it never is far nearer.
            assert min(clearances_m) > 0.07
            assert sum(0.09 <= one_m <= 0.101 for one_m in clearances_m) > 0.4 * len(clearances_m)


# What is watched


@pytest.mark.parametrize("seed", range(4))
def test_the_watch_misses_nothing(ground: Ground, seed: int) -> None:
    """Against a look at every single step."""
    random = Random(seed)
    route = ground.routes[seed % len(ground.routes)]
    body = Body(random, route, along(route, random.randrange(len(route.points_m))))
    body.will.ignores = {"halt"}
    watch = Outside(ground.fence, ground.footprint)
    shift_m = (0.0, 0.0)
    blade_out_m = drive_out_m = 0.0
    for step in range(round(90.0 / STEP_S)):
        now_s = step * STEP_S
        if step % 400 == 200:
            shift_m = (random.uniform(-0.6, 0.6), random.uniform(-0.6, 0.6))
        body.step(now_s, ALL if step % 200 < 100 else NOTHING)
        watch.look(body, shift_m, False)
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
    if route.kind == EDGE:
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
