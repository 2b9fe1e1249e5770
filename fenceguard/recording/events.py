"""What a recording tells, and how it is written: a line of JSON for each event.

The lines are packed by gzip, a member a file. The first line of a file tells its run and how many
events of that came before, so that what is missing between two files can be counted.
"""

import json
import math
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from fenceguard.errors import BadInput
from fenceguard.recording.sieve import Piece, restored

RESOLUTION_S = 0.001
LAST_S = 1e10
"""No clock tells more: three hundred years."""
MOST_OTHER = 1 << 24
"""Bytes that are not NMEA in one piece: no source hands over as many at once."""
GZIP_FORMAT = 16 + zlib.MAX_WBITS
"""What zlib calls a member of gzip."""
FORMAT = 1
MARK = b'{"recording": '
"""What the first line of every file begins with."""


Held = Mapping[str, bool | float | None]
"""What is held, by the name of the input."""


class Started(NamedTuple):
    """A run began. `header` is what the writer told of it."""

    at_s: float
    header: dict[str, Any]


class Header(NamedTuple):
    """What is told of a run at its start."""

    run: str
    """Its name, in the journal as well."""
    utc_s: float
    """What the host's clock told."""
    interventions: int
    """Number of the last intervention before it."""
    settings_hash: str
    fence_hash: str

    @classmethod
    def of(cls, started: Started, log: str) -> "Header":
        """The header of a run that began in a file. Raises BadInput where it is none."""
        told = started.header
        match [told.get(name) for name in cls._fields]:
            case [str(run), int() | float() as utc_s, int(number), str(settings), str(fence)]:
                return cls(run, float(utc_s), number, settings, fence)
        raise BadInput(
            f"{log}: its run begins with {told!r:.80}, which is not what run writes; get another "
            "copy, or leave it out"
        )


class Arrived(NamedTuple):
    """Bytes came in; those that are not NMEA are zeros now."""

    at_s: float
    data: bytes


class Sensed(NamedTuple):
    """The inputs changed: what they are now, pressed or not, or what the controller tells."""

    at_s: float
    inputs: Held


class Stopped(NamedTuple):
    """The run ended, and why."""

    at_s: float
    reason: str


class Missed(NamedTuple):
    """So many events at this point are not in the recording: it does not run again bit for bit."""

    at_s: float
    """Of the event before."""
    events: int


class Torn(NamedTuple):
    """A file breaks off, as a power cut leaves it: the last seconds before it may be missing."""

    at_s: float
    """Of the event before."""
    text: str
    """Says which file."""


class NextRun(NamedTuple):
    """Here begin the files of another run; so many events of it before them are not there."""

    at_s: float
    missing: int


Event = Started | Arrived | Sensed | Stopped | Missed | Torn | NextRun


def rounded_s(at_s: float) -> float:
    """A time as a recording holds it; what is decided by a time is decided by this."""
    return round(at_s, 3)


class Head(NamedTuple):
    """The first line of a file."""

    run: int
    """Number of the first file of its run."""
    before: int
    """How many events of the run come before the file."""


def head_line(head: Head) -> str:
    """The first line of a file."""
    return json.dumps({"recording": FORMAT, **head._asdict()}) + "\n"


def head_of(line: bytes) -> Head:
    """The head in a first line. Raises ValueError or RecursionError where it is none."""
    match json.loads(line):
        case {"recording": int(version)} if version != FORMAT:
            raise ValueError(f"version {version} is not read here, only {FORMAT}")
        case {"run": int(run), "before": int(before)} if before >= 0:
            return Head(run, before)
    raise ValueError("not the first line of a recording")


def start_line(at_s: float, header: dict[str, Any]) -> str:
    """Raises TypeError or ValueError where the header is not plain values."""
    return _line(at_s, {"start": header})


def arrived_line(at_s: float, pieces: list[Piece]) -> str:
    """`pieces` are as the sieve gives them."""
    return _line(at_s, {"data": pieces})


def inputs_line(at_s: float, held: Held) -> str:
    """All inputs, changed or not."""
    return _line(at_s, {"inputs": held})


def stop_line(at_s: float, reason: str) -> str:
    """The reason is a text for people."""
    return _line(at_s, {"stop": reason})


def missed_line(count: int) -> str:
    """Where events were lost, in their place."""
    return json.dumps({"missed": count}) + "\n"


def _line(at_s: float, told: dict[str, Any]) -> str:
    if not math.isfinite(at_s):
        raise ValueError(f"no time: {at_s}")
    return json.dumps({"at": rounded_s(at_s), **told}, allow_nan=False) + "\n"


def parsed(line: bytes, before_s: float) -> Event:
    """The event in a line; `before_s` is the time of the one before.

    Raises ValueError or RecursionError where the line holds none, or goes back in time in a run.
    """
    told = json.loads(line)
    match told:
        case {"missed": int(count)} if len(told) == 1 and count > 0:
            return Missed(before_s, count)
        case {"at": int() | float() as at_s} if len(told) == 2 and abs(at_s) < LAST_S:
            return _at(float(at_s), told, before_s)
    raise ValueError("no event of a recording")


def _at(at_s: float, told: dict[str, Any], before_s: float) -> Event:
    match told:
        case {"start": dict(header)}:
            return Started(at_s, header)
        case _ if at_s < before_s:
            raise ValueError(f"goes back in time from {before_s} to {at_s} s")
        case {"data": list(pieces)} if all(map(_is_piece, pieces)):
            return Arrived(at_s, restored(pieces))
        case {"inputs": dict(held)} if all(map(_is_held, held.values())):
            return Sensed(at_s, held)
        case {"stop": str(reason)}:
            return Stopped(at_s, reason)
    raise ValueError("no event of a recording")


def _is_held(value: Any) -> bool:
    if value is None or type(value) is bool:
        return True
    return type(value) in (int, float) and abs(value) < LAST_S


def _is_piece(piece: Any) -> bool:
    if isinstance(piece, str):
        return piece.isascii()
    return type(piece) is int and 0 < piece <= MOST_OTHER
