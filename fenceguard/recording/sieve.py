"""What of the bytes that arrive is NMEA, and how many are not.

Kept is what runs from a `\\`, `$` or `!` through printable characters, with the line end behind
them. The rest is only counted. Framing cannot tell one byte that is neither printable nor a line
end from another, and looks at printable ones outside of what is kept only to pass them over. So it
finds and rejects the same in what `restored` gives back.
"""

import re
from collections.abc import Sequence

_KEPT = re.compile(rb"[\\$!][\x20-\x7E]*[\r\n]*")
_LINE = re.compile(rb"[\x20-\x7E]*[\r\n]*")
_LINE_END = re.compile(rb"[\r\n]*")
_NOTHING = re.compile(rb"")
_OTHER = b"\0"

Piece = str | int
"""Text that was kept, or the number of bytes that were not."""


class Sieve:
    """Tells NMEA from the rest of a stream; nothing depends on how it was cut into chunks."""

    def __init__(self) -> None:
        self._going_on = _NOTHING

    def sift(self, data: bytes) -> list[Piece]:
        """The next bytes: texts and counts by turns."""
        if not data:
            return []
        pieces: list[Piece] = []
        begun = self._going_on.match(data)
        text = begun[0] if begun else b""
        end = len(text)
        for kept in _KEPT.finditer(data, end):
            if kept.start() > end:
                _add(pieces, text)
                pieces.append(kept.start() - end)
                text = b""
            text += kept[0]
            end = kept.end()
        _add(pieces, text)
        if end < len(data):
            pieces.append(len(data) - end)
            self._going_on = _NOTHING
        else:
            self._going_on = _LINE_END if data[-1:] in b"\r\n" else _LINE
        return pieces


def _add(pieces: list[Piece], text: bytes) -> None:
    if text:
        pieces.append(text.decode("ascii"))


def restored(pieces: Sequence[Piece]) -> bytes:
    """Bytes in which framing finds and rejects the same as in those that arrived."""
    return b"".join(
        _OTHER * piece if isinstance(piece, int) else piece.encode("ascii") for piece in pieces
    )
