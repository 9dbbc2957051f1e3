"""The small change of packed inputs: varints, texts and tagged values."""

from __future__ import annotations

import struct
from dataclasses import fields
from enum import StrEnum

from nightheron.model import Act, Gas, Learned, Left, Reason, Signal, Work

# Places are numbers in every stored pack: append only.
ENUMS: tuple[type[StrEnum], ...] = (Gas, Reason, Act, Signal, Work)
NONE, FALSE, TRUE, INT, FLOAT, TEXT, TUPLE, LEFT, ENUM, LEARNED = range(10)
MOST_VARINT_BYTES = 64
WHOLE = {tuple: TUPLE, Left: LEFT, Learned: LEARNED}
NAMES = {kind: tuple(f.name for f in fields(kind)) for kind in (Left, Learned)}


class BadPack(ValueError):  # noqa: N818 - named for what it says
    """Bytes that are not a whole pack."""


class NotKnown(BadPack, LookupError):  # noqa: N818 - named for what it says
    """A whole pack, as far as one can see, with something in it that this version has no name for."""


def zigzag(number: int) -> int:
    """Signed to unsigned, small staying small."""
    return number * 2 if number >= 0 else -number * 2 - 1


def put_varint(out: bytearray, number: int) -> None:
    """Append an unsigned number, seven bits a byte, low bits first."""
    while number > 127:
        out.append(number & 127 | 128)
        number >>= 7
    out.append(number)


def put_text(lengths: bytearray, text: bytearray, given: str) -> None:
    """Append a text; surrogates, which only damaged input has, come back as they were."""
    data = given.encode("utf-8", "surrogatepass")
    put_varint(lengths, len(data))
    text += data


def put_value(out: bytearray, value: object) -> None:
    """Append a tagged value: None, bool, number, text, an enum of ENUMS, a tuple of these, Left, Learned."""
    if value is None or value is True or value is False:
        out.append(NONE if value is None else TRUE if value else FALSE)
    elif isinstance(value, StrEnum):
        out += bytes((ENUM, ENUMS.index(type(value))))
        put_text(out, out, value.value)
    elif isinstance(value, int):
        out.append(INT)
        put_varint(out, zigzag(value))
    elif isinstance(value, float):
        out.append(FLOAT)
        out += struct.pack("<d", value)
    elif isinstance(value, str):
        out.append(TEXT)
        put_text(out, out, value)
    elif isinstance(value, tuple | Left | Learned):
        inner = value if isinstance(value, tuple) else tuple(getattr(value, n) for n in NAMES[type(value)])
        out.append(WHOLE[type(value)])
        put_varint(out, len(inner))
        for one in inner:
            put_value(out, one)
    else:
        raise TypeError(f"cannot pack a {type(value).__name__}")


def get_value(reader: Reader) -> object:
    """Read one tagged value. Raises BadPack, IndexError or ValueError when there is none."""
    tag = reader.take(1)[0]
    if tag in (NONE, FALSE, TRUE):
        return (None, False, True)[tag]
    if tag == INT:
        return reader.signed()
    if tag == FLOAT:
        return struct.unpack("<d", reader.take(8))[0]
    if tag == TEXT:
        return reader.text(reader.varint())
    if tag == ENUM:
        return _enum(reader.take(1)[0], reader.text(reader.varint()))
    if tag in (TUPLE, LEFT, LEARNED):
        inner = tuple(get_value(reader) for _ in range(reader.varint()))
        if tag == TUPLE:
            return inner
        try:
            return Left(*inner) if tag == LEFT else Learned(*inner)  # type: ignore[arg-type]  # as written
        except TypeError:
            raise NotKnown("more of what a run left behind than this version knows") from None
    raise NotKnown(f"a value of a sort (number {tag}) that this version does not know")


def _enum(number: int, word: str) -> StrEnum:
    if number >= len(ENUMS):
        raise NotKnown(f"a word of a sort (number {number}) that this version does not know")
    try:
        return ENUMS[number](word)
    except ValueError:
        raise NotKnown(f"the word {word!r}, which this version does not know") from None


class Reader:
    """Bytes read from the front; never beyond the end."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        """The next bytes; raises BadPack when there are fewer."""
        piece = self.data[self.at : self.at + count]
        if len(piece) != count:
            raise BadPack("cut off")
        self.at += count
        return piece

    def varint(self) -> int:
        """An unsigned number."""
        number = shift = 0
        while True:
            byte = self.data[self.at]
            self.at += 1
            number |= (byte & 127) << shift
            if byte < 128:
                return number
            shift += 7
            if shift > 7 * MOST_VARINT_BYTES:
                raise BadPack("endless number")

    def signed(self) -> int:
        """A signed number."""
        number = self.varint()
        return number >> 1 if number & 1 == 0 else -(number >> 1) - 1

    def text(self, length: int) -> str:
        """A text of that many bytes."""
        return self.take(length).decode("utf-8", "surrogatepass")

    def done(self) -> bool:
        """Nothing is left."""
        return self.at == len(self.data)
