"""Gives back what was recorded."""

import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from fenceguard.errors import BadInput
from fenceguard.recording.events import (
    FORMAT,
    MARK,
    Arrived,
    Event,
    Missed,
    Sensed,
    Started,
    Stopped,
    Torn,
    first_line_of,
    parsed,
)

__all__ = [
    "Arrived",
    "Event",
    "Missed",
    "Sensed",
    "Started",
    "Stopped",
    "Torn",
    "arrivals",
    "is_recording",
]
CHUNK_BYTES = 1 << 12
"""Packed; they may become a thousand times as many."""
LONGEST_LINE = 1 << 20
_GZIP_FORMAT = 16 + zlib.MAX_WBITS


def is_recording(path: Path) -> bool:
    """Whether a file holds a recording, by its content. Raises OSError where it cannot be read."""
    with path.open("rb") as file:
        begin = file.read(CHUNK_BYTES)
    try:
        return zlib.decompressobj(_GZIP_FORMAT).decompress(begin, len(MARK)) == MARK
    except zlib.error:
        return False


def arrivals(paths: Iterable[Path]) -> Iterator[Event]:
    """Everything in the files of a recording, in the order in which they are given.

    A file may break off, as a power cut leaves it: `Torn` says so, and the next file goes on. What
    else is not there (events that were dropped, files before or between these) comes as `Missed`.
    Raises BadInput for a file that is no recording, cannot be read, is damaged or not in its order,
    once everything before that has been handed out.
    """
    before, at_s = 0, 0.0
    for path in paths:
        lines = _Lines(path)
        number = 0
        for number, line in enumerate(lines, start=1):
            try:
                if number == 1:
                    missed = _joined(path, first_line_of(line), before)
                    if missed is None:
                        before, at_s = 0, 0.0
                        continue
                    event: Event = Missed(at_s, missed)
                else:
                    event = parsed(line, at_s)
            except (ValueError, RecursionError) as error:
                raise BadInput(
                    f"{path}: line {number} is not as it was written ({error}); the file is "
                    "damaged, get another copy or leave it out"
                ) from error
            before += event.events if isinstance(event, Missed) else 1
            at_s = event.at_s
            if not isinstance(event, Missed) or event.events:
                yield event
        if lines.torn:
            yield Torn(at_s, f"{path}: breaks off behind line {number}, as after a power cut")


def _joined(path: Path, first: tuple[int, int], before: int) -> int | None:
    """How many events are missing before a file of the same run; None where it begins a run."""
    version, wanted = first
    if version != FORMAT:
        raise BadInput(
            f"{path}: a recording of another version ({version}, not {FORMAT}); read it with the "
            "fenceguard that wrote it"
        )
    if wanted == 0:
        return None
    if wanted < before:
        raise BadInput(
            f"{path}: belongs before the file ahead of it; give the files in order of their names"
        )
    return wanted - before


class _Lines:
    """The whole lines of a packed file; `torn` tells afterwards whether it breaks off."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.torn = False

    def __iter__(self) -> Iterator[bytes]:
        member = zlib.decompressobj(_GZIP_FORMAT)
        begun = b""
        try:
            with self._path.open("rb") as file:
                while not member.eof and (packed := file.read(CHUNK_BYTES)):
                    *lines, begun = (begun + member.decompress(packed)).split(b"\n")
                    yield from lines
                    if len(begun) > LONGEST_LINE:
                        raise self._damaged("a line without an end")
                if member.eof and (member.unused_data or file.read(1) or begun):
                    raise self._damaged("more behind its end")
        except zlib.error as error:
            raise self._damaged(str(error)) from None
        except OSError as error:
            raise BadInput(
                f"{self._path}: cannot be read: {error.strerror}; check name and rights"
            ) from error
        self.torn = not member.eof

    def _damaged(self, how: str) -> BadInput:
        return BadInput(
            f"{self._path}: damaged or no recording ({how}); what comes after the damage cannot be "
            "read, get another copy"
        )
