"""The faults of the drills: each is drawn at random, and does to the world what its name says."""

import math
from collections.abc import Iterator
from itertools import pairwise
from random import Random
from typing import Any

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.receiver.sentences import AccuracySentence
from fenceguard.simulator.body import Pose
from fenceguard.simulator.fault import World, ramp
from fenceguard.simulator.faults import FAULTS
from fenceguard.simulator.gnss import Gnss
from fenceguard.simulator.makes import MAKES, Make
from fenceguard.simulator.state import State

ORIGIN = (-31.4, -123.7, 42.0)
DRIVING = Pose(3.0, 4.0, math.radians(30.0), 0.5)
ONE_SIZE = {"wall", "ignores_slow", "ignores_halt", "sigma_lie", "leap_second"}
LASTING = {
    *("wrong_fix", "shifted_fence", "step", "slow_drift", "off_on_silence", "off_on_restart"),
    *("geoid_lost", "course_lost", "speed_lost", "wall", "ignores_slow", "ignores_halt"),
    *("sigma_lie", "clock_stepped", "utc_back", "leap_second", "tiny_sigma", "hdop_zero"),
    "leaning",
}
"""What leaves something behind that is not as before."""
AT_THE_NEXT_EPOCH = {"unplug", "date_ahead", "epoch_ahead"}
"""What is mended by the receiver when it sends."""


def told(state: Any) -> dict[str, Any]:
    return {key: value for key, value in vars(state).items() if key != "state"}


def after(name: str, seed: int, until_s: float = math.inf) -> World:
    """The world after a fault's stages up to a time."""
    random, world = Random(seed), World(State())
    for stage in sorted(FAULTS[name].stages(random), key=lambda one: one.after_s):
        if stage.after_s <= until_s:
            stage.change(world, random)
    return world


def drawn(name: str, seed: int) -> str:
    world = after(name, seed, 0.5)
    times_s = [one.after_s for one in FAULTS[name].stages(Random(seed))]
    return str((times_s, told(world), told(world.state)))


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_drawn_from_the_seed_alone(name: str) -> None:
    assert [drawn(name, seed) for seed in range(12)] == [drawn(name, seed) for seed in range(12)]
    assert (len({drawn(name, seed) for seed in range(12)}) == 1) == (name in ONE_SIZE)


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_begins_at_once_and_mends_what_does_not_last(name: str) -> None:
    lasts = False
    for seed in range(20):
        assert 0.0 <= min(one.after_s for one in FAULTS[name].stages(Random(seed))) <= 0.5
        world, untouched = after(name, seed), World(State())
        lasts |= told(world) != told(untouched) or told(world.state) != told(untouched.state)
    assert lasts == (name in LASTING | AT_THE_NEXT_EPOCH)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(0.1, 10.0), st.floats(0.02, 1.0))
def test_a_ramp_goes_evenly_to_its_end(
    east_m: float, north_m: float, lasts_s: float, step_s: float
) -> None:
    world = World(State())
    for stage in ramp("lean_m", (east_m, north_m), lasts_s, step_s):
        stage.change(world, Random(1))
        share = stage.after_s / lasts_s
        assert world.state.lean_m == pytest.approx((east_m * share, north_m * share))
    assert world.state.lean_m == pytest.approx((east_m, north_m))


# What the receiver then says


def receiver(make: Make = MAKES["5hz"], seed: int = 1, **state: Any) -> Gnss:
    gnss = Gnss(Random(seed), ORIGIN, 7, make)
    for key, value in {"lost": 0.0, "garbled": 0.0, **state}.items():
        assert hasattr(gnss.state, key)
        setattr(gnss.state, key, value)
    return gnss


def says(gnss: Gnss, count: int, pose: Pose = DRIVING, first: int = 0) -> Iterator[dict[str, Any]]:
    """Sentences by type, epoch by epoch."""
    for number in range(first, first + count):
        east, north = pose.velocity_mps()
        now_s = number / gnss.make.rate_hz
        here = pose._replace(
            east_m=pose.east_m + east * now_s, north_m=pose.north_m + north * now_s
        )
        sent = gnss.epoch(now_s, here)
        assert sent is not None
        lines = sent.data.decode("ascii").splitlines()
        yield {
            one.sentence_type: one for one in (pynmea2.parse(line, check=True) for line in lines)
        }


@pytest.mark.parametrize("name", MAKES)
def test_a_make_tells_what_it_says_as_often_as_it_says(name: str) -> None:
    make = MAKES[name]
    epochs = list(says(receiver(make), 10 * make.rate_hz))
    counts = {kind: sum(kind in one for one in epochs) for kind in ("GGA", "RMC", "HDT", "GST")}
    assert counts == {
        "GGA": 10 * make.rate_hz,
        "RMC": 10 * make.speed_hz,
        "HDT": 10 * make.heading_hz,
        "GST": 10 * make.rate_hz * make.gst,
    }
    clocks = [one["GGA"].timestamp for one in epochs]
    assert len(set(clocks)) == len(clocks)


def test_at_rest_some_leave_the_course_out() -> None:
    for name, empty in (("5hz", False), ("no_course_at_rest", True)):
        for speed_mps in (0.0, 0.5):
            pose = DRIVING._replace(speed_mps=speed_mps)
            (one,) = says(receiver(MAKES[name]), 1, pose)
            assert (one["RMC"].true_course is None) == (empty and speed_mps == 0.0)


def test_the_receivers_own_accuracy_sentence_is_sent_as_the_settings_read_it() -> None:
    accuracy = AccuracySentence("PXYZ,03", 5, 0.001 / 2.4477)
    gnss = Gnss(Random(1), ORIGIN, 7, MAKES["no_gst"], accuracy=accuracy)
    gnss.state.lost = gnss.state.garbled = 0.0
    gnss.state.sigma_m = 0.02
    sent = gnss.epoch(0.0, DRIVING)
    assert sent is not None
    (line,) = (one for one in sent.data.decode().splitlines() if one.startswith("$PXYZ,03,"))
    fields = line.partition("*")[0].split(",")
    assert float(fields[5]) * accuracy.sigma_m_per_unit == pytest.approx(0.02, abs=1e-6)
    assert fields[2:5] == ["", "", ""]


def test_a_position_that_is_held_is_the_same_to_the_last_digit_while_all_else_goes_on() -> None:
    gnss = receiver()
    (before,) = says(gnss, 1)
    gnss.state.place_held = True
    held = list(says(gnss, 20, first=1))
    for one in held:
        assert one["GGA"].data[1:5] == before["GGA"].data[1:5]
        assert one["GGA"].altitude == before["GGA"].altitude
    assert len({one["GGA"].timestamp for one in held}) == 20
    assert len({one["RMC"].spd_over_grnd for one in held}) > 10
    gnss.state.motion_held = True
    later = list(says(gnss, 20, first=21))
    assert len({(one["RMC"].spd_over_grnd, one["RMC"].true_course) for one in later}) == 1
    assert len({one["HDT"].heading for one in later}) == 1


def test_what_is_left_out_is_empty_or_does_not_come() -> None:
    (one,) = says(receiver(course=False, geoid=False, gst=False), 1)
    assert one["RMC"].true_course is None
    assert one["RMC"].spd_over_grnd == pytest.approx(0.5 * 3600.0 / 1852.0, abs=0.2)
    assert one["GGA"].geo_sep == ""
    assert "GST" not in one
    (one,) = says(receiver(speed=False), 1)
    assert list(one) == ["GGA", "GST", "HDT"]


def test_lies_about_itself() -> None:
    (one,) = says(receiver(sigma_m=0.001, hdop=0.0, heading_off_deg=30.0), 1)
    assert float(one["GST"].std_dev_latitude) == float(one["GST"].std_dev_longitude) == 0.001
    assert float(one["GGA"].horizontal_dil) == 0.0
    assert float(one["HDT"].heading) == pytest.approx(60.0, abs=3.0)


def seconds(one: dict[str, Any]) -> float:
    moment = one["RMC"].datetime
    return float(moment.timestamp())


def test_one_epoch_or_its_date_ahead_is_one_epoch() -> None:
    for key, value, ahead_s in (("utc_ahead_s", 2.0, 2.0), ("date_ahead_days", 1, 86400.0)):
        gnss = receiver()
        times_s = [seconds(one) for one in says(gnss, 3)]
        setattr(gnss.state, key, value)
        times_s += [seconds(one) for one in says(gnss, 3, first=3)]
        expected_s = [times_s[0] + 0.2 * n + ahead_s * (n == 3) for n in range(6)]
        assert times_s == pytest.approx(expected_s, abs=0.011)


def test_a_fast_clock_runs_fast_and_then_keeps_its_lead() -> None:
    gnss = receiver(utc_rate=5.0)
    fast_s = [seconds(one) for one in says(gnss, 10)]
    gnss.state.utc_rate = 1.0
    after_s = [seconds(one) for one in says(gnss, 10, first=10)]
    steps_s = [b - a for a, b in pairwise(fast_s)]
    assert steps_s == pytest.approx([1.0] * 9, abs=0.02)
    assert after_s[-1] - after_s[0] == pytest.approx(1.8, abs=0.02)
    assert after_s[0] - fast_s[-1] == pytest.approx(0.2, abs=0.02)


def test_noise_grows_by_as_much_as_is_said() -> None:
    spreads_m = []
    for times in (1.0, 4.0):
        gnss = receiver(error_times=times)
        errors_m = []
        for number in range(400):
            sent = gnss.epoch(number / 5, DRIVING)
            assert sent is not None
            errors_m.append(math.dist(sent.reported_m, sent.truth_m))
        spreads_m.append(sum(errors_m))
    assert spreads_m[1] / spreads_m[0] == pytest.approx(4.0)


def test_a_lean_moves_the_antenna_and_its_speed_agrees() -> None:
    """Half a metre aside within two seconds, and then no more."""
    plain, leaning = receiver(), receiver()
    for number in range(20):
        east_m = min(0.5, 0.05 * number)
        leaning.state.lean_m = (east_m, 0.0)
        standing = DRIVING._replace(speed_mps=0.0)
        sent = [gnss.epoch(number / 5, standing) for gnss in (plain, leaning)]
        assert sent[0] is not None
        assert sent[1] is not None
        assert sent[1].reported_m[0] - sent[0].reported_m[0] == pytest.approx(east_m)
        knots = [float(one.data.split(b"RMC")[1].split(b",")[7]) for one in sent if one is not None]
        moving_mps = 0.25 if 0 < number <= 10 else 0.0
        assert knots[1] * 1852.0 / 3600.0 == pytest.approx(moving_mps, abs=0.07)
