"""The sieve of recordings: framing finds in what is given back what it found in what arrived."""

import gzip
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fenceguard.receiver.framing import Framer, Sentence
from fenceguard.recording.sieve import Piece, Sieve, restored
from tests.support.nmea import sentence

GST = sentence("GNGST,120000.00,0.02,,,,0.01,0.01,0.02")
TAGGED = b"\\c:1577836800123*6F\\" + GST
PARTS = st.one_of(
    st.sampled_from(
        [GST, TAGGED, b"$", b"!", b"\\", b"\r\n", b"\n", b"\r", b"*", b"$GPGGA,", b"\0", b"\x7f"]
    ),
    st.binary(max_size=12),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=170).map(str.encode),
    st.binary(max_size=3).map(lambda harm: GST[:15] + harm + GST[17:]),
    st.integers(0, 40).map(lambda cut: TAGGED[cut:]),
    st.integers(0, 40).map(lambda cut: TAGGED[:cut]),
)
STREAMS = st.lists(PARTS, max_size=12).map(b"".join)


def cut(data: bytes, at: list[int]) -> list[bytes]:
    """The data in chunks that end at these places."""
    ends = [0, *sorted(place % (len(data) + 1) for place in at), len(data)]
    return [data[begin:end] for begin, end in pairwise(ends)]


def framed(chunks: list[bytes]) -> tuple[list[list[Sentence]], dict[str, int], int, int]:
    """All that framing tells: sentences chunk by chunk, what it rejected, counted and cut off."""
    framer = Framer()
    found = [framer.feed(chunk) for chunk in chunks]
    framer.finish()
    return found, framer.rejected, framer.sentences, framer.cut_bytes


@settings(deadline=None)
@given(STREAMS, st.lists(st.integers(0, 10_000), max_size=8))
@example(b"$GPGGA,1\0\r\n", [])
@example(b"$GPGGA," + b"1" * 200, [])
@example(b"x" * 200 + b"\\c:1\\" + GST, [])
@example(GST[:-4] + b"\x80" * 3 + GST, [10, 38, 39])
def test_framing_finds_and_rejects_the_same_at_the_same_arrivals(
    data: bytes, at: list[int]
) -> None:
    sieve = Sieve()
    chunks = cut(data, at)
    back = [restored(sieve.sift(chunk)) for chunk in chunks]
    assert framed(back) == framed(chunks)
    assert [len(chunk) for chunk in back] == [len(chunk) for chunk in chunks]


@settings(deadline=None)
@given(STREAMS, st.lists(st.integers(0, 10_000), max_size=8))
def test_nothing_depends_on_the_chunks(data: bytes, at: list[int]) -> None:
    sieve = Sieve()
    pieces = [sieve.sift(chunk) for chunk in cut(data, at)]
    assert b"".join(map(restored, pieces)) == restored(Sieve().sift(data))


@settings(deadline=None)
@given(STREAMS)
def test_texts_and_counts_come_by_turns_and_every_sentence_is_kept(data: bytes) -> None:
    """What framing accepts is NMEA, so it stands in the texts, with its TAG block."""
    pieces = Sieve().sift(data)
    kinds = [type(piece) for piece in pieces]
    assert all(one is not next_one for one, next_one in pairwise(kinds))
    texts = [piece for piece in pieces if isinstance(piece, str)]
    assert all(text[0] in "\\$!" and text.isascii() for text in texts)
    for found in Framer().feed(data):
        assert any(found.body in text for text in texts)


@pytest.mark.parametrize(
    ("data", "pieces"),
    [
        (b"", []),
        (b"noise\r\n", [7]),
        (b"\0$GP\r\n\0", [1, "$GP\r\n", 1]),
        (b"a!AIVDM,1*00\r\nb", [1, "!AIVDM,1*00\r\n", 1]),
        (b"$A\r\n$B\r\n", ["$A\r\n$B\r\n"]),
        (b"\\s:x*12\\$GP\n", ["\\s:x*12\\$GP\n"]),
        (b"$G\x7fP\r\n", ["$G", 4]),
        (b"$G~ \x1fP", ["$G~ ", 2]),
        (b"$half", ["$half"]),
    ],
)
def test_what_is_kept(data: bytes, pieces: list[Piece]) -> None:
    assert Sieve().sift(data) == pieces


def test_a_line_goes_on_over_chunks_and_ends_with_its_line_end() -> None:
    sieve = Sieve()
    chunks = [b"$GP", b"GGA", b"", b"\r", b"\n", b"noise", b"\r\n", b"$"]
    assert [sieve.sift(chunk) for chunk in chunks] == [
        ["$GP"],
        ["GGA"],
        [],
        ["\r"],
        ["\n"],
        [5],
        [2],
        ["$"],
    ]


@pytest.mark.parametrize(
    "name",
    ["static-1hz-fixed.ubx.gz", "walk-1hz-fixed-float.ubx.gz", "drive-4hz-mixed.ubx.gz"],
)
def test_recordings_of_real_receivers_with_binary_in_between(
    log: Callable[[str], Path], name: str
) -> None:
    """As they are, and with one byte in a thousand changed."""
    raw = gzip.decompress(log(name).read_bytes())
    harmed = bytearray(raw)
    harmed[500::1000] = bytes(byte ^ 0x24 for byte in harmed[500::1000])
    for data in (raw, bytes(harmed)):
        chunks = [data[at : at + 97] for at in range(0, len(data), 97)]
        sieve = Sieve()
        assert framed([restored(sieve.sift(chunk)) for chunk in chunks]) == framed(chunks)
    assert framed([bytes(harmed)])[1]
