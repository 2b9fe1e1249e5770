"""Bytes to checked sentences (NMEA 0183), whatever else is in between.

A sentence is a start character (`$` or `!`), a body that begins with an address and a comma, and
the body's checksum (`*hh`). The checksum vouches for it, so its line end is not waited for. A start
character without an address behind it is a stray byte of something else and is passed over; with
an address it counts, as a sentence or as rejected:

- `checksum`: the checksum is wrong
- `no_checksum`: the line ends without one
- `overlong`: the body is longer than `LONGEST_BODY`
- `broken`: a byte that cannot be in a sentence, or another start, comes before the checksum
- `tag`: the TAG block before it has a wrong checksum or none. What it says of the time cannot be
  believed, nor which sentence it was meant for, so the sentence is dropped with it.

Nothing depends on how the bytes were cut into chunks.
"""

import re
from typing import NamedTuple

LONGEST_BODY = 160
"""Characters between the start and the checksum. The standard has 79; real receivers send more."""
LONGEST_TAG = 100
"""Characters between the two backslashes of a TAG block."""
TAG_MS_FROM = 10**11
"""A TAG time from here on is in ms, below it in s: the year 5138 in s, 1973 in ms."""

_HALVES_BITS = (1024, 512, 256, 128, 64, 32, 16, 8)
"""Twice the first is more characters than a body or a TAG block has."""
_BACKSLASH = ord("\\")
_LOOK_BACK = LONGEST_TAG + 2
_LONGEST_START = 11
_TEXT = rb'[ "#%-)+-\[\]-~]'
"""Characters of a TAG block: printing, without those that NMEA 0183 keeps for itself."""
_CANDIDATE = re.compile(
    rb'[$!]((?=[A-Z][A-Z0-9]{1,9},)[ "#%%-)+-~]{0,%d})(?:\*([0-9A-Fa-f]{2}))?' % LONGEST_BODY
)
_HALF_START = re.compile(rb"[$!](?:[A-Z][A-Z0-9]{0,9})?\Z")
_HALF_SUM = re.compile(rb"(?:\*[0-9A-Fa-f]?)?\Z")
_TAG = re.compile(rb"\\([0-9A-Za-z]{1,15}:" + _TEXT + rb"*)(?:\*(" + _TEXT + rb"*))?\\\Z")
_HALF_TAG = re.compile(rb"\\[0-9A-Za-z]{1,15}:" + _TEXT + rb"*(?:\*" + _TEXT + rb"*)?\\?\Z")
_TAG_SUM = re.compile(rb"[0-9A-Fa-f]{2}")
_TAG_TIME = re.compile(rb"(?:\A|,)c:([0-9]{1,15})(?=,|\Z)")


class Sentence(NamedTuple):
    """A sentence whose checksum is right."""

    body: str
    """What is between the start character and the `*`."""
    tag_time_s: float | None
    """UNIX time from the TAG block, if there was one and it had a time."""


class Framer:
    """Finds the sentences in a stream of bytes.

    `sentences` counts those found, `rejected` by reason those that were not good enough.
    """

    def __init__(self) -> None:
        self.sentences = 0
        self.rejected: dict[str, int] = {}
        self.cut_bytes = 0
        """Length of the sentence that the input broke off in, 0 if it did not."""
        self._kept = b""
        self._begin = 0

    def feed(self, data: bytes) -> list[Sentence]:
        """The sentences that are complete with these bytes."""
        data = self._kept + data
        found: list[Sentence] = []
        rest = len(data)
        for match in _CANDIDATE.finditer(data, self._begin):
            body, checksum = match.groups()
            if checksum is None:
                if _is_half(data, match.end(1)):
                    rest = match.start()
                    break
                self._reject(_fault(data, match.end(1)))
            elif _checksum(body) != int(checksum, 16):
                self._reject("checksum")
            elif match.start() and data[match.start() - 1] == _BACKSLASH:
                self._found_behind_tag(data, match.start(), body, found)
            else:
                self.sentences += 1
                found.append(Sentence(body.decode("ascii"), None))
        else:
            half = _HALF_START.search(data, max(self._begin, len(data) - _LONGEST_START))
            if half is not None:
                rest = half.start()
        keep_from = max(0, rest - _LOOK_BACK)
        self._kept = data[keep_from:]
        self._begin = rest - keep_from
        return found

    def finish(self) -> list[Sentence]:
        """The input has ended; forgets a sentence that was begun and sets `cut_bytes`.

        There is never a sentence left to hand out, as none waits for its line end.
        """
        begun = self._kept[self._begin :]
        before = _HALF_TAG.search(self._kept, max(0, self._begin - _LOOK_BACK), self._begin)
        self.cut_bytes = len(begun) if len(begun) > 1 else 0
        if before is not None:
            self.cut_bytes = len(self._kept) - before.start()
        self._kept, self._begin = b"", 0
        return []

    def _found_behind_tag(
        self, data: bytes, start: int, body: bytes, found: list[Sentence]
    ) -> None:
        time_s = None
        # A backslash that closes no TAG block is a stray byte, like any other before a sentence.
        tag = _TAG.search(data, max(0, start - _LOOK_BACK), start)
        if tag is not None:
            text, checksum = tag.groups()
            if not _TAG_SUM.fullmatch(checksum or b"") or _checksum(text) != int(checksum, 16):
                self._reject("tag")
                return
            time_s = _tag_time_s(text)
        self.sentences += 1
        found.append(Sentence(body.decode("ascii"), time_s))

    def _reject(self, reason: str) -> None:
        self.rejected[reason] = self.rejected.get(reason, 0) + 1


def _checksum(text: bytes) -> int:
    """Exclusive or of all characters: as one long number, folded in half down to one of them."""
    folded = int.from_bytes(text, "big")
    for bits in _HALVES_BITS:
        folded ^= folded >> bits
    return folded & 0xFF


def _is_half(data: bytes, body_end: int) -> bool:
    """Whether what follows a body may still become its checksum, or more of the body."""
    return _HALF_SUM.match(data, body_end) is not None


def _fault(data: bytes, body_end: int) -> str:
    """Why a body has no checksum behind it, from the byte that follows."""
    following = data[body_end]
    if following in b"\r\n":
        return "no_checksum"
    if 0x20 <= following <= 0x7E and following not in b"$!*":
        return "overlong"
    return "broken"


def _tag_time_s(text: bytes) -> float | None:
    match = _TAG_TIME.search(text)
    if match is None:
        return None
    time = int(match[1])
    return time / 1000.0 if time >= TAG_MS_FROM else float(time)
