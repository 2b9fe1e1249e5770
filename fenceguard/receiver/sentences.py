"""Sentences to fragments of an epoch. Which field is where, pynmea2's tables tell.

A field that is empty, not a plain number or out of its range is left out: unknown, never a guess.
"""

import re
from collections.abc import Callable
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

import pynmea2

from fenceguard.receiver.framing import Sentence

KNOT_MPS = 1852.0 / 3600.0
MINUTE_M = 1852.0
"""Of latitude; one of longitude is shorter."""
FIRST_YEAR = 1980
"""There was no satellite time before; two-digit years count from here too."""
LAST_YEAR = 2199
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]*)?|[+-]?\.[0-9]+")
_TIME = re.compile(r"([01][0-9]|2[0-3])([0-5][0-9])([0-5][0-9]|60)(\.[0-9]*)?")
_ANGLE = re.compile(r"([0-9]{1,3})([0-5][0-9]\.[0-9]+)")
_DATE = re.compile(r"[0-9]{6}")


class Fragment(NamedTuple):
    """What one sentence adds to its epoch."""

    kind: str
    """Sentence formatter: GGA, RMC, VTG, GST, HDT, THS or ZDA; or `ACCURACY`."""
    time_of_day_s: float | None
    """UTC time of day, rounded to 1 ms; None where the kind, or this one, has none."""
    day: int | None
    """Date, in days since 1970-01-01."""
    values: dict[str, Any]
    """Known fields of the epoch, by their names in `Epoch`."""
    tag_time_s: float | None
    """UNIX time from the TAG block."""


class AccuracySentence(NamedTuple):
    """Where a receiver's own sentence tells how accurate the position is."""

    header: str
    """Its address without the `$`, such as PXYZA; or with its first field: PXYZ,03."""
    field: int
    """Number of the field, which counts from 1 after the address."""
    sigma_m_per_unit: float
    """σ of each axis in m, for each 1 that the field tells."""

    def is_in(self, sentence: Sentence) -> bool:
        """Whether a sentence is of this kind."""
        return f"{sentence.body},".startswith(f"{self.header},")

    def read(self, sentence: Sentence) -> Fragment | None:
        """The fragment in a sentence of this kind; None if it ends before the field.

        A number that is not above 0 says nothing of the accuracy: it is unknown.
        """
        fields = sentence.body.split(",")
        if self.field >= len(fields):
            return None
        told = _sigma_m(fields[self.field])
        sigma_m = told * self.sigma_m_per_unit if told else None
        values = {"sigma_lat_m": sigma_m, "sigma_lon_m": sigma_m} if sigma_m else {}
        return Fragment(ACCURACY, None, None, values, sentence.tag_time_s)


class THS(pynmea2.TalkerSentence):  # type: ignore[misc]
    """True heading and its mode, which pynmea2 does not know."""

    fields = (("Heading, degrees true", "heading"), ("Mode indicator", "mode"))


def wanted(sentence: Sentence) -> bool:
    """Whether a sentence is of a kind that is read."""
    body = sentence.body
    return body[5:6] == "," and body[2:5] in _FORMS and body[0] != "P"


def read(sentence: Sentence) -> Fragment | None:
    """The fragment in a sentence.

    None if the sentence is not of a wanted kind, or has something in the place of its time that is
    no time. Never raises.
    """
    if not wanted(sentence):
        return None
    body = sentence.body
    kind, fields = body[2:5], body[6:].split(",")
    form = _FORMS[kind]
    # It may end before its last fields.
    fields += [""] * (form.fields - len(fields))
    time_of_day_s = None
    if form.time is not None and (text := fields[form.time]):
        time_of_day_s = _time_of_day_s(text)
        if time_of_day_s is None:
            return None
    # As they were sent: pynmea2's conversions let pass what is no plain number.
    day, told = form.read(*[fields[place] for place in form.places])
    values = {name: value for name, value in told.items() if value is not None}
    return Fragment(kind, time_of_day_s, day, values, sentence.tag_time_s)


ACCURACY = "accuracy"
"""Kind of the receiver's own accuracy sentence, whatever its address."""
TIMELESS = frozenset({"VTG", "HDT", "THS", ACCURACY})
"""Kinds that never tell a time."""

_Read = tuple[int | None, dict[str, Any]]


class _Form(NamedTuple):
    """Where the wanted fields of a kind of sentence are, and what is made of them."""

    fields: int
    """How many fields there are, wanted or not."""
    time: int | None
    places: tuple[int, ...]
    read: Callable[..., _Read]


def _form(table: type[pynmea2.TalkerSentence], read: Callable[..., _Read], *names: str) -> _Form:
    """The form of a sentence, by pynmea2's table of it and its names of the wanted fields."""
    place_of = table.name_to_idx
    places = tuple(place_of[name] for name in names)
    return _Form(len(table.fields), place_of.get("timestamp"), places, read)


def _gga(
    lat: str,
    lat_side: str,
    lon: str,
    lon_side: str,
    quality: str,
    satellites: str,
    hdop: str,
    altitude: str,
    separation: str,
    age: str,
    station: str,
) -> _Read:
    altitude_m = _number(altitude, -1e6, 1e6)
    separation_m = _number(separation, -1e3, 1e3)
    height_m = None
    if altitude_m is not None and separation_m is not None:
        height_m = round(altitude_m + separation_m, 4)
    lat_deg, lon_deg = _angle_deg(lat, lat_side, "NS", 90.0), _angle_deg(lon, lon_side, "EW", 180.0)
    digit_m = None
    if lat_deg is not None and lon_deg is not None:
        digits = min(len(lat.partition(".")[2]), len(lon.partition(".")[2]))
        digit_m = MINUTE_M / 10**digits
    return None, {
        "lat_deg": lat_deg,
        "lon_deg": lon_deg,
        "height_m": height_m,
        "altitude_m": altitude_m,
        "digit_m": digit_m,
        "quality": _whole(quality, 9),
        "satellites": _whole(satellites, 999),
        "hdop": _number(hdop, 0.0, 1e4),
        "age_s": _number(age, 0.0, 1e6),
        "station": station.strip() or None,
    }


def _rmc(status: str, knots: str, course: str, date_text: str) -> _Read:
    day = _day_of_six_digits(date_text)
    if status != "A":
        return day, {}
    return day, {"speed_mps": _speed_mps(knots), "course_deg": _number(course, 0.0, 360.0)}


def _vtg(course: str, knots: str, mode: str) -> _Read:
    if mode == "N":
        return None, {}
    return None, {"speed_mps": _speed_mps(knots), "course_deg": _number(course, 0.0, 360.0)}


def _gst(major: str, lat: str, lon: str, height: str) -> _Read:
    return None, {
        "sigma_major_m": _sigma_m(major),
        "sigma_lat_m": _sigma_m(lat),
        "sigma_lon_m": _sigma_m(lon),
        "sigma_height_m": _sigma_m(height),
    }


def _hdt(heading: str) -> _Read:
    return None, {"heading_deg": _number(heading, 0.0, 360.0)}


def _ths(heading: str, mode: str) -> _Read:
    # Every other mode is estimated, simulated or not valid.
    return _hdt(heading) if mode == "A" else (None, {})


def _zda(day_text: str, month_text: str, year_text: str) -> _Read:
    year = _whole(year_text, LAST_YEAR)
    month = _whole(month_text, 12)
    day = _whole(day_text, 31)
    if year is None or month is None or day is None:
        return None, {}
    return _day_number(year, month, day), {}


_FORMS = {
    "GGA": _form(
        pynmea2.GGA,
        _gga,
        "lat",
        "lat_dir",
        "lon",
        "lon_dir",
        "gps_qual",
        "num_sats",
        "horizontal_dil",
        "altitude",
        "geo_sep",
        "age_gps_data",
        "ref_station_id",
    ),
    "RMC": _form(pynmea2.RMC, _rmc, "status", "spd_over_grnd", "true_course", "datestamp"),
    "VTG": _form(pynmea2.VTG, _vtg, "true_track", "spd_over_grnd_kts", "faa_mode"),
    "GST": _form(
        pynmea2.GST,
        _gst,
        "std_dev_major",
        "std_dev_latitude",
        "std_dev_longitude",
        "std_dev_altitude",
    ),
    "HDT": _form(pynmea2.HDT, _hdt, "heading"),
    "THS": _form(THS, _ths, "heading", "mode"),
    "ZDA": _form(pynmea2.ZDA, _zda, "day", "month", "year"),
}


def _number(text: str, least: float, most: float) -> float | None:
    if _NUMBER.fullmatch(text) is None:
        return None
    value = float(text)
    return value if least <= value <= most else None


def _whole(text: str, most: int) -> int | None:
    value = _number(text, 0.0, most)
    return int(value) if value is not None and value.is_integer() else None


def _speed_mps(text: str) -> float | None:
    knots = _number(text, 0.0, 1e4)
    return None if knots is None else knots * KNOT_MPS


def _sigma_m(text: str) -> float | None:
    return _number(text, 0.0, 1e9)


def _angle_deg(text: str, side: str, sides: str, most_deg: float) -> float | None:
    match = _ANGLE.fullmatch(text)
    if match is None or len(side) != 1 or side not in sides:
        return None
    degrees, minutes = match.groups()
    value = float(degrees) + float(minutes) / 60.0
    if value > most_deg:
        return None
    return value if side == sides[0] else -value


@lru_cache(maxsize=4)
def _time_of_day_s(text: str) -> float | None:
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, fraction = match.groups()
    whole_s = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    return round(whole_s + float("0" + (fraction or "")), 3)


@lru_cache(maxsize=4)
def _day_of_six_digits(text: str) -> int | None:
    if _DATE.fullmatch(text) is None:
        return None
    day, month, year = int(text[:2]), int(text[2:4]), int(text[4:])
    century = FIRST_YEAR // 100 + (year < FIRST_YEAR % 100)
    return _day_number(century * 100 + year, month, day)


def _day_number(year: int, month: int, day: int) -> int | None:
    if year < FIRST_YEAR:
        return None
    try:
        return date(year, month, day).toordinal() - _EPOCH_DAY
    except ValueError:
        return None
