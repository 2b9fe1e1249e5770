"""The simulated receiver: what it sends, and what may be wrong with it."""

import math
from collections.abc import Iterator
from random import Random
from typing import Any

import numpy as np
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymap3d import geodetic2enu
from pyproj import Geod

from fenceguard.simulator.body import Pose
from fenceguard.simulator.gnss import (
    DECIMALS,
    KEEPS_FIX_S,
    LATENCY_S,
    OTHER_STATIONS,
    SHADOW_M,
    STATION,
    WALL_AHEAD_M,
    Gnss,
    Sent,
    _Globe,
)
from fenceguard.simulator.state import FIXED, FLOAT, LATER_S, SINGLE, SOON_S, Kind

RATE_HZ = 5
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
    (one,) = sent(receiver(foreign=True), 1)
    assert parsed(one.data)["GGA"].ref_station_id == OTHER_STATIONS[0]
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
