"""Recordings: plain or .gz files, or standard input."""

import os
import stat
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path

from fenceguard.errors import BadInput
from fenceguard.recording.events import GZIP_FORMAT

STANDARD_INPUT = "-"
CHUNK_BYTES = 65536
_GZIP_BEGIN = b"\x1f\x8b"


def prove(path: str) -> None:
    """Raise BadInput unless a recording can be opened."""
    with _complaining(path), _opened(path):
        pass


def chunks(path: str) -> Iterator[tuple[bytes, float]]:
    """A recording piece by piece, each with the share of the file, 0 to 1, that has been read.

    `-` is standard input, whose share stays 0 unless it is a file. What was packed by gzip is known
    by its content and unpacked. Raises BadInput if it cannot be opened, or, once everything before
    that has been handed out, where it breaks off or is damaged.
    """
    with _complaining(path), _opened(path) as file:
        yield from _pieces(path, file)


@contextmanager
def _complaining(path: str) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise BadInput(f"{path}: does not exist; check the name") from None
    except IsADirectoryError:
        raise BadInput(f"{path}: is a directory; name the recordings in it") from None
    except PermissionError:
        raise BadInput(f"{path}: not permitted; have its owner let you read it") from None
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error}; try a copy of it") from error


def _opened(path: str) -> BufferedReader:
    if path == STANDARD_INPUT:
        if sys.stdin is None:
            raise BadInput("-: standard input is closed; name a file")
        return os.fdopen(sys.stdin.fileno(), "rb", closefd=False)
    return Path(path).open("rb")


def _pieces(path: str, file: BufferedReader) -> Iterator[tuple[bytes, float]]:
    status = os.fstat(file.fileno())
    total = status.st_size if stat.S_ISREG(status.st_mode) else 0
    packed = _read(file)
    begin = next(packed, b"")
    pieces = _unpacked(path, begin, packed) if begin == _GZIP_BEGIN else _all(begin, packed)
    for piece in pieces:
        yield piece, min(1.0, file.tell() / total) if total else 0.0


def _read(file: BufferedReader) -> Iterator[bytes]:
    """As many bytes as tell a packed file, then whatever there is."""
    yield file.read(len(_GZIP_BEGIN))
    while piece := file.read1(CHUNK_BYTES):
        yield piece


def _all(begin: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield begin
    yield from rest


def _unpacked(path: str, begin: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    """Unpack, member after member; all that can be had comes before the complaint."""
    try:
        member = zlib.decompressobj(GZIP_FORMAT)
        for packed in _all(begin, rest):
            while packed:
                if member.eof:
                    # Zeros may fill up a file; anything else must be another member.
                    packed = packed.lstrip(b"\0")
                    if not packed:
                        break
                    member = zlib.decompressobj(GZIP_FORMAT)
                yield member.decompress(packed, CHUNK_BYTES)
                packed = member.unused_data if member.eof else member.unconsumed_tail
        yield member.flush()
    except zlib.error as error:
        raise BadInput(
            f"{path}: damaged ({error}); what comes after the damage cannot be read, get another "
            "copy"
        ) from None
    if not member.eof:
        raise BadInput(f"{path}: breaks off before its end; get the whole file")
