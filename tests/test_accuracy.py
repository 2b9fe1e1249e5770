"""The receiver's own accuracy sentence: from its bytes to the bound, and what is refused."""

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import settings as quick
from hypothesis import strategies as st
from scipy import stats

from fenceguard.cli import main
from fenceguard.drill.policies import HandWritten, Supervised
from fenceguard.guard import Guard
from fenceguard.judgement.bound import Bounds
from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.framing import Sentence
from fenceguard.receiver.receiver import Receiver
from fenceguard.receiver.sentences import ACCURACY, AccuracySentence
from fenceguard.settings import load
from fenceguard.settings.models import AccuracySettings, BoundSettings
from tests.support import nmea
from tests.support.lawns import loaded, write_settings
from tests.support.made import QUICK, standing
from tests.support.nmea import sentence

WAIT_S = 0.12
P95 = {"header": "PXYZA", "field": 3, "unit": "cm", "means": "p95"}
MAPPED = AccuracySentence("PXYZA", 3, 0.01)
"""Field 3 tells σ of each axis in cm."""
PLAIN = BoundSettings.model_validate(
    {
        "optimism": {"fixed": 1.0},
        "floor_m": {"fixed": 0.0},
        "least_sigma_m": {"fixed": 0.001},
        "age_rate_mps": 0.0,
    }
)
"""The bound is then K(p) σ, and what the digits leave open."""
DEFAULT_M = 0.02
"""σ of a fixed solution at HDOP 1 that says nothing of itself."""


def own(text: str) -> bytes:
    return sentence(f"PXYZA,x,7,{text},9")


def gga(time: str = "120000.00") -> bytes:
    return nmea.gga(time, hdop=1.0)


def gst(major: str = "", lat: str = "", lon: str = "", time: str = "120000.00") -> bytes:
    return nmea.gst(time, lat, lon, major_m=major, height_m=0.3)


def only(*sent: bytes, accuracy: AccuracySentence | None = MAPPED) -> Epoch:
    receiver = Receiver(WAIT_S, accuracy)
    ((_, epoch),) = [*receiver.feed_log(b"".join(sent)), *receiver.finish_log()]
    return epoch


def stated_m(*sent: bytes) -> float:
    sigma = Bounds(PLAIN.parameters()).sigma_m(0.0, only(gga(), *sent))
    assert sigma is not None
    return sigma


# What the number means


def scale(unit: str, means: str) -> float:
    given = {"header": "PXYZA", "field": 1, "unit": unit, "means": means}
    return AccuracySettings.model_validate(given).sentence().sigma_m_per_unit


@pytest.mark.parametrize(("means", "share"), [("p68", 0.68), ("p95", 0.95)])
def test_a_radius_that_holds_a_share_is_so_many_sigmas(means: str, share: float) -> None:
    # The distance of a circular normal error is Rayleigh-distributed, its square by chi-square with
    # two degrees of freedom: scipy.stats.
    assert 1.0 / scale("m", means) == pytest.approx(stats.rayleigh.ppf(share), rel=1e-12)
    assert 1.0 / scale("m", means) == pytest.approx(math.sqrt(stats.chi2.ppf(share, 2)), rel=1e-12)


@pytest.mark.parametrize("means", ["sigma_axis", "p68", "p95"])
def test_units(means: str) -> None:
    assert scale("m", "sigma_axis") == 1.0
    assert scale("cm", means) == pytest.approx(scale("m", means) / 100.0, rel=1e-12)
    assert scale("mm", means) == pytest.approx(scale("m", means) / 1000.0, rel=1e-12)


@pytest.mark.parametrize(("means", "share"), [("p68", 0.68), ("p95", 0.95)])
@pytest.mark.parametrize("probability", [0.99, 0.9999])
def test_the_bound_holds_however_long_the_ellipse(
    means: str, share: float, probability: float
) -> None:
    """From a circle to a line, whose distance is half-normally distributed: scipy.stats."""
    mapped = AccuracySentence("PXYZA", 3, scale("m", means))
    settings = PLAIN.model_copy(update={"probability": probability})
    for distance in (stats.rayleigh, stats.halfnorm):
        told_m, holds_m = distance.ppf(share), distance.ppf(probability)
        epoch = only(gga(), own(f"{told_m:.6f}"), accuracy=mapped)
        bound = Bounds(settings.parameters()).hear(0.0, epoch)
        assert bound is not None
        assert bound.radius_m > holds_m


# What the sentence tells


@pytest.mark.parametrize(
    ("text", "sigma"),
    [
        ("1", 0.01),
        ("2.5", 0.025),
        ("0.1", 0.001),
        (".5", 0.005),
        ("+3", 0.03),
        ("1000000000", 1e7),
        ("1000000001", None),
    ],
)
def test_it_tells_sigma_of_each_axis(text: str, sigma: float | None) -> None:
    epoch = only(gga(), own(text))
    assert epoch.sigma_lat_m == epoch.sigma_lon_m == pytest.approx(sigma)
    assert (epoch.sigma_major_m, epoch.sigma_height_m) == (None, None)


NO_NUMBERS = ["", "0", "0.000", "-0", "-1", "nan", "inf", "1e3", "1_0", " 1", "x", "9" * 16, "0x1"]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_accuracy_is_unknown_and_never_small(text: str) -> None:
    """As with the zeros of a GST."""
    assert stated_m(own(text)) == DEFAULT_M
    assert stated_m(own(text)) == stated_m(gst(lat="0", lon="0"))
    assert stated_m(own(text), gst(lat="0.3", lon="0.4")) == 0.5


def test_a_sentence_that_ends_before_the_field_is_counted_as_unreadable() -> None:
    receiver = Receiver(WAIT_S, MAPPED)
    receiver.feed(sentence("PXYZA,x,7") + sentence("PXYZA,x,7,") + sentence("PXYZ,x"), 0.0)
    assert receiver.sentences == 3
    assert receiver.rejected == {"fields": 1}
    assert only(gga(), sentence("PXYZA,x,7")).sigma_lat_m is None


@pytest.mark.parametrize(
    ("header", "body", "good"),
    [
        ("PXYZA", "PXYZA,1", True),
        ("PXYZA", "PXYZAB,1", False),
        ("PXYZA", "PXYZ,1", False),
        ("PXYZ,03", "PXYZ,03,1", True),
        ("PXYZ,03", "PXYZ,03", True),
        ("PXYZ,03", "PXYZ,04,1", False),
        ("PXYZ,03", "PXYZ,031,1", False),
        ("GNABC", "GPABC,1", False),
    ],
)
def test_the_header_tells_which_sentence_it_is(header: str, body: str, good: bool) -> None:
    assert AccuracySentence(header, 2, 1.0).is_in(Sentence(body, None)) == good


def test_fields_count_from_the_address() -> None:
    body = "PXYZ,03,0.5,0.7"
    found = [AccuracySentence("PXYZ,03", n, 1.0).read(Sentence(body, 8.0)) for n in (2, 3)]
    assert [one and one.values["sigma_lat_m"] for one in found] == [0.5, 0.7]
    assert [one and (one.kind, one.tag_time_s) for one in found] == [(ACCURACY, 8.0)] * 2
    assert AccuracySentence("PXYZ,03", 4, 1.0).read(Sentence(body, None)) is None


def test_without_the_setting_it_is_passed_over() -> None:
    assert only(gga(), own("50"), accuracy=None) == only(gga())


# With a GST in the same epoch


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(
    ("told", "by_gst", "sigma"),
    [
        ("30", gst(lat="0.03", lon="0.04"), math.hypot(0.3, 0.3)),
        ("3", gst(lat="0.3", lon="0.4"), 0.5),
        ("30", gst("0.05", "0.03", "0.04"), math.hypot(0.3, 0.3)),
        ("3", gst("0.5", "0.3", "0.4"), 0.5),
        ("30", gst("0.000", "0.000", "0.000"), math.hypot(0.3, 0.3)),
    ],
)
def test_the_worse_of_both_counts(told: str, by_gst: bytes, sigma: float, swapped: bool) -> None:
    both = (by_gst, own(told)) if swapped else (own(told), by_gst)
    assert stated_m(*both) == pytest.approx(sigma)


SIGMAS = st.integers(1, 10**6).map(lambda mm: f"{mm / 1000:.3f}")


@given(SIGMAS, SIGMAS, st.one_of(st.sampled_from(["", "0.000"]), SIGMAS), SIGMAS)
def test_neither_makes_the_other_smaller(lat: str, lon: str, major: str, told_cm: str) -> None:
    by_gst, by_own = gst(major, lat, lon), own(told_cm)
    alone_m = max(stated_m(by_gst), stated_m(by_own))
    assert stated_m(by_gst, by_own) == stated_m(by_own, by_gst) >= alone_m * (1.0 - 1e-12)


# Which epoch it belongs to


KINDS = st.sampled_from(["GGA", "RMC", "GST", "own"])


def line(kind: str, second: int, mark: int, *, as_heading: bool) -> bytes:
    time = f"1200{second:02d}.00"
    if kind == "own":
        return sentence(f"GNHDT,{mark % 300}.0,T") if as_heading else own(f"{mark % 300 + 1}")
    return {
        "GGA": gga(time),
        "RMC": nmea.rmc(time, nmea.NOWHERE, knots=1.0, course_deg=90.0),
        "GST": gst(time=time),
    }[kind]


@quick(max_examples=300)
@given(st.lists(st.tuples(KINDS, st.integers(0, 4), st.floats(0.0, 0.3)), max_size=60))
def test_it_belongs_to_the_epoch_that_a_heading_in_its_place_belongs_to(
    sent: list[tuple[str, int, float]],
) -> None:
    """HDT, too, tells no time."""
    came: list[list[tuple[float, float | None]]] = []
    for as_heading in (False, True):
        receiver, now_s, epochs = Receiver(WAIT_S, MAPPED), 0.0, []
        for mark, (kind, second, gap_s) in enumerate(sent):
            now_s += gap_s
            found = receiver.poll(now_s)
            found += receiver.feed(line(kind, second, mark, as_heading=as_heading), now_s)
            epochs += [(now_s, epoch) for epoch in found]
        epochs += [(now_s, epoch) for epoch in receiver.finish()]
        came.append(
            [(at_s, e.heading_deg if as_heading else _mark(e.sigma_lat_m)) for at_s, e in epochs]
        )
    assert came[0] == came[1]


def _mark(sigma: float | None) -> float | None:
    return None if sigma is None else round(sigma * 100.0) - 1.0


STREAM = b"".join(
    gga(f"1200{n:02d}.00") + gst("", "0.1", "0.1", f"1200{n:02d}.00") + own("30") for n in range(6)
)
FIXED_M = {0.1, 0.3, None}


@quick(max_examples=300)
@given(
    st.lists(st.tuples(st.integers(0, len(STREAM) - 1), st.integers(0, 255)), max_size=40),
    st.binary(max_size=300),
)
def test_no_bytes_crash_it_nor_make_a_number_of_their_own(
    changes: list[tuple[int, int]], noise: bytes
) -> None:
    data = bytearray(STREAM)
    for place, value in changes:
        data[place] = value
    receiver = Receiver(WAIT_S, MAPPED)
    epochs = receiver.feed(bytes(data) + noise, 0.0) + receiver.finish()
    assert {epoch.sigma_lat_m for epoch in epochs} <= FIXED_M


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_any_fields_are_an_accuracy_or_none(text: str) -> None:
    found = MAPPED.read(Sentence(f"PXYZA,{text}", None))
    sigma = None if found is None else found.values.get("sigma_lat_m")
    assert sigma is None or 0.0 < sigma <= 1e7


# All the way: settings, log, rung


def log_of(accuracy_cm: Callable[[float], float], duration_s: float = 12.0) -> bytes:
    """A mower that stands, with its own accuracy sentence after each RMC."""
    lines = standing(duration_s).splitlines(keepends=True)
    return b"".join(
        one + (own(f"{accuracy_cm(n / 10.0):.1f}") if b"RMC" in one else b"")
        for n, one in enumerate(lines)
    )


def told(*words: str | Path, capsys: pytest.CaptureFixture[str]) -> Any:
    assert main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_replay_leaves_full_while_the_receiver_says_that_it_is_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.nmea"
    log.write_bytes(log_of(lambda time_s: 20.0 if 6.0 <= time_s < 7.0 else 2.0))
    # With an anchor as wide, or it is the reach that tells where the mower is.
    settings = write_settings(tmp_path, trust={"anchor_m": 1.0}, **QUICK)
    words = ("replay", log, "--settings", settings)
    assert told(*words, capsys=capsys)["interventions"] == []
    own_words = ("--set", f"receiver.accuracy={json.dumps(P95)}")
    (one,) = told(*words, *own_words, capsys=capsys)["interventions"]
    assert one["cause"]["monitor"] == "bound"
    assert one["begin_utc"] == "2031-03-07T06:00:06.000Z"
    assert one["duration_s"] is not None
    # 20 cm at 95 %: K(0.9999) x 1.2 x hypot(σ, σ) + 0.01 m, with σ = 0.2 m / K(0.95); and half of
    # the last digit along both axes, of 0.0000001 minutes.
    k95, k9999 = stats.rayleigh.ppf([0.95, 0.9999])
    assert one["cause"]["value"] == pytest.approx(
        k9999 * 1.2 * math.sqrt(2.0) * 0.2 / k95 + 0.01 + math.hypot(1.0, 1.0) * 0.0000926,
        abs=1e-4,
    )


def test_run_replay_and_drill_hear_it_alike(tmp_path: Path) -> None:
    with_it = loaded(tmp_path, receiver={"accuracy": P95}, **QUICK)
    data = log_of(lambda _time_s: 30.0, 1.0)
    hand_written = HandWritten(with_it)
    receivers = [Guard(with_it).receiver, hand_written._receiver]
    sigma = 0.3 / stats.rayleigh.ppf(0.95)
    for receiver in receivers:
        epochs = receiver.feed(data, 0.0) + receiver.finish()
        assert len(epochs) == 5
        assert all(epoch.sigma_lat_m == pytest.approx(sigma) for epoch in epochs)


def test_a_drilled_supervisor_widens_its_bound(tmp_path: Path) -> None:
    bounds = []
    for receiver in ({}, {"accuracy": P95}):
        one = loaded(tmp_path, receiver=receiver, **QUICK)
        policy = Supervised(one)
        policy.feed(log_of(lambda _time_s: 30.0, 1.0), 0.1)
        assert policy.decision is not None
        bounds.append(policy.decision.situation.bound_m)
    assert bounds[0] is not None
    assert bounds[1] is not None
    assert bounds[0] < 0.12 < 0.8 < bounds[1]


def test_check_says_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write_settings(tmp_path, receiver={"accuracy": P95})
    assert main(["check", "--settings", str(file)]) == 0
    assert "          accuracy: PXYZA, field 3: radius that holds 95 %, in cm\n" in (
        capsys.readouterr().out
    )
    assert told("check", "--settings", file, capsys=capsys)["settings"]["receiver"]["accuracy"] == (
        P95
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        *(
            ({"header": header}, f"header: is '{header}'; it must be the address of a sentence")
            for header in ("$PXYZA", "pxyza", "P", "PXYZA,", "PXYZA*", "PXYZ,0,3", "PABCDEFGHIJ")
        ),
        *(
            ({"header": header}, f"header: {header} is read as it is; leave out accuracy, or name")
            for header in ("GNGST", "GPGGA", "GARMC", "GNVTG", "GNHDT", "GNTHS", "GNZDA", "GNGST,1")
        ),
        ({"header": 7}, "header: is 7; it must be a text"),
        ({"field": 0}, "field: is 0; it must be at least 1"),
        ({"field": 100}, "field: is 100; it must be at most 99"),
        ({"field": 2.5}, "field: is 2.5; it must be a whole number"),
        ({"header": "PXYZ,03", "field": 1}, "accuracy: field 1 is in the header PXYZ,03; name"),
        ({"unit": "km"}, "unit: is 'km'; it must be one of m, cm, mm"),
        ({"means": "95"}, "means: is '95'; it must be one of sigma_axis, p68, p95"),
        ({"meaning": "p95"}, "meaning: unknown key; did you mean means?"),
    ],
)
def test_bad_settings_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: dict[str, Any], said: str
) -> None:
    file = write_settings(tmp_path, receiver={"accuracy": {**P95, **change}})
    assert main(["check", "--settings", str(file)]) == 2
    done = capsys.readouterr()
    assert done.out == ""
    (text,) = done.err.splitlines()
    assert re.match(rf"fenceguard check: {file}:\d+: receiver\.accuracy", text)
    assert said in text


@pytest.mark.parametrize("key", list(P95))
def test_every_key_must_be_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], key: str
) -> None:
    part = {name: value for name, value in P95.items() if name != key}
    file = write_settings(tmp_path, receiver={"accuracy": part})
    assert main(["check", "--settings", str(file)]) == 2
    assert f"receiver.accuracy.{key}: missing" in capsys.readouterr().err


@pytest.mark.parametrize("header", ["PGGA", "PXYZA", "PXYZ,03", "GNABC", "GNGSTA", "AB"])
def test_headers_that_are_good(tmp_path: Path, header: str) -> None:
    file = write_settings(tmp_path, receiver={"accuracy": {**P95, "header": header}})
    accuracy = load(file).settings.receiver.accuracy_sentence()
    assert accuracy is not None
    assert accuracy.header == header


def test_the_example_in_the_delivered_settings_is_good(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "config" / "settings.yaml").read_text()
    document = yaml.safe_load(re.sub(r"(?m)^  # (?=accuracy:|  )", "  ", text))
    accuracy = AccuracySettings.model_validate(document["receiver"]["accuracy"])
    assert set(document["receiver"]["accuracy"]) == set(AccuracySettings.model_fields)
    assert accuracy.sentence().field == 5
