"""Recordings: plain, packed, damaged, or on standard input."""

import gzip
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.errors import BadInput
from fenceguard.recording.files import CHUNK_BYTES, chunks
from tests.support.nmea import sentence

LINES = b"".join(sentence(f"GNHDT,{n % 360}.0,T") for n in range(20_000))
NOISE = random.Random(1).randbytes(3 * CHUNK_BYTES + 5)
"""Cannot be packed any smaller."""
NOBODY = 65534


def everything(path: Path) -> bytes:
    return b"".join(piece for piece, _ in chunks(str(path)))


def until_bad(path: Path) -> tuple[bytes, str]:
    """What is handed out before the complaint, and the complaint."""
    data = b""
    with pytest.raises(BadInput) as caught:
        for piece, _ in chunks(str(path)):
            data += piece
    return data, str(caught.value)


@pytest.mark.parametrize("content", [b"", b"\x1f", b"$", LINES, NOISE])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
@pytest.mark.parametrize("name", ["recording.nmea", "recording.gz"])
def test_plain_and_packed_are_told_apart_by_content(
    tmp_path: Path, content: bytes, pack: Callable[[bytes], bytes], name: str
) -> None:
    path = tmp_path / name
    path.write_bytes(pack(content))
    assert everything(path) == content


def test_several_packed_members_and_padding(tmp_path: Path) -> None:
    path = tmp_path / "recording.gz"
    path.write_bytes(gzip.compress(LINES) + gzip.compress(b"") + gzip.compress(NOISE) + bytes(999))
    assert everything(path) == LINES + NOISE


@given(st.lists(st.binary(max_size=300), min_size=1, max_size=5))
def test_whatever_was_packed_comes_out(
    tmp_path_factory: pytest.TempPathFactory, members: list[bytes]
) -> None:
    path = tmp_path_factory.getbasetemp() / "members.gz"
    path.write_bytes(b"".join(map(gzip.compress, members)))
    assert everything(path) == b"".join(members)


@pytest.mark.parametrize("content", [LINES, NOISE])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_the_share_grows_from_0_to_1(
    tmp_path: Path, content: bytes, pack: Callable[[bytes], bytes]
) -> None:
    path = tmp_path / "recording"
    path.write_bytes(pack(content))
    shares = [share for _, share in chunks(str(path))]
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < 0.5
    assert shares[-1] == 1.0


def test_a_packed_file_that_breaks_off_yields_all_that_can_be_had(tmp_path: Path) -> None:
    path = tmp_path / "recording.gz"
    packed = gzip.compress(NOISE)
    for size in (2, 9, 10, 11, 1000, len(packed) // 2, len(packed) - 8, len(packed) - 1):
        path.write_bytes(packed[:size])
        data, complaint = until_bad(path)
        assert NOISE.startswith(data)
        # Noise is stored as it is, but for a few bytes for each block.
        assert len(data) >= min(size - 200, len(NOISE))
        assert "breaks off" in complaint
        assert complaint.startswith(str(path))


def test_text_that_breaks_off_loses_only_the_last_of_it(tmp_path: Path) -> None:
    path = tmp_path / "recording.gz"
    packed = gzip.compress(LINES)
    path.write_bytes(packed[:-9])
    data, _ = until_bad(path)
    assert LINES.startswith(data)
    assert len(data) > len(LINES) - 2000


def test_a_damaged_packed_file(tmp_path: Path) -> None:
    path = tmp_path / "recording.gz"
    packed = gzip.compress(LINES)
    wrong_sum = packed[:-8] + bytes(4) + packed[-4:]
    path.write_bytes(wrong_sum)
    data, complaint = until_bad(path)
    assert LINES.startswith(data)
    assert len(data) > len(LINES) - CHUNK_BYTES
    assert "damaged" in complaint
    for content in (packed + b"more", b"\x1f\x8b" + NOISE):
        path.write_bytes(content)
        assert "damaged" in until_bad(path)[1]


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    assert (
        until_bad(tmp_path / "nothing")[1] == f"{tmp_path}/nothing: does not exist; check the name"
    )
    assert "is a directory" in until_bad(tmp_path)[1]
    (tmp_path / "file").write_bytes(LINES)
    assert "cannot be read" in until_bad(tmp_path / "file" / "below")[1]


def test_a_file_that_is_not_permitted(tmp_path: Path) -> None:
    path = tmp_path / "recording"
    path.write_bytes(LINES)
    path.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        data, complaint = until_bad(path)
    finally:
        if root:
            os.seteuid(0)
    assert data == b""
    assert "not permitted" in complaint


COPY = """
import sys
from fenceguard.recording.files import chunks
for piece, share in chunks("-"):
    sys.stdout.buffer.write(piece)
print(share, file=sys.stderr)
"""


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
@pytest.mark.parametrize("from_file", [False, True])
def test_standard_input(tmp_path: Path, pack: Callable[[bytes], bytes], from_file: bool) -> None:
    path = tmp_path / "recording"
    path.write_bytes(pack(NOISE))
    command = [sys.executable, "-c", COPY]
    root = Path(__file__).parents[1]
    if from_file:
        with path.open("rb") as file:
            done = subprocess.run(command, stdin=file, capture_output=True, check=True, cwd=root)
    else:
        done = subprocess.run(
            command, input=path.read_bytes(), capture_output=True, check=True, cwd=root
        )
    assert done.stdout == NOISE
    assert float(done.stderr) == (1.0 if from_file else 0.0)


@pytest.mark.parametrize("name", ["walk-1hz-fixed-float.ubx.gz", "odd-sentences.nmea.gz"])
def test_recordings(log: Callable[[str], Path], name: str) -> None:
    assert everything(log(name)) == gzip.decompress(log(name).read_bytes())
