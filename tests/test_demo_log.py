"""The demo recording: what it holds, measured from its bytes by means of the test's own."""

import gzip
import json
import math
import re
import subprocess
import sys
from itertools import groupby, pairwise
from pathlib import Path
from typing import NamedTuple

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.drill import demo
from fenceguard.simulator import nmea
from tests.support.nmea import checksum

DEMO = Path(__file__).parents[1] / "config" / "demo"
LINE = re.compile(rb"\\c:(\d{13})\*([0-9A-F]{2})\\\$(GN(?:GGA|RMC|GST),[^*]*)\*([0-9A-F]{2})\r\n")
OUTLINE = [(0.35, 0.25), (0.35, -0.25), (-0.25, -0.25), (-0.25, 0.25)]
"""Ahead and left of the antenna, as in the demo's settings."""
REACH_M = math.hypot(0.35, 0.25)
Point = tuple[float, float]


class Moment(NamedTuple):
    """One epoch as read here; the times count from the first epoch's UTC."""

    utc_s: float
    arrival_s: float
    quality: int
    age_s: float | None
    sigma_m: tuple[float, float]
    at: Point
    speed_mps: float
    course_deg: float | None


def degrees(text: str, hemisphere: str) -> float:
    whole, minutes = text[: text.index(".") - 2], text[text.index(".") - 2 :]
    value = int(whole) + float(minutes) / 60.0
    return -value if hemisphere in "SW" else value


def metres(lat_deg: float, lon_deg: float) -> Point:
    """East and north of the lawn's first corner, by the radii of curvature of WGS 84.

    a and 1/f: NIMA TR8350.2. Good to better than 1 mm across a lawn.
    """
    lon0, lat0, height = LAWN["features"][0]["geometry"]["coordinates"][0][0]
    a, f = 6378137.0, 1.0 / 298.257223563
    e2 = f * (2.0 - f)
    w = math.sqrt(1.0 - e2 * math.sin(math.radians(lat0)) ** 2)
    meridian, parallel = a * (1.0 - e2) / w**3 + height, a / w + height
    return (
        math.radians(lon_deg - lon0) * parallel * math.cos(math.radians(lat0)),
        math.radians(lat_deg - lat0) * meridian,
    )


LAWN = json.loads((DEMO / "lawn.geojson").read_text())
RAW = gzip.decompress((DEMO / "mowing.nmea.gz").read_bytes())
RINGS = [
    [metres(lat, lon) for lon, lat, _height in ring]
    for feature in LAWN["features"]
    for ring in feature["geometry"]["coordinates"]
]


def read() -> list[Moment]:
    lines = LINE.findall(RAW)
    moments = []
    for (tag, _, gga, _), (_, _, rmc, _), (_, _, gst, _) in zip(
        lines[0::3], lines[1::3], lines[2::3], strict=True
    ):
        g, r, s = (body.decode().split(",") for body in (gga, rmc, gst))
        assert (g[0], r[0], s[0]) == ("GNGGA", "GNRMC", "GNGST")
        assert g[1] == r[1] == s[1]
        of_day = int(g[1][:2]) * 3600 + int(g[1][2:4]) * 60 + float(g[1][4:])
        moments.append(
            Moment(
                utc_s=of_day - 9 * 3600,
                arrival_s=int(tag) / 1000.0 % 86400.0 - 9 * 3600,
                quality=int(g[6]),
                age_s=float(g[13]) if g[13] else None,
                sigma_m=(float(s[6]), float(s[7])),
                at=metres(degrees(g[2], g[3]), degrees(g[4], g[5])),
                speed_mps=float(r[7]) * 1852.0 / 3600.0,
                course_deg=float(r[8]) if r[8] else None,
            )
        )
    return moments


def to_segment_m(point: Point, a: Point, b: Point) -> float:
    along = (b[0] - a[0], b[1] - a[1])
    share = (point[0] - a[0]) * along[0] + (point[1] - a[1]) * along[1]
    share = min(1.0, max(0.0, share / (along[0] ** 2 + along[1] ** 2)))
    return math.dist(point, (a[0] + share * along[0], a[1] + share * along[1]))


def footprint_to_rings_m(moment: Moment) -> float:
    """Least distance of the footprint, outside every ring line, to any of them.

    Of two shapes that do not meet, a corner of one is nearest to the other. Without a course the
    footprint may be turned any way.
    """
    if moment.course_deg is None:
        return min(to_segment_m(moment.at, *e) for ring in RINGS for e in pairwise(ring)) - REACH_M
    sin = math.sin(math.radians(moment.course_deg))
    cos = math.cos(math.radians(moment.course_deg))
    corners = [
        (moment.at[0] + ahead * sin - left * cos, moment.at[1] + ahead * cos + left * sin)
        for ahead, left in OUTLINE
    ]
    sides = list(pairwise([*corners, corners[0]]))
    return min(
        min(min(to_segment_m(c, *edge) for c in corners) for r in RINGS for edge in pairwise(r)),
        min(min(to_segment_m(point, *side) for side in sides) for r in RINGS for point in r),
    )


def spans(moments: list[Moment], within: list[bool]) -> list[tuple[float, float]]:
    """First and last UTC of each run of epochs for which it holds."""
    runs = groupby(zip(moments, within, strict=True), key=lambda pair: pair[1])
    held = [[moment.utc_s for moment, _ in run] for holds, run in runs if holds]
    return [(run[0], run[-1]) for run in held]


MOMENTS = read()
DISTANCES_M = [footprint_to_rings_m(moment) for moment in MOMENTS]


def float_spans() -> list[tuple[float, float]]:
    return spans(MOMENTS, [m.quality == 5 for m in MOMENTS])


def outage_spans() -> list[tuple[float, float]]:
    return spans(MOMENTS, [m.age_s is not None and m.age_s > 2.0 for m in MOMENTS])


def silence_spans() -> list[tuple[float, float]]:
    return [(a.utc_s, b.utc_s) for a, b in pairwise(MOMENTS) if b.utc_s - a.utc_s > 0.25]


def approach_spans() -> list[tuple[float, float]]:
    return spans(MOMENTS, [distance_m < 1.5 for distance_m in DISTANCES_M])


def test_the_committed_files_follow_from_the_seed(tmp_path: Path) -> None:
    demo.write(tmp_path, seed=1, rate_hz=5, duration_s=300.0)
    assert (tmp_path / "lawn.geojson").read_bytes() == (DEMO / "lawn.geojson").read_bytes()
    again = (tmp_path / "mowing.nmea.gz").read_bytes()
    # Compression libraries differ in the bytes that they pack into, not in what they unpack.
    assert gzip.decompress(again) == RAW
    assert again[4:8] == bytes(4), "the header tells a time (RFC 1952, MTIME)"


def test_every_byte_belongs_to_a_tagged_sentence_with_both_checksums_right() -> None:
    lines = LINE.findall(RAW)
    assert b"".join(b"\\c:%b*%b\\$%b*%b\r\n" % line for line in lines) == RAW
    for tag, tag_sum, body, body_sum in lines:
        assert int(tag_sum, 16) == checksum(b"c:" + tag)
        assert int(body_sum, 16) == checksum(body)
        pynmea2.parse(f"${body.decode()}*{body_sum.decode()}", check=True)


def test_it_lasts_five_minutes_at_5_hz_and_arrives_a_little_late() -> None:
    assert MOMENTS[0].utc_s == 0.0
    assert MOMENTS[-1].utc_s == pytest.approx(299.8)
    steps = [b.utc_s - a.utc_s for a, b in pairwise(MOMENTS)]
    assert sorted(steps)[-2] == pytest.approx(0.2)
    assert all(0.079 < m.arrival_s - m.utc_s < 0.105 for m in MOMENTS)
    tags = [int(tag) for tag, *_ in LINE.findall(RAW)]
    assert all(a < b for a, b in pairwise(tags))


def test_it_starts_single_then_float_then_fixed_and_later_floats_once_for_10_s() -> None:
    runs = [(q, [m.utc_s for m in run]) for q, run in groupby(MOMENTS, lambda m: m.quality)]
    assert [quality for quality, _ in runs] == [1, 5, 4, 5, 4]
    assert runs[2][1][0] == pytest.approx(40.0)
    episode = runs[3][1]
    assert episode[-1] - episode[0] == pytest.approx(9.8)
    floating = [m for m in MOMENTS if m.quality == 5 and m.utc_s > 60.0]
    assert all(0.1 < sigma < 0.5 for m in floating for sigma in m.sigma_m)
    off_m = [abs(across_stripe_m(m)) for m in floating]
    assert max(off_m) > 0.05


def test_the_corrections_stop_once_while_the_solution_stays_fixed() -> None:
    (began_s, ended_s), *others = outage_spans()
    assert not others
    during = [m for m in MOMENTS if began_s <= m.utc_s <= ended_s]
    assert {m.quality for m in during} == {4}
    ages = [m.age_s for m in during if m.age_s is not None]
    assert ages == sorted(ages)
    assert 24.5 <= ages[-1] <= 25.5


def test_single_solutions_have_no_correction_age() -> None:
    assert all((m.age_s is None) == (m.quality == 1) for m in MOMENTS)


def test_nothing_arrives_once_for_4_s() -> None:
    arrivals = [int(tag) / 1000.0 for tag, *_ in LINE.findall(RAW)]
    gaps = [b - a for a, b in pairwise(arrivals) if b - a > 0.3]
    assert len(gaps) == 1
    assert 4.0 <= gaps[0] <= 4.3


def test_it_comes_near_the_fence_once_and_the_footprint_stays_inside() -> None:
    (began_s, ended_s), *others = approach_spans()
    assert not others
    assert ended_s - began_s < 25.0
    assert 0.05 <= min(DISTANCES_M) <= 0.1
    at_fence = spans(MOMENTS, [distance_m < 0.15 for distance_m in DISTANCES_M])
    assert at_fence[-1][1] - at_fence[0][0] > 5.0, "it waits there"


def test_the_antenna_is_always_inside_the_lawn_and_outside_bed_and_pond() -> None:
    def winds_round(at: Point, ring: list[Point]) -> bool:
        angles = [math.atan2(y - at[1], x - at[0]) for x, y in ring]
        turned = [(b - a + math.pi) % math.tau - math.pi for a, b in pairwise(angles)]
        return abs(sum(turned)) > math.pi

    lawn, bed, pond = RINGS
    for moment in MOMENTS:
        assert winds_round(moment.at, lawn)
        assert not winds_round(moment.at, bed)
        assert not winds_round(moment.at, pond)


def test_25_s_of_healthy_mowing_lie_between_the_episodes() -> None:
    episodes = [*float_spans()[1:], *outage_spans(), *silence_spans(), *approach_spans()]
    assert len(episodes) == 4
    assert episodes == sorted(episodes), "float, outage, silence, approach"
    ends = [40.0, *(ended_s for _, ended_s in episodes)]
    begins = [*(began_s for began_s, _ in episodes), 300.0]
    assert all(begin - end >= 25.0 for begin, end in zip(begins, ends, strict=True))


def across_stripe_m(moment: Moment) -> float:
    """How far a position is off the nearest stripe; they run east, 0.4 m apart, from 3.5 m up."""
    return (moment.at[1] - 3.5 + 0.2) % 0.4 - 0.2


def on_stripe(moment: Moment) -> bool:
    return moment.course_deg is not None and abs(moment.course_deg % 180.0 - 90.0) < 8.0


def test_fixed_positions_scatter_by_about_a_centimetre() -> None:
    off_m = [across_stripe_m(m) for m in MOMENTS if m.quality == 4 and on_stripe(m)]
    assert len(off_m) > 500
    assert 0.005 < math.sqrt(sum(off * off for off in off_m) / len(off_m)) < 0.015
    assert all(0.01 <= s <= 0.014 for m in MOMENTS if m.quality == 4 for s in m.sigma_m)


def test_the_mower_drives_at_half_a_metre_a_second_and_says_so() -> None:
    healthy = [
        (a, b) for a, b in pairwise(MOMENTS) if on_stripe(a) and on_stripe(b) and a.quality == 4
    ]
    assert all(abs(a.speed_mps - 0.5) < 0.08 for a, _ in healthy)
    covered_m = sum(math.dist(a.at, b.at) for a, b in healthy if b.utc_s - a.utc_s < 0.3)
    driven_s = sum(b.utc_s - a.utc_s for a, b in healthy if b.utc_s - a.utc_s < 0.3)
    assert covered_m / driven_s == pytest.approx(0.5, abs=0.02)


def test_the_lawn_keeps_the_rules_of_rfc_7946() -> None:
    """Section 3.1.6: rings are closed, the outer one counterclockwise, inner ones clockwise."""
    zones = [feature["properties"]["zone"] for feature in LAWN["features"]]
    assert sorted(zones) == ["keep_in", "keep_out"]
    for feature in LAWN["features"]:
        for number, ring in enumerate(feature["geometry"]["coordinates"]):
            assert ring[0] == ring[-1]
            assert all(len(position) == 3 for position in ring)
            doubled_area = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(shifted(ring)))
            assert (doubled_area > 0.0) == (number == 0)


def shifted(ring: list[list[float]]) -> list[Point]:
    return [(lon - ring[0][0], lat - ring[0][1]) for lon, lat, _height in ring]


def test_another_seed_makes_other_noise_and_rate_and_duration_are_as_asked() -> None:
    some, other = (list(demo.recording(seed, 10, 20.0)) for seed in (1, 2))
    assert len(some) == len(other) == 3 * 10 * 20
    assert some != other


def test_the_episodes_come_round_again_in_a_longer_recording() -> None:
    qualities = [int(line.split(b",")[6]) for line in demo.recording(3, 1, 540.0) if b"GGA" in line]
    assert [quality for quality, _ in groupby(qualities)] == [1, 5, 4, 5, 4, 5, 4]
    assert len(qualities) == 540 - 2 * 4


@given(st.floats(-90.0, 90.0), st.floats(-180.0, 180.0))
def test_positions_are_written_so_that_a_library_reads_them_back(
    lat_deg: float, lon_deg: float
) -> None:
    """pynmea2 is the independent reader; the last decimal is worth 1.7e-9 degrees."""
    message = pynmea2.parse(f"GNGGA,090000.00,{nmea.position_text(lat_deg, lon_deg)},4")
    assert message.latitude == pytest.approx(lat_deg, abs=1e-9, rel=0.0)
    assert message.longitude == pytest.approx(lon_deg, abs=1e-9, rel=0.0)
    assert float(message.lat[-10:]) < 60.0
    assert float(message.lon[-10:]) < 60.0


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "fenceguard.drill.demo", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_the_command_writes_both_files(tmp_path: Path) -> None:
    done = run(str(tmp_path / "new"), "--rate", "1", "--duration", "10", "--seed", "5")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert (
        len(gzip.decompress((tmp_path / "new" / "mowing.nmea.gz").read_bytes()).splitlines()) == 30
    )
    assert json.loads((tmp_path / "new" / "lawn.geojson").read_text()) == LAWN


@pytest.mark.parametrize("option", [["--duration", "0.9"], ["--duration", "nan"], ["--rate", "3"]])
def test_the_command_refuses_what_makes_no_recording(tmp_path: Path, option: list[str]) -> None:
    done = run(str(tmp_path), *option)
    assert done.returncode == 2
    assert option[0] in done.stderr
    assert not list(tmp_path.iterdir())


def test_the_command_says_where_it_cannot_write(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    done = run(str(tmp_path / "taken"), "--duration", "5")
    assert done.returncode == 2
    assert "taken" in done.stderr
    assert "Traceback" not in done.stderr
