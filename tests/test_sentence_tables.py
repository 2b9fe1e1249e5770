"""What is read of a sentence, against pynmea2's own parsing of it.

pynmea2 splits the sentence and names its fields; numbers are then made by other means than the
reader's, so that a wrong place or a wrong name shows.
"""

import gzip
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.receiver.framing import Framer, Sentence
from fenceguard.receiver.sentences import KNOT_MPS, Fragment, read, wanted
from tests.conftest import many
from tests.support.logs import RECORDINGS
from tests.support.nmea import sentence

KINDS = ["GGA", "RMC", "VTG", "GST", "HDT", "THS", "ZDA"]
HEADING_AND_MODE = ["heading", "mode"]
"""Of THS, which pynmea2 does not know."""
DAY_S = 86400


def fields_of(body: str) -> dict[str, str]:
    """The fields as they were sent, by pynmea2's names; empty where the sentence ends before."""
    if body[2:5] == "THS":
        names, sent = HEADING_AND_MODE, body.split(",")[1:]
    else:
        message = pynmea2.parse("$" + body)
        names, sent = [field[1] for field in type(message).fields], message.data
    return dict(zip(names, [*sent, *[""] * len(names)], strict=False))


def number(text: str, least: float, most: float) -> float | None:
    whole, point, fraction = text.lstrip("+-").partition(".")
    signs = len(text) - len(text.lstrip("+-"))
    plain = signs <= 1 and (whole + fraction).isdigit() and text.isascii()
    if not plain or len(whole) > 15 or (signs and not whole and not point):
        return None
    value = float(Decimal(text))
    return value if least <= value <= most else None


def whole(text: str, most: int) -> int | None:
    value = number(text, 0.0, most)
    return int(value) if value is not None and value == math.floor(value) else None


def angle_deg(text: str, side: str, sides: tuple[str, str], most_deg: float) -> float | None:
    """Degrees and minutes; both must be there, minutes with a fraction and below 60."""
    before, _point, fraction = text.partition(".")
    digits = before.isdigit() and fraction.isdigit() and text.isascii()
    if not digits or not 3 <= len(before) <= 5 or int(before[-2:]) >= 60 or side not in sides:
        return None
    value = float(before[:-2]) + float(f"{before[-2:]}.{fraction}") / 60.0
    return None if value > most_deg else value * (1.0 if side == sides[0] else -1.0)


def digit_m(fields: dict[str, str]) -> float | None:
    """The last digit of minutes on the ground, where both are told: 1852 m to a minute."""
    angles = (
        angle_deg(fields["lat"], fields["lat_dir"], ("N", "S"), 90.0),
        angle_deg(fields["lon"], fields["lon_dir"], ("E", "W"), 180.0),
    )
    if None in angles:
        return None
    coarsest = max(int(Decimal(fields[name]).as_tuple().exponent) for name in ("lat", "lon"))
    return float(Decimal(1852).scaleb(coarsest))


def days(year: int, month: int, day: int) -> int | None:
    try:
        return int(datetime(year, month, day, tzinfo=UTC).timestamp()) // DAY_S
    except ValueError:
        return None


def expected(one: Sentence) -> Fragment | None:
    """The fragment, from pynmea2's fields."""
    kind, fields = one.body[2:5], fields_of(one.body)
    time_s, day, values = None, None, {}
    if text := fields.get("timestamp"):
        if re.fullmatch(r"\d{6}(\.\d*)?", text, re.ASCII) is None:
            return None
        hours, minutes, seconds = int(text[:2]), int(text[2:4]), int(text[4:6])
        if hours > 23 or minutes > 59 or seconds > 60:
            return None
        time_s = round(hours * 3600 + minutes * 60 + float(text[4:]), 3)
    if kind == "GGA":
        altitude_m = number(fields["altitude"], -1e6, 1e6)
        separation_m = number(fields["geo_sep"], -1e3, 1e3)
        known = altitude_m is not None and separation_m is not None
        values = {
            "lat_deg": angle_deg(fields["lat"], fields["lat_dir"], ("N", "S"), 90.0),
            "lon_deg": angle_deg(fields["lon"], fields["lon_dir"], ("E", "W"), 180.0),
            "height_m": round((altitude_m or 0.0) + (separation_m or 0.0), 4) if known else None,
            "altitude_m": altitude_m,
            "digit_m": digit_m(fields),
            "quality": whole(fields["gps_qual"], 9),
            "satellites": whole(fields["num_sats"], 999),
            "hdop": number(fields["horizontal_dil"], 0.0, 1e4),
            "age_s": number(fields["age_gps_data"], 0.0, 1e6),
            "station": fields["ref_station_id"].strip() or None,
        }
    elif kind in ("RMC", "VTG"):
        knots, course = (
            ("spd_over_grnd", "true_course")
            if kind == "RMC"
            else ("spd_over_grnd_kts", "true_track")
        )
        if kind == "RMC" and re.fullmatch(r"\d{6}", fields["datestamp"], re.ASCII):
            of_month, month, year = (int(fields["datestamp"][n : n + 2]) for n in (0, 2, 4))
            day = days(year + (1900 if year >= 80 else 2000), month, of_month)
        if fields.get("status", "A") == "A" and fields.get("faa_mode") != "N":
            told = number(fields[knots], 0.0, 1e4)
            values = {
                "speed_mps": None if told is None else told * KNOT_MPS,
                "course_deg": number(fields[course], 0.0, 360.0),
            }
    elif kind == "GST":
        for name, field in (
            ("sigma_major_m", "std_dev_major"),
            ("sigma_lat_m", "std_dev_latitude"),
            ("sigma_lon_m", "std_dev_longitude"),
            ("sigma_height_m", "std_dev_altitude"),
        ):
            values[name] = number(fields[field], 0.0, 1e9)
    elif kind in ("HDT", "THS"):
        if fields.get("mode", "A") == "A":
            values = {"heading_deg": number(fields["heading"], 0.0, 360.0)}
    else:
        year_, month_, day_ = (
            whole(fields["year"], 2199),
            whole(fields["month"], 12),
            whole(fields["day"], 31),
        )
        if year_ is not None and year_ >= 1980 and month_ is not None and day_ is not None:
            day = days(year_, month_, day_)
    told_values: dict[str, Any] = {
        name: value for name, value in values.items() if value is not None
    }
    return Fragment(kind, time_s, day, told_values, one.tag_time_s)


FIELD = st.one_of(
    st.text(
        st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$!*,"), max_size=9
    ),
    st.sampled_from(["", "N", "S", "E", "W", "A", "-0", "+.5", "1e3", "7.", " 0007", "235960.5"]),
    st.sampled_from(
        ["123519", "4807.038", "01131.0001", "9000.00", "18000.01", "230394", "290223"]
    ),
    st.integers(0, 2500).map(str),
    st.floats(-500.0, 500.0).map(lambda value: f"{value:.3f}"),
)


@settings(max_examples=many(8.0))
@given(kind=st.sampled_from(KINDS), fields=st.lists(FIELD, max_size=16))
def test_any_sentence_is_read_as_pynmea2_parses_it(kind: str, fields: list[str]) -> None:
    one = Sentence(f"GN{kind}," + ",".join(fields), 5.0)
    assert repr(read(one)) == repr(expected(one))


GOOD = [
    "GNGGA,003956.20,5206.90000,N,01123.50000,W,4,24,0.55,78.1,M,45.6,M,1.2,0123",
    "GNRMC,003956.20,A,5206.90000,N,01123.50000,W,1.25,271.5,050331,,,R,V",
    "GNVTG,271.5,T,,M,1.25,N,2.32,K,R",
    "GNGST,003956.20,9.1,0.021,0.012,33.1,0.014,0.019,0.031",
    "GNHDT,271.25,T",
    "GNTHS,271.25,A",
    "GNZDA,003956.20,05,03,2031,00,00",
]


@settings(max_examples=many(8.0))
@given(
    body=st.sampled_from(GOOD),
    changes=st.lists(
        st.tuples(
            st.integers(0, 90),
            st.integers(0, 2),
            st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$!*"),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_a_sentence_that_was_changed_is_read_as_pynmea2_parses_it(
    body: str, changes: list[tuple[int, int, str]]
) -> None:
    """Characters that are put in, replaced or taken away; what the framer makes of it is read."""
    for place, taken, character in changes:
        body = body[:place] + character * (taken < 2) + body[place + (taken > 0) :]
    for one in Framer().feed(sentence(body)):
        if wanted(one):
            assert repr(read(one)) == repr(expected(one))


@pytest.mark.parametrize("name", [*RECORDINGS, "drive-5hz-truth-part1.nmea.gz"])
def test_a_recording_is_read_as_pynmea2_parses_it(log: Callable[[str], Path], name: str) -> None:
    sentences = Framer().feed(gzip.decompress(log(name).read_bytes()))
    found = [one for one in sentences if wanted(one)]
    assert found
    for one in found:
        assert repr(read(one)) == repr(expected(one))


@given(st.binary(min_size=1, max_size=160))
def test_the_checksum_is_the_exclusive_or_of_all_characters(noise: bytes) -> None:
    """NMEA 0183: of all characters between the start and the `*`."""
    body = "GNTXT," + "".join(chr(48 + byte % 64) for byte in noise)[:154]
    told = reduce(xor, body.encode("ascii"))
    assert [one.body for one in Framer().feed(f"${body}*{told:02x}".encode())] == [body]
    for wrong in (told ^ 1, told ^ 128):
        assert not Framer().feed(f"${body}*{wrong:02X}".encode())
