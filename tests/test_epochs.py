"""Epochs: which sentences belong together, and when they are handed on."""

import math
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.receiver.epoch import UNDATED_BEFORE_S, Epoch, utc_text
from fenceguard.receiver.epochs import PATIENCE, STRAGGLES_S
from fenceguard.receiver.receiver import Receiver
from tests.support import nmea
from tests.support.bursts import (
    DAY_S,
    KNOT_MPS,
    NOON_S,
    STEP_S,
    WAIT_S,
    Live,
    line,
    recorded,
    utc_s,
)
from tests.support.nmea import sentence, tag


@pytest.mark.parametrize(
    ("utc_s", "text"),
    [
        (UNDATED_BEFORE_S, "1980-01-01T12:00:00.000Z"),
        (UNDATED_BEFORE_S - 0.001, "11:59:59.999Z"),
        (0.0, "00:00:00.000Z"),
        (1_700_000_000.1234, "2023-11-14T22:13:20.123Z"),
        (math.nan, "unknown"),
        (math.inf, "unknown"),
    ],
)
def test_an_instant_is_told_with_its_date_where_that_is_known(utc_s: float, text: str) -> None:
    assert utc_text(utc_s) == text


def test_sentences_of_one_utc_make_one_epoch() -> None:
    kinds = ("GGA", "RMC", "VTG", "GST", "HDT", "ZDA")
    assert recorded(*(line(kind, NOON_S, 7) for kind in kinds)) == [
        Epoch(
            utc_s=utc_s(2024, 2, 1, 12),
            lat_deg=52.0,
            lon_deg=13.0,
            height_m=82.0,
            altitude_m=40.0,
            # The seventh decimal of a minute, which is 1852 m.
            digit_m=0.0001852,
            quality=4,
            satellites=7,
            hdop=0.7,
            age_s=1.0,
            station="0133",
            speed_mps=7.0 * KNOT_MPS,
            course_deg=90.0,
            heading_deg=7.0,
            sigma_lat_m=7.0,
            sigma_lon_m=7.0,
            sigma_height_m=7.0,
        )
    ]


@pytest.mark.parametrize("order", list(permutations(("GGA", "RMC", "VTG"))))
def test_the_speed_of_rmc_is_preferred_to_that_of_vtg(order: tuple[str, ...]) -> None:
    epochs = recorded(*(line(kind, NOON_S, 7) for kind in order))
    assert [epoch.speed_mps for epoch in epochs] == [7.0 * KNOT_MPS]
    assert [epoch.course_deg for epoch in epochs] == [90.0]


def test_vtg_fills_in_for_what_rmc_lacks() -> None:
    void = sentence(f"GNRMC,{nmea.clock(NOON_S)},V,,,,,3.0,90.0,010224,,,N")
    for lines in ((void, line("VTG", 0, 7)), (line("VTG", 0, 7), void)):
        (epoch,) = recorded(lines[0], line("GGA", NOON_S), lines[1])
        assert epoch.speed_mps == 7.5 * KNOT_MPS
        assert epoch.course_deg == 7.0


def test_gga_alone() -> None:
    live = Live()
    for n in range(5):
        live.hear(line("GGA", NOON_S + n), 10.0 + n)
    assert [epoch.utc_s for _, epoch in live.came] == [NOON_S + n for n in range(5)]
    # The first waits in vain and teaches the rest not to.
    assert [at_s for at_s, _ in live.came] == [10.0 + WAIT_S, 11.0, 12.0, 13.0, 14.0]


def test_without_a_gga_there_is_no_epoch() -> None:
    assert recorded(line("RMC", NOON_S), line("GST", NOON_S), line("RMC", NOON_S + 1)) == []
    live = Live()
    live.burst(("RMC", "VTG", "GST"), NOON_S, 10.0)
    assert live.receiver.due_s is None


def test_a_gga_without_a_time_is_no_epoch() -> None:
    assert recorded(sentence("GNGGA,,,,,,0,00,99.99,,,,,,")) == []


@pytest.mark.parametrize("quality", range(10))
def test_every_quality_is_handed_on(quality: int) -> None:
    (epoch,) = recorded(sentence(f"GNGGA,120000,,,,,{quality},00,,,,,,,"))
    assert epoch.quality == quality


def test_unreadable_sentences_are_counted_and_take_no_part() -> None:
    receiver = Receiver(WAIT_S)
    receiver.feed(
        sentence("GNGGA,996060,,,,,4,12,0.7,,,,,,") + sentence("GPGSV,x") + b"$GPGGA,1*00", 0.0
    )
    assert receiver.rejected == {"fields": 1, "checksum": 1}
    assert receiver.sentences == 2
    assert receiver.finish() == []


# When an epoch is handed on


def test_it_waits_exactly_so_long_for_the_first() -> None:
    receiver = Receiver(WAIT_S)
    assert receiver.feed(line("GGA", NOON_S), 10.0) == []
    assert receiver.due_s == 10.0 + WAIT_S
    assert receiver.poll(10.0 + WAIT_S - 0.001) == []
    assert len(receiver.poll(10.0 + WAIT_S)) == 1
    assert receiver.due_s is None
    assert receiver.poll(99.0) == []


def test_the_wait_counts_from_the_gga() -> None:
    receiver = Receiver(WAIT_S)
    receiver.feed(line("RMC", NOON_S), 10.0)
    assert receiver.due_s is None
    receiver.feed(line("GGA", NOON_S), 10.05)
    receiver.feed(line("GST", NOON_S), 10.1)
    assert receiver.due_s == 10.05 + WAIT_S


def test_another_utc_closes_the_open_epoch_at_once() -> None:
    live = Live(wait_s=10.0)
    live.burst(("GGA", "RMC"), NOON_S, 10.0)
    assert [e.utc_s for e in live.hear(line("RMC", NOON_S + 1), 11.0)] == [NOON_S]


def test_an_open_epoch_that_is_overdue_takes_nothing_more() -> None:
    receiver = Receiver(WAIT_S)
    receiver.feed(line("GGA", NOON_S), 10.0)
    (epoch,) = receiver.feed(line("VTG", 0, 5), 10.0 + WAIT_S)
    assert epoch.speed_mps is None


BURSTS, SETTLED = 20, 12


@pytest.mark.parametrize("rate_hz", [1, 5, 10, 20])
@pytest.mark.parametrize(
    "order",
    [
        *permutations(("GGA", "RMC", "VTG")),
        *permutations(("GGA", "RMC", "GST", "HDT")),
        *permutations(("GGA", "VTG")),
        *permutations(("GGA", "THS", "VTG")),
        ("GGA",),
        ("RMC", "VTG", "GGA", "GSV", "GSV", "GST", "ZDA"),
    ],
)
def test_any_order_is_learnt_from_whichever_sentence_on(
    order: tuple[str, ...], rate_hz: int
) -> None:
    """After a few epochs each comes with the last of its own sentences, and with all of them."""
    wanted = [kind for kind in order if kind != "GSV"]
    for missed in range(len(order)):
        live = Live()
        for n in range(BURSTS):
            kinds = order if n else order[missed:]
            live.burst(kinds, NOON_S + n / rate_hz, 10.0 + n / rate_hz, n)
        settled = live.came[-SETTLED:]
        assert len(live.came) in (BURSTS - 1, BURSTS)
        for n, (at_s, epoch) in enumerate(settled, BURSTS - SETTLED):
            assert epoch.satellites == n
            assert at_s == pytest.approx(10.0 + n / rate_hz + (len(order) - 1) * STEP_S)
            speed_knots = n if "RMC" in wanted else n + 0.5
            moving = "RMC" in wanted or "VTG" in wanted
            assert epoch.speed_mps == (speed_knots * KNOT_MPS if moving else None)
            assert epoch.heading_deg == (n if {"HDT", "THS"} & set(wanted) else None)
            assert epoch.sigma_lat_m == (n if "GST" in wanted else None)


def settled(*order: str, wait_s: float = WAIT_S) -> Live:
    """A receiver that has learnt an order, at 1 Hz, from 12:00:00 and 10 s on."""
    live = Live(wait_s)
    for n in range(3):
        live.burst(order, NOON_S + n, 10.0 + n, n)
    live.came.clear()
    return live


STRAGGLERS = {
    "GST": "sigma_lat_m",
    "HDT": "heading_deg",
    "RMC": "speed_mps",
    "VTG": "speed_mps",
}
"""Kinds of which each tells its mark in a field."""


def marks(live: Live, kind: str) -> list[float | None]:
    """Of which burst the epochs have what a kind of sentence tells."""
    told = [getattr(epoch, STRAGGLERS[kind]) for _, epoch in live.came]
    scale, offset = {"RMC": (KNOT_MPS, 0.0), "VTG": (KNOT_MPS, 0.5)}.get(kind, (1.0, 0.0))
    return [None if one is None else round(one / scale - offset, 6) for one in told]


@pytest.mark.parametrize("kind", STRAGGLERS)
def test_a_kind_that_straggles_in_two_groups_on_end_is_the_last_from_then_on(kind: str) -> None:
    live = settled("GGA", "ZDA")
    for n in range(3, 7):
        live.burst(("GGA", "ZDA", kind), NOON_S + n, 10.0 + n, n)
    # Two groups come without it, as it is not known yet that more is to come.
    assert marks(live, kind) == [None, None, 5.0, 6.0]
    waits_s = [at_s - 10.0 - (epoch.utc_s % DAY_S - NOON_S) for at_s, epoch in live.came]
    assert waits_s == pytest.approx([STEP_S, STEP_S, 2.0 * STEP_S, 2.0 * STEP_S], abs=1e-6)


@pytest.mark.parametrize("kind", STRAGGLERS)
def test_at_a_fast_rate_nothing_that_straggles_is_lost(kind: str) -> None:
    live = settled("GGA", "ZDA")
    for n in range(15, 19):
        live.burst(("GGA", "ZDA", kind), NOON_S + n / 5.0, 10.0 + n / 5.0, n)
    # A moment late at first; once it is waited for, what is new counts and not what is old.
    assert marks(live, kind) == [None, 15.0, 17.0, 18.0]


@pytest.mark.parametrize("kind", STRAGGLERS)
def test_a_kind_that_comes_with_some_groups_only_is_not_waited_for(kind: str) -> None:
    """Such as a heading once a second, beside five positions."""
    live = settled("GGA", "ZDA")
    for n in range(15, 35):
        kinds = ("GGA", "ZDA", kind) if n % 5 == 0 else ("GGA", "ZDA")
        live.burst(kinds, NOON_S + n / 5.0, 10.0 + n / 5.0, n)
    assert marks(live, kind) == [float(n - 1) if n % 5 == 1 else None for n in range(15, 35)]
    waits_s = [at_s - 10.0 - (epoch.utc_s % DAY_S - NOON_S) for at_s, epoch in live.came]
    assert waits_s == pytest.approx([STEP_S] * 20, abs=1e-6)


def test_what_straggles_does_not_count_against_what_the_next_group_tells_itself() -> None:
    """RMC is preferred to VTG, but not one that is older."""
    live = settled("GGA", "VTG")
    live.burst(("GGA", "VTG", "RMC"), NOON_S + 3.0, 13.0, 15)
    live.burst(("GGA", "VTG"), NOON_S + 3.2, 13.2, 16)
    assert marks(live, "VTG") == [15.0, 16.0]


@pytest.mark.parametrize(("older_s", "counts"), [(-0.001, True), (0.001, False)])
def test_what_straggles_counts_for_a_moment_only(older_s: float, counts: bool) -> None:
    live = settled("GGA", "ZDA")
    live.burst(("GGA", "ZDA", "GST"), NOON_S + 3, 13.0, 3)
    at_s = 13.0 + 2.0 * STEP_S + STRAGGLES_S + older_s
    live.burst(("GGA", "ZDA"), NOON_S + 3.5, at_s, 4)
    live.burst(("GGA", "ZDA"), NOON_S + 3.7, at_s + 0.1, 5)
    assert marks(live, "GST") == [None, 3.0 if counts else None, None]


@pytest.mark.parametrize("after_s", [0.001, WAIT_S, WAIT_S + 0.001])
def test_a_sentence_without_utc_after_an_epoch_counts_for_the_next(after_s: float) -> None:
    live = settled("GGA")
    live.hear(line("GGA", NOON_S + 3, 3), 13.0)
    live.hear(line("HDT", 0, 4), 13.0 + after_s)
    live.hear(line("GGA", NOON_S + 3.2, 4), 13.2)
    live.hear(b"", 13.5)
    assert [e.satellites for _, e in live.came] == [3, 4]
    assert [e.heading_deg for _, e in live.came] == [None, 4.0]


def test_a_sentence_without_utc_is_not_kept_for_long() -> None:
    live = settled("GGA")
    live.hear(line("HDT", 0, 4), 13.5)
    live.hear(line("GGA", NOON_S + 4, 4), 13.5 + WAIT_S + 0.001)
    assert [epoch.heading_deg for _, epoch in live.came] == [None]


def test_a_last_sentence_that_is_lost_at_times_is_still_waited_for() -> None:
    live = settled("GGA", "RMC", "GST")
    for n in range(3, 9):
        kinds = ("GGA", "RMC") if n % 2 else ("GGA", "RMC", "GST")
        live.burst(kinds, NOON_S + n, 10.0 + n, n)
    live.hear(b"", 30.0)
    assert [e.sigma_lat_m for _, e in live.came] == [None, 4.0, None, 6.0, None, 8.0]


def test_a_last_sentence_that_stays_away_is_forgotten() -> None:
    live = settled("GGA", "RMC", "GST")
    for n in range(3, 3 + PATIENCE + 2):
        live.burst(("GGA", "RMC"), NOON_S + n, 10.0 + n, n)
    waits_s = [at_s - 10.0 - (e.utc_s - NOON_S) for at_s, e in live.came]
    assert waits_s == pytest.approx([WAIT_S] * PATIENCE + [STEP_S] * 2)


# A receiver that repeats itself, or goes back


@pytest.mark.parametrize("order", [("GGA",), ("GGA", "RMC"), ("RMC", "VTG", "GGA")])
def test_a_receiver_that_repeats_itself_is_seen_to(order: tuple[str, ...]) -> None:
    live = settled(*order)
    for n in range(4):
        live.burst(order, NOON_S + 3, 13.0 + n)
    live.hear(b"", 20.0)
    assert [epoch.utc_s for _, epoch in live.came] == [NOON_S + 3] * 4
    times = [line(kind, NOON_S) for _ in range(4) for kind in order]
    assert [epoch.utc_s for epoch in recorded(*times)] == [NOON_S] * 4


@pytest.mark.parametrize("step_s", [-0.1, -1.0, -600.0, -11 * 3600.0, 600.0, 11 * 3600.0])
def test_utc_may_leap_either_way_within_12_hours(step_s: float) -> None:
    epochs = recorded(
        line("RMC", NOON_S, 0, "010224"), *(line("GGA", NOON_S + n) for n in (0, step_s))
    )
    assert epochs[1].utc_s - epochs[0].utc_s == pytest.approx(step_s)


# Dates


def test_midnight_with_the_date_in_every_rmc() -> None:
    lines = []
    for n in range(-2, 3):
        date = "310124" if n < 0 else "010224"
        lines += [line("GGA", DAY_S + n), line("RMC", DAY_S + n, 0, date)]
    midnight_s = utc_s(2024, 2, 1)
    assert [e.utc_s for e in recorded(*lines)] == [midnight_s + n for n in range(-2, 3)]


def test_midnight_while_rmc_is_missing() -> None:
    lines = [line("RMC", DAY_S - 3, 0, "310124"), *(line("GGA", DAY_S + n) for n in range(-2, 3))]
    midnight_s = utc_s(2024, 2, 1)
    assert [e.utc_s for e in recorded(*lines)] == [midnight_s + n for n in range(-2, 3)]


def test_midnight_back_and_forth() -> None:
    steps_s = (-1.0, 1.0, -1.0, 1.0)
    lines = [line("RMC", DAY_S - 1, 0, "310124"), *(line("GGA", DAY_S + n) for n in steps_s)]
    midnight_s = utc_s(2024, 2, 1)
    assert [e.utc_s for e in recorded(*lines)] == [midnight_s + n for n in steps_s]


def test_a_date_that_never_comes() -> None:
    epochs = recorded(*(line("GGA", DAY_S + n) for n in range(-2, 3)))
    assert [e.utc_s for e in epochs] == [DAY_S + n for n in range(-2, 3)]
    assert all(e.utc_s < UNDATED_BEFORE_S for e in epochs)


@pytest.mark.parametrize("kind", ["RMC", "ZDA"])
def test_the_date_holds_for_the_epoch_that_it_comes_with_and_from_then_on(kind: str) -> None:
    lines = [line("GGA", NOON_S), line(kind, NOON_S + 1, 0, "010224"), line("GGA", NOON_S + 1)]
    lines += [line("GGA", NOON_S + 2), line("RMC", NOON_S + 2, 0, "xx")]
    noon_s = utc_s(2024, 2, 1, 12)
    assert [e.utc_s for e in recorded(*lines)] == [NOON_S, noon_s + 1, noon_s + 2]


def test_a_leap_second_raises_nothing() -> None:
    lines = [line("RMC", DAY_S - 1, 0, "311216"), line("GGA", DAY_S - 1)]
    lines += [sentence("GNGGA,235960.00,,,,,4,12,0.7,,,,,,"), line("GGA", 0.0), line("GGA", 1.0)]
    midnight_s = utc_s(2017, 1, 1)
    # UTC counted in seconds has no room for it: it shares its number with the second after it.
    assert [e.utc_s - midnight_s for e in recorded(*lines)] == [-1.0, 0.0, 0.0, 1.0]


@given(st.lists(st.floats(-43199.0, 43199.0).map(lambda s: round(s, 3)), max_size=30))
def test_the_day_follows_any_walk_through_time(steps_s: list[float]) -> None:
    times_s = [utc_s(2024, 2, 1, 12)]
    for step_s in steps_s:
        times_s.append(round(times_s[-1] + step_s, 3))
    lines = [line("GGA", time_s) for time_s in times_s]
    epochs = recorded(line("RMC", NOON_S, 0, "010224"), *lines)
    assert [e.utc_s for e in epochs] == pytest.approx(times_s, abs=0.0006)


STREAM = b"".join(
    (tag(b"c:%d" % (n + 5)) if n % 3 else b"") + line(kind, NOON_S + n / 10, n, "010224")
    for n in range(6)
    for kind in ("RMC", "VTG", "GGA", "GSV", "GST", "ZDA", "HDT")
)


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.integers(0, len(STREAM) - 1), st.integers(0, 255)), max_size=40),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5),
)
def test_bytes_changed_at_random_raise_nothing(
    changes: list[tuple[int, int]], gaps_s: list[float]
) -> None:
    data = bytearray(STREAM)
    for place, value in changes:
        data[place] = value
    receiver, now_s, epochs = Receiver(WAIT_S), 0.0, []
    for number, begin in enumerate(range(0, len(data), 50)):
        now_s += gaps_s[number % len(gaps_s)]
        epochs += receiver.poll(now_s)
        epochs += receiver.feed(bytes(data[begin : begin + 50]), now_s)
        assert receiver.due_s is None or receiver.due_s <= now_s + WAIT_S
    epochs += receiver.finish()
    assert len(epochs) <= 6
    spoilt = {STREAM.count(b"\n", 0, place) for place, _ in changes}
    whole = sum(b"GGA" in one for n, one in enumerate(STREAM.split(b"\n")) if n not in spoilt)
    assert len(epochs) >= whole


KINDS = st.sampled_from(["GGA", "RMC", "VTG", "GST", "HDT", "THS", "ZDA"])


@given(st.lists(st.tuples(KINDS, st.integers(0, 4), st.floats(0.0, 0.2)), max_size=60))
def test_any_sentences_in_any_order_are_handed_on_in_time_and_each_gga_once(
    sentences: list[tuple[str, int, float]],
) -> None:
    receiver, now_s, came = Receiver(WAIT_S), 0.0, 0
    heard = 0
    for kind, second, gap_s in sentences:
        now_s += gap_s
        came += len(receiver.poll(now_s))
        came += len(receiver.feed(line(kind, NOON_S + second), now_s))
        heard += kind == "GGA"
        assert receiver.due_s is None or now_s < receiver.due_s <= now_s + WAIT_S
        assert heard - 1 <= came <= heard
    assert came + len(receiver.finish()) == heard
