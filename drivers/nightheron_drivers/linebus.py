"""Bytes of a serial line to lines, whatever way the bytes were cut.

CR and LF each end a line, so CRLF ends one and then an empty one, and an empty line is nothing; no
memory of the last byte is needed, and a device that sends CR alone works. Memory is bounded: of an
endless line LINE_MOST bytes are kept, it is refused at once and the rest of it is skipped.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from nightheron_drivers.protocols import RAW_MOST

LINE_MOST = 256
"""The most bytes of one line that are kept; what is longer is refused."""

_END = re.compile(rb"[\r\n]")
_BLANKS = b" \t"


@dataclass(frozen=True, slots=True)
class Line:
    """One line without its end and outer blanks; ``refused`` is ``too_long`` or ``partial``."""

    data: bytes
    refused: str | None = None


class LineBus:
    """Cuts a stream of bytes. With ``mid_line`` the stream may have begun in the middle of a line."""

    def __init__(self, *, mid_line: bool) -> None:
        self._held = b""
        self._partial = mid_line
        self._skipping = False

    @property
    def holds_half(self) -> bool:
        """True when a line has begun and not ended."""
        return bool(self._held)

    def lose(self) -> None:
        """Bytes may be missing here: what is held, and all up to the next line end, is no line.

        The halves of two numbers can make a third: ``7.`` and ``02`` of another line.
        """
        self._partial = True

    def feed(self, data: bytes) -> list[Line]:
        """Take bytes, give the lines that ended in them, and an endless one as soon as it is."""
        lines: list[Line] = []
        start = 0
        for end in _END.finditer(data):
            self._take(data[start : end.start()], lines)
            self._end(lines)
            start = end.end()
        self._take(data[start:], lines)
        return lines

    def _take(self, part: bytes, lines: list[Line]) -> None:
        if self._skipping:
            return
        room = LINE_MOST - len(self._held)
        self._held += part[:room]
        if len(part) > room:
            lines.append(Line(self._held, "too_long"))
            self._held, self._skipping = b"", True

    def _end(self, lines: list[Line]) -> None:
        held = self._held.strip(_BLANKS)
        if held:
            lines.append(Line(held, "partial" if self._partial else None))
        self._held, self._skipping, self._partial = b"", False, False


def escaped(data: bytes) -> str:
    """What was received as printable ASCII, ``\\xNN`` for the rest, at most RAW_MOST characters."""
    text = "".join(
        chr(byte) if 0x20 <= byte < 0x7F and byte != 0x5C else f"\\x{byte:02x}" for byte in data[:RAW_MOST]
    )
    return text[:RAW_MOST]
