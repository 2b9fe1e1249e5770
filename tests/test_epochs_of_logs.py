"""Epochs of a log: with the times of its TAG blocks, and of real receivers."""

import gzip
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.receiver import Receiver
from tests.support.bursts import DAY_S, NOON_S, WAIT_S, Live, line, recorded, utc_s
from tests.support.logs import RECORDINGS
from tests.support.nmea import checksum, tag


def tagged(time_s: float) -> bytes:
    return tag(b"c:%d" % round(1e12 + 1000.0 * time_s))


def test_a_log_without_tags_does_not_know_when_anything_came() -> None:
    receiver = Receiver(WAIT_S)
    data = b"".join(line(kind, NOON_S + n) for n in range(9) for kind in ("GGA", "RMC", "GST"))
    found = [*receiver.feed_log(data), *receiver.finish_log()]
    assert [(time_s, e.utc_s) for time_s, e in found] == [(None, NOON_S + n) for n in range(9)]


def test_of_a_log_nothing_is_due_whatever_the_time() -> None:
    receiver = Receiver(WAIT_S)
    assert list(receiver.feed_log(tagged(0.0) + line("GGA", NOON_S))) == []
    assert receiver.due_s is None
    assert receiver.poll(1e13) == []
    assert [time_s for time_s, _ in receiver.finish_log()] == [1e9 + WAIT_S]


@pytest.mark.parametrize("late_s", [0.119, 0.121, 0.15])
def test_a_gst_behind_its_gga_counts_in_a_log_as_it_does_live(late_s: float) -> None:
    """What comes later than `epoch_wait_s` after its GGA is missed by both."""
    sent = [
        (n + extra_s, line(kind, NOON_S + n, 1 if kind == "GST" else 0))
        for n in range(6)
        for kind, extra_s in (("GGA", 0.0), ("RMC", 0.01), ("GST", late_s))
    ]
    live = Live()
    for at_s, data in sent:
        live.hear(data, 1e9 + at_s)
    receiver = Receiver(WAIT_S)
    found = list(receiver.feed_log(b"".join(tagged(at_s) + data for at_s, data in sent)))
    assert found == live.came
    assert {e.sigma_lat_m is not None for _, e in found} == {late_s < WAIT_S}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(("GGA", "RMC", "GST", "VTG", "HDT", "ZDA")),
            st.sampled_from((0, 7, 20, 60, 119, 120, 121, 150, 300)),
            st.integers(0, 1),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_a_log_with_tags_is_put_together_as_if_it_had_come_live(
    steps: list[tuple[str, int, int]],
) -> None:
    """Any sentences, any ms between them: the same epochs at the same times."""
    live, receiver = Live(), Receiver(WAIT_S)
    at_ms, time_s = 0, NOON_S
    found: list[tuple[float | None, Epoch]] = []
    for kind, passed_ms, passed_s in steps:
        at_ms += passed_ms
        time_s += passed_s
        live.hear(line(kind, time_s), round(1e9 + at_ms / 1000.0, 3))
        found += receiver.feed_log(tagged(at_ms / 1000.0) + line(kind, time_s))
    assert found == live.came


def test_tags_that_go_back_hold_nothing_up() -> None:
    receiver = Receiver(WAIT_S)
    data = b"".join(
        tagged(100.0 - 10.0 * n + extra / 100.0) + line(kind, NOON_S + n)
        for n in range(8)
        for extra, kind in enumerate(("GGA", "RMC"))
    )
    found = [*receiver.feed_log(data), *receiver.finish_log()]
    assert [e.utc_s for _, e in found] == [NOON_S + n for n in range(8)]
    assert {time_s for time_s, _ in found[:-1]} == {1e9 + 100.01}


@pytest.mark.parametrize("name", RECORDINGS)
def test_every_gga_of_a_recording_is_an_epoch(log: Callable[[str], Path], name: str) -> None:
    data = gzip.decompress(log(name).read_bytes())
    times_s = []
    for body, told in re.findall(rb"\$(G.GGA,\d[^$!*\r\n]*)\*([0-9A-F]{2})", data):
        if checksum(body) == int(told, 16):
            time = body[6:].split(b",")[0]
            times_s.append(int(time[:2]) * 3600 + int(time[2:4]) * 60 + float(time[4:]))
    receiver = Receiver(WAIT_S)
    found = [*receiver.feed_log(data), *receiver.finish_log()]
    assert [e.utc_s % DAY_S for _, e in found] == pytest.approx(times_s, abs=1e-3)
    assert receiver.rejected == {}


def test_the_odd_recording_goes_back_in_time(log: Callable[[str], Path]) -> None:
    data = gzip.decompress(log("odd-sentences.nmea.gz").read_bytes())
    epochs = recorded(data)
    assert len(epochs) == 14
    assert all(utc_s(2020, 3, 18) <= e.utc_s < utc_s(2020, 3, 19) for e in epochs)
    assert [e.quality for e in epochs] == [2] * 10 + [4] * 4


def test_the_idle_recording_has_sigmas_and_southern_latitude(log: Callable[[str], Path]) -> None:
    epochs = recorded(gzip.decompress(log("idle-1hz-single-talkers.nmea.gz").read_bytes()))
    assert len(epochs) == 29
    assert all(e.sigma_major_m is None and (e.sigma_lat_m or 0.0) > 1.0 for e in epochs)
    assert all(e.lat_deg is not None and e.lat_deg < -45.0 for e in epochs)
    assert all(utc_s(2019, 4, 12) < e.utc_s < utc_s(2019, 4, 13) for e in epochs)


def test_a_recording_yields_the_same_however_it_is_cut(log: Callable[[str], Path]) -> None:
    data = gzip.decompress(log("drive-4hz-mixed.ubx.gz").read_bytes())[:300_000]
    whole = Receiver(WAIT_S)
    expected = [*whole.feed_log(data), *whole.finish_log()]
    for size in (7, 1000, 65536):
        receiver = Receiver(WAIT_S)
        found: list[tuple[float | None, Epoch]] = []
        for begin in range(0, len(data), size):
            found += receiver.feed_log(data[begin : begin + size])
        assert found + receiver.finish_log() == expected
        assert receiver.sentences == whole.sentences
