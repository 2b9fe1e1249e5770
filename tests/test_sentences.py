"""Sentences: which fields are read, and what is unknown."""

import gzip
import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.framing import Framer, Sentence
from fenceguard.receiver.sentences import Fragment, read, wanted

DAY_S = 86400


def fragment(body: str) -> Fragment:
    found = read(Sentence(body, None))
    assert found is not None
    return found


def gga(**fields: str) -> Fragment:
    """The widely published GGA example with some fields changed."""
    usual = {
        "time": "123519",
        "lat": "4807.038",
        "ns": "N",
        "lon": "01131.000",
        "ew": "E",
        "quality": "1",
        "satellites": "08",
        "hdop": "0.9",
        "altitude": "545.4",
        "m": "M",
        "separation": "46.9",
        "mm": "M",
        "age": "",
        "station": "",
    }
    return fragment("GPGGA," + ",".join({**usual, **fields}.values()))


def day(year: int, month: int, number: int) -> int:
    return int(datetime(year, month, number, tzinfo=UTC).timestamp()) // DAY_S


def test_the_published_gga() -> None:
    # 48°07.038'N 11°31.000'E, 8 satellites, HDOP 0.9, 545.4 m over the geoid, which is 46.9 m over
    # the ellipsoid: the widely published example.
    found = gga()
    assert found.kind == "GGA"
    assert found.time_of_day_s == 12 * 3600 + 35 * 60 + 19
    assert found.values == {
        "lat_deg": pytest.approx(48 + 7.038 / 60, abs=1e-12),
        "lon_deg": pytest.approx(11 + 31.0 / 60, abs=1e-12),
        "quality": 1,
        "satellites": 8,
        "hdop": 0.9,
        "height_m": pytest.approx(592.3, abs=1e-9),
        "altitude_m": 545.4,
        # A thousandth of a minute of latitude.
        "digit_m": 1.852,
    }


def test_the_published_rmc() -> None:
    # The widely published example: 22.4 knots, course 84.4°, 23 March 1994. A knot is 1852 m/h.
    found = fragment("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
    assert found.day == day(1994, 3, 23)
    assert found.values == {
        "speed_mps": pytest.approx(22.4 * 1852 / 3600, abs=1e-12),
        "course_deg": 84.4,
    }


def test_south_and_west_are_negative() -> None:
    values = gga(ns="S", ew="W").values
    assert (values["lat_deg"] < 0, values["lon_deg"] < 0) == (True, True)


@pytest.mark.parametrize("quality", range(10))
def test_every_quality_of_one_digit(quality: int) -> None:
    assert gga(quality=str(quality)).values["quality"] == quality


@pytest.mark.parametrize("quality", ["", "10", "-1", "4.5", "R", "nan", "4_0", " 4"])
def test_any_other_quality_is_unknown(quality: str) -> None:
    assert "quality" not in gga(quality=quality).values


@pytest.mark.parametrize(
    ("field", "text", "name"),
    [
        *(
            ("lat", text, "lat_deg")
            for text in ("", "0", "4807", "480.7038", "4860.000", "9000.001", "-4807.038", "x")
        ),
        ("ns", "", "lat_deg"),
        ("ns", "E", "lat_deg"),
        ("ns", "NS", "lat_deg"),
        ("lon", "18000.001", "lon_deg"),
        ("lon", "", "lon_deg"),
        ("ew", "", "lon_deg"),
        ("ew", "N", "lon_deg"),
        *(
            (field, text, name)
            for field, name in (
                ("altitude", "height_m"),
                ("altitude", "altitude_m"),
                ("separation", "height_m"),
                ("age", "age_s"),
                ("hdop", "hdop"),
                ("satellites", "satellites"),
            )
            for text in ("", "nan", "inf", "1e3", "1_0", "0x10", "--1", ".", " ", "9" * 15)
        ),
        ("age", "-0.1", "age_s"),
        ("hdop", "-1", "hdop"),
        ("satellites", "-1", "satellites"),
        ("satellites", "7.5", "satellites"),
        ("station", "", "station"),
        ("station", "  ", "station"),
    ],
)
def test_what_is_no_value_is_unknown(field: str, text: str, name: str) -> None:
    assert name not in gga(**{field: text}).values


@pytest.mark.parametrize(
    ("lat", "lon", "expected"),
    [("9000.000", "18000.000", (90.0, 180.0)), ("0000.000", "00000.000", (0.0, 0.0))],
)
def test_the_ends_of_the_earth(lat: str, lon: str, expected: tuple[float, float]) -> None:
    values = gga(lat=lat, lon=lon).values
    assert (values["lat_deg"], values["lon_deg"]) == expected


@given(st.integers(0, 89), st.integers(0, 59_999_999), st.sampled_from("NS"))
def test_latitude_is_degrees_and_minutes(degrees: int, micro: int, side: str) -> None:
    text = f"{degrees:02d}{micro // 10**6:02d}.{micro % 10**6:06d}"
    expected = (degrees + micro / 60e6) * (1 if side == "N" else -1)
    # 1e-9 degrees are 0.1 mm.
    assert gga(lat=text, ns=side).values["lat_deg"] == pytest.approx(expected, abs=1e-9)


def test_without_the_geoid_there_is_an_altitude_and_no_height() -> None:
    values = gga(separation="").values
    assert values["altitude_m"] == 545.4
    assert "height_m" not in values


@pytest.mark.parametrize(
    ("lat", "lon", "digit_m"),
    [
        # On the ground by the nautical mile, which is a minute of latitude.
        ("4807.0", "01131.0", 185.2),
        ("4807.0381", "01131.0001", 0.1852),
        ("4807.0381234", "01131.0000001", 0.0001852),
        ("4807.03", "01131.0000001", 18.52),
        ("4807.0381234", "01131.00", 18.52),
        ("", "01131.0001", None),
        ("4807.0381", "", None),
        ("4807", "01131.0001", None),
    ],
)
def test_the_coarser_last_digit_counts(lat: str, lon: str, digit_m: float | None) -> None:
    expected = None if digit_m is None else pytest.approx(digit_m)
    assert gga(lat=lat, lon=lon).values.get("digit_m") == expected


def test_corrections() -> None:
    values = gga(age="7.6", station="0133").values
    assert (values["age_s"], values["station"]) == (7.6, "0133")


@pytest.mark.parametrize(
    ("text", "time_s"),
    [
        ("000000", 0.0),
        ("000000.00", 0.0),
        ("235959.999", 86399.999),
        ("132820.60", 48500.6),
        ("132820.0004", 48500.0),
        ("132820.0006", 48500.001),
        ("235960.00", 86400.0),
        ("235960.50", 86400.5),
    ],
)
def test_the_time_of_day_to_1_ms_and_in_a_leap_second(text: str, time_s: float) -> None:
    assert gga(time=text).time_of_day_s == time_s


@pytest.mark.parametrize(
    "text", ["240000", "126000", "123561", "12351", "1235190", "x", "-12351", "12:35", "123519.x"]
)
def test_a_sentence_with_nonsense_for_a_time_is_unreadable(text: str) -> None:
    sentence = Sentence(f"GPGGA,{text},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", None)
    assert wanted(sentence)
    assert read(sentence) is None


def test_a_gga_before_the_first_fix() -> None:
    found = fragment("GNGGA,,,,,,0,00,99.99,,,,,,")
    assert found.time_of_day_s is None
    assert found.values == {"quality": 0, "satellites": 0, "hdop": 99.99}


def test_a_sentence_without_most_of_its_fields() -> None:
    assert fragment("GPGGA,123519").values == {}
    assert fragment("GPVTG,").values == {}


@pytest.mark.parametrize("status", ["V", "", "a"])
def test_speed_and_course_of_a_void_rmc_are_not_used(status: str) -> None:
    found = fragment(f"GPRMC,123519,{status},,,,,022.4,084.4,230394,,")
    assert found.values == {}
    assert found.day == day(1994, 3, 23)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("010100", (2000, 1, 1)),
        ("311279", (2079, 12, 31)),
        ("060180", (1980, 1, 6)),
        ("290224", (2024, 2, 29)),
        ("290223", None),
        ("000000", None),
        ("320124", None),
        ("010024", None),
        ("01012024", None),
        ("", None),
        ("xx0124", None),
    ],
)
def test_dates_of_six_digits(text: str, expected: tuple[int, int, int] | None) -> None:
    # Two-digit years from 80 on are of the last century: common practice, no source.
    found = fragment(f"GPRMC,123519,A,,,,,,,{text},,").day
    assert found == (None if expected is None else day(*expected))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12,04,2019,00,00", (2019, 4, 12)),
        ("01,01,1980,,", (1980, 1, 1)),
        ("31,12,1979,,", None),
        ("31,12,2199,,", (2199, 12, 31)),
        ("01,01,2200,,", None),
        ("31,02,2019,,", None),
        ("00,00,0000,,", None),
        (",,,,", None),
    ],
)
def test_dates_of_zda(text: str, expected: tuple[int, int, int] | None) -> None:
    found = fragment(f"GNZDA,003956.00,{text}")
    assert found.time_of_day_s == 39 * 60 + 56
    assert found.day == (None if expected is None else day(*expected))


def test_vtg() -> None:
    found = fragment("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K,A")
    assert found.time_of_day_s is None
    # The widely published example gives both: 5.5 knots and 10.2 km/h.
    assert found.values["speed_mps"] == pytest.approx(10.2 / 3.6, abs=0.05 / 3.6)
    assert found.values["course_deg"] == 54.7
    assert fragment("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K,N").values == {}
    assert fragment("GNVTG,,T,,M,0.036,N,0.067,K,A").values == {
        "speed_mps": pytest.approx(0.0185, abs=1e-4)
    }


@pytest.mark.parametrize("text", ["-0.1", "nan", "99999"])
def test_a_speed_that_is_none(text: str) -> None:
    assert "speed_mps" not in fragment(f"GPRMC,123519,A,,,,,{text},84.4,230394,,").values


@pytest.mark.parametrize(
    ("text", "course"), [("0.0", 0.0), ("360.0", 360.0), ("360.1", None), ("-0.1", None)]
)
def test_directions_lie_within_a_turn(text: str, course: float | None) -> None:
    for body, name in (
        (f"GPRMC,123519,A,,,,,1.0,{text},230394,,", "course_deg"),
        (f"GPVTG,{text},T,,M,1.0,N,,K,A", "course_deg"),
        (f"GPHDT,{text},T", "heading_deg"),
        (f"GPTHS,{text},A", "heading_deg"),
    ):
        assert fragment(body).values.get(name) == course


@pytest.mark.parametrize("mode", ["E", "M", "S", "V", ""])
def test_a_heading_that_is_not_measured_is_not_used(mode: str) -> None:
    assert fragment(f"GPTHS,123.4,{mode}").values == {}


def test_gst() -> None:
    assert fragment("GPGST,024603.00,3.2,6.6,4.7,47.3,5.8,5.6,22.0").values == {
        "sigma_major_m": 6.6,
        "sigma_lat_m": 5.8,
        "sigma_lon_m": 5.6,
        "sigma_height_m": 22.0,
    }


def test_gst_with_empty_ellipse_fields_and_with_sigmas_of_300_km() -> None:
    assert fragment("GNGST,003956.00,28,,,,2.4,3.5,4.2").values == {
        "sigma_lat_m": 2.4,
        "sigma_lon_m": 3.5,
        "sigma_height_m": 4.2,
    }
    assert fragment("GNGST,003956.00,,,,,300000,300000.5,-1").values == {
        "sigma_lat_m": 300000.0,
        "sigma_lon_m": 300000.5,
    }


@pytest.mark.parametrize(
    "body",
    [
        "GPGSV,3,1,12,05,06,110,19",
        "GNGSA,A,3,13,16",
        "GNGLL,2844.05127,N,01352.01267,W,155100.75,A,A",
        "GNTXT,01,01,00,txbuf alloc",
        "PXGGA,123519",
        "PGGA,123519",
        "GPGPQ,GGA",
        "GPGGAX,123519",
        "GGA,123519",
        "GPGGA",
    ],
)
def test_other_sentences_are_passed_over(body: str) -> None:
    assert not wanted(Sentence(body, None))
    assert read(Sentence(body, None)) is None


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "GQ", "GI", "BD", "II"])
def test_any_talker_will_do(talker: str) -> None:
    assert fragment(f"{talker}HDT,12.5,T").values == {"heading_deg": 12.5}


def test_the_tag_time_is_kept() -> None:
    found = read(Sentence("GPHDT,12.5,T", 5.25))
    assert found is not None
    assert found.tag_time_s == 5.25


FIELD = st.one_of(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12),
    st.sampled_from(["", "N", "A", "nan", "-0", "1e999", "٣", "123519", "4807.038", "230394"]),
    st.floats().map(str),
    st.integers(-(10**20), 10**20).map(str),
)


@given(
    st.sampled_from(["GGA", "RMC", "VTG", "GST", "HDT", "THS", "ZDA"]),
    st.lists(FIELD, max_size=20),
)
def test_whatever_the_fields_are_it_never_raises_and_what_is_known_is_finite(
    kind: str, fields: list[str]
) -> None:
    found = read(Sentence(f"GN{kind}," + ",".join(fields), None))
    if found is None:
        return
    Epoch(0.0, **found.values)
    assert all(math.isfinite(v) for v in found.values.values() if not isinstance(v, str))
    assert found.time_of_day_s is None or 0.0 <= found.time_of_day_s <= 86401.0


def test_a_recording_field_by_field(log: Callable[[str], Path]) -> None:
    data = gzip.decompress(log("survey-10hz-differential-to-fixed.nmea.gz").read_bytes())
    read_values: list[dict[str, Any]] = [
        found.values for one in Framer().feed(data) if (found := read(one)) and found.kind == "GGA"
    ]
    rows = [line.split(b"*")[0].split(b",") for line in data.splitlines() if b"GGA," in line]
    assert len(rows) == 122
    for values, row in zip(read_values, rows, strict=True):
        lat, lon, altitude, separation, age = (float(row[n]) for n in (2, 4, 9, 11, 13))
        assert values["lat_deg"] == pytest.approx(lat // 100 + lat % 100 / 60, abs=1e-9)
        assert values["lon_deg"] == pytest.approx(-(lon // 100 + lon % 100 / 60), abs=1e-9)
        assert values["height_m"] == pytest.approx(altitude + separation, abs=1e-6)
        assert values["age_s"] == age
        assert values["station"] == row[14].decode()
        assert (values["quality"], values["satellites"]) == (int(row[6]), int(row[7]))
