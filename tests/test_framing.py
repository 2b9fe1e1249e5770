"""Framing: which bytes are sentences, whatever is around them and however they arrive."""

import gzip
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fenceguard.receiver.framing import (
    LONGEST_BODY,
    LONGEST_TAG,
    TAG_MS_FROM,
    Framer,
    Sentence,
)
from tests.support.logs import RECORDINGS
from tests.support.nmea import checksum, sentence, tag

GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
GGA_BODY = GGA[1:-5].decode()


def framed(*chunks: bytes) -> tuple[list[Sentence], dict[str, int], int, int]:
    framer = Framer()
    found = [one for chunk in chunks for one in framer.feed(chunk)]
    found += framer.finish()
    return found, framer.rejected, framer.sentences, framer.cut_bytes


@pytest.mark.parametrize(
    "line",
    [
        # The widely published GGA example, and the RMC that goes with it.
        GGA,
        b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n",
        # The example in the documentation of pynmea2.
        b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D\r\n",
        # From memory: the line by which receivers tell that their output overran.
        b"$GNTXT,01,01,00,txbuf alloc*61\r\n",
    ],
)
def test_published_checksums_are_right(line: bytes) -> None:
    found, rejected, count, cut = framed(line)
    assert [one.body for one in found] == [line[1:-5].decode()]
    assert (rejected, count, cut) == ({}, 1, 0)


def test_the_exclamation_mark_starts_a_sentence_and_hex_digits_may_be_small() -> None:
    line = GGA.replace(b"$", b"!").replace(b"545.4", b"545.5")
    wrong = line.replace(b"*47", b"*46")
    assert framed(wrong)[0] == [Sentence(GGA_BODY.replace("545.4", "545.5"), None)]
    body = next(f"GPTXT,{n}" for n in range(99) if checksum(b"GPTXT,%d" % n) & 0xF >= 10)
    assert framed(sentence(body).lower().replace(b"gptxt", b"GPTXT"))[2] == 1


def test_a_sentence_is_handed_out_with_the_last_digit_of_its_checksum() -> None:
    framer = Framer()
    assert framer.feed(GGA[:-3]) == []
    assert [one.body for one in framer.feed(GGA[-3:-2])] == [GGA_BODY]
    assert framer.feed(GGA[-2:]) == []


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (GGA.replace(b"*47", b"*48"), "checksum"),
        (GGA.replace(b"0.9", b"0.8"), "checksum"),
        (GGA.replace(b"*47", b""), "no_checksum"),
        (GGA.replace(b"*47\r", b""), "no_checksum"),
        (GGA.replace(b"*47", b"*4"), "broken"),
        (GGA.replace(b"*47", b"*4G"), "broken"),
        (GGA.replace(b"0.9", b"0\x009"), "broken"),
        (GGA.replace(b"0.9", b"0\x7f9"), "broken"),
        (GGA.replace(b"0.9", b"0\xe99"), "broken"),
        (GGA[:30] + b"!", "broken"),
        (b"$GPTXT," + b"x" * 300 + b"*00\r\n", "overlong"),
    ],
)
def test_a_bad_sentence_is_counted_by_reason_and_costs_no_other(line: bytes, reason: str) -> None:
    found, rejected, count, cut = framed(GGA + line + GGA)
    assert [one.body for one in found] == [GGA_BODY] * 2
    assert (rejected, count, cut) == ({reason: 1}, 2, 0)


def test_a_start_within_a_sentence_begins_another() -> None:
    found, rejected, _, _ = framed(GGA[:30] + GGA)
    assert [one.body for one in found] == [GGA_BODY]
    assert rejected == {"broken": 1}


@pytest.mark.parametrize("extra", [-1, 0, 1])
def test_the_longest_body(extra: int) -> None:
    body = "GPTXT," + "x" * (LONGEST_BODY - 6 + extra)
    _, rejected, count, _ = framed(sentence(body))
    assert (count, rejected) == ((1, {}) if extra <= 0 else (0, {"overlong": 1}))


@pytest.mark.parametrize(
    "stray", [b"$", b"!", b"$$", b"$gp", b"$G,", b"$GP", b"$1A,", b"!\x00", b"\\"]
)
def test_stray_starts_are_passed_over(stray: bytes) -> None:
    assert framed(stray + GGA)[1:] == ({}, 1, 0)


@given(st.binary(max_size=400), st.binary(max_size=400))
def test_a_good_sentence_is_found_in_any_noise(before: bytes, after: bytes) -> None:
    assume(not before.endswith(b"\\"))
    assert Sentence(GGA_BODY, None) in framed(before + GGA[:-2] + after)[0]


@pytest.mark.parametrize(
    ("text", "time_s"),
    [
        # The form in which TAG blocks of NMEA 0183 version 4.00 are described, s and ms.
        (b"c:1577836800123", 1577836800.123),
        (b"c:1577836800", 1577836800.0),
        (b"s:rover,c:1577836800", 1577836800.0),
        (b"c:1577836800,s:rover", 1577836800.0),
        (b"c:%d" % (TAG_MS_FROM - 1), TAG_MS_FROM - 1.0),
        (b"c:%d" % TAG_MS_FROM, TAG_MS_FROM / 1000.0),
        (b"s:rover", None),
        (b"c:soon", None),
        (b"c:-5", None),
        (b"sc:1577836800", None),
    ],
)
def test_the_time_of_a_tag_block(text: bytes, time_s: float | None) -> None:
    assert framed(tag(text) + GGA)[:2] == ([Sentence(GGA_BODY, time_s)], {})


def test_a_published_tag_block() -> None:
    # An example from a public description of AIS over NMEA 0183, from memory.
    found, rejected, _, _ = framed(
        b"\\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\\"
        b"!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13\r\n"
    )
    assert rejected == {}
    assert [one.tag_time_s for one in found] == [1241544035.0]


@pytest.mark.parametrize("end", [b"", b"*", b"*0", b"*00", b"*000", b"*ZZ"])
def test_a_tag_block_without_its_checksum_takes_its_sentence_along(end: bytes) -> None:
    found, rejected, _, _ = framed(tag(b"c:1577836800", end) + GGA + GGA)
    assert found == [Sentence(GGA_BODY, None)]
    assert rejected == {"tag": 1}


def test_a_tag_block_belongs_to_the_sentence_right_behind_it() -> None:
    found, _, _, _ = framed(tag(b"c:1577836800") + GGA + GGA + tag(b"c:5") + b"\r\n" + GGA)
    assert [one.tag_time_s for one in found] == [1577836800.0, None, None]


@pytest.mark.parametrize(
    ("end", "cut"),
    [
        (b"", 0),
        (GGA[:-2], 0),
        (GGA[:-3], len(GGA) - 3),
        (GGA[:-4], len(GGA) - 4),
        (GGA[:20], 20),
        (b"$GNG", 4),
        (b"$", 0),
        (tag(b"c:1577836800") + GGA[:20], 20 + len(tag(b"c:1577836800"))),
        (tag(b"c:1577836800"), len(tag(b"c:1577836800"))),
        (b"\\c:1577", 7),
        (b"\xb5\x62\x01", 0),
    ],
)
def test_a_sentence_that_the_input_breaks_off_in_is_remembered(end: bytes, cut: int) -> None:
    assert framed(GGA + end)[3] == cut


def test_nothing_of_an_ended_input_is_carried_into_the_next() -> None:
    framer = Framer()
    framer.feed(GGA[:20])
    framer.finish()
    assert framer.feed(GGA[20:]) == []
    framer.finish()
    assert framer.cut_bytes == 0


PIECES = st.one_of(
    st.sampled_from(
        [
            GGA,
            GGA[:-2],
            GGA[:25],
            GGA.replace(b"*47", b"*48"),
            GGA.replace(b"*47", b""),
            GGA.replace(b"0.9", b"0\x009"),
            tag(b"c:1577836800123") + GGA,
            tag(b"c:1577836800123", b"*00") + GGA,
            tag(b"c:1577836800123")[:9],
            tag(b"s:" + b"x" * (LONGEST_TAG - 6)) + GGA,
            tag(b"s:" + b"x" * (LONGEST_TAG - 5)) + GGA,
            tag(b"s:" + b"x" * (LONGEST_TAG - 4)) + GGA,
            sentence("GPTXT," + "x" * (LONGEST_BODY - 6)),
            sentence("GPTXT," + "x" * (LONGEST_BODY - 5)),
            b"$GPTXT," + b"y" * 400,
        ]
    ),
    st.binary(max_size=30),
    st.text("$!\\*,AGPc:0\r\n", max_size=12).map(str.encode),
)


@given(st.lists(PIECES, max_size=12).map(b"".join), st.data())
def test_chunking_changes_nothing(data: bytes, draw: st.DataObject) -> None:
    cuts = draw.draw(st.lists(st.integers(0, len(data)), max_size=8).map(sorted))
    chunks = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    whole = framed(data)
    assert framed(*chunks) == whole
    assert framed(*(data[n : n + 1] for n in range(len(data)))) == whole


def test_what_is_kept_stays_small() -> None:
    framer = Framer()
    for chunk in (b"$GPTXT," + b"x" * 10_000, b"\\c:" + b"5" * 10_000, b"$" * 10_000):
        for _ in range(10):
            framer.feed(chunk)
        assert len(framer._kept) <= LONGEST_BODY + LONGEST_TAG + 20


@pytest.mark.parametrize("name", RECORDINGS)
def test_recordings_hold_what_a_plain_search_finds(log: Callable[[str], Path], name: str) -> None:
    data = gzip.decompress(log(name).read_bytes())
    bodies = [
        body
        for body, told in re.findall(rb"[$!]([A-Z]{2}[^$!*\r\n]*)\*([0-9A-F]{2})\r?\n", data)
        if checksum(body) == int(told, 16)
    ]
    found, _, count, cut = framed(*(data[n : n + 997] for n in range(0, len(data), 997)))
    assert [one.body.encode() for one in found] == bodies
    assert (count, cut) == (len(bodies), 0)
