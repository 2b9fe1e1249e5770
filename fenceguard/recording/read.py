"""Gives back what was recorded."""

import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from fenceguard.errors import BadInput
from fenceguard.recording.events import (
    GZIP_FORMAT,
    MARK,
    Arrived,
    Event,
    Head,
    Missed,
    NextRun,
    Sensed,
    Started,
    Stopped,
    Torn,
    head_of,
    parsed,
)
from fenceguard.recording.names import number_of

__all__ = [
    "Arrived",
    "Event",
    "Missed",
    "NextRun",
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


def is_recording(path: Path) -> bool:
    """Whether a file holds a recording, by its content. Raises OSError where it cannot be read.

    One that broke off before it held anything, as on a full disk, is known by its name.
    """
    with path.open("rb") as file:
        begin = file.read(CHUNK_BYTES)
    try:
        content = zlib.decompressobj(GZIP_FORMAT).decompress(begin, len(MARK))
    except zlib.error:
        return False
    return content == MARK or (number_of(path) > 0 and MARK.startswith(content))


def arrivals(paths: Iterable[Path]) -> Iterator[Event]:
    """Everything in the files of a recording, in the order in which they are given.

    A file may break off, as a power cut leaves it: `Torn` says so, and the next file goes on.
    `NextRun` comes ahead of each run's first file here. What else is not there (events that were
    dropped, files between these) comes as `Missed`.
    Raises BadInput for a file that is no recording, cannot be read, is damaged or not in its order,
    once everything before that has been handed out.
    """
    run, at_s = Head(0, 0), 0.0
    for path in paths:
        lines = _Lines(path)
        number = 0
        for number, line in enumerate(lines, start=1):
            try:
                if number == 1:
                    head = head_of(line)
                    if head.run != run.run or head.before == 0:
                        run, at_s = head, 0.0
                        yield NextRun(at_s, head.before)
                    event: Event = Missed(at_s, _missing(path, run, head))
                else:
                    event = parsed(line, at_s)
            except (ValueError, RecursionError) as error:
                raise BadInput(
                    f"{path}: line {number} is not as it was written ({error}); the file is "
                    "damaged, get another copy or leave it out"
                ) from error
            new = event.events if isinstance(event, Missed) else 1
            run = run._replace(before=run.before + new)
            at_s = event.at_s
            if new:
                yield event
        if lines.torn:
            yield Torn(at_s, f"{path}: breaks off behind line {number}, as after a power cut")


def _missing(path: Path, run: Head, head: Head) -> int:
    """How many events of a run there must have been between what was read and a file."""
    if head.before < run.before:
        raise BadInput(
            f"{path}: belongs before the file ahead of it; give the files in order of their names"
        )
    return head.before - run.before


class _Lines:
    """The whole lines of a packed file; `torn` tells afterwards whether it breaks off."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.torn = False

    def __iter__(self) -> Iterator[bytes]:
        member = zlib.decompressobj(GZIP_FORMAT)
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
