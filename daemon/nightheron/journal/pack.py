"""Events to bytes and back, exactly: every float bit for bit, every string, every order.

Events of one minute are alike, so they are stored by column before deflate: one column says which
type comes next, one holds times, others the text of readings. A time is the second difference
to the event of the same source before it, in whole milliseconds if all are whole: a steady probe
costs one small number a reading. A reading whose value is what its text says stores the text
only. Everything rarer is written field by field with a type tag, and a count of fields, so that a
pack made before a field was added still reads, the new field taking its default.

Layout: one version byte, then raw deflate of: varint event count, varint column count, and each
column as varint length and bytes. All numbers are LEB128 varints; signed ones are zigzag.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from nightheron.journal.packbits import (
    BadPack,
    NotKnown,
    Reader,
    get_value,
    put_text,
    put_value,
    put_varint,
    zigzag,
)
from nightheron.model import (
    Acted,
    Committed,
    Event,
    FeedbackSaid,
    Hour,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OtherOrder,
    Signal,
    Started,
    Stopping,
    Ticked,
    ValveSaid,
)

__all__ = ["BadPack", "NotKnown", "pack", "unpack"]

VERSION = 1
MOST_BYTES = 64 * 1024 * 1024
"""The most a pack may unfold to; more is refused, not inflated."""
MS = 1_000_000
# A type's place is its number in every stored pack: append only.
TYPES: tuple[type[Any], ...] = (
    Ticked,
    Observed,
    Committed,
    Started,
    JournalSaid,
    ValveSaid,
    FeedbackSaid,
    OtherOrder,
    KeeperSaid,
    Late,
    Acted,
    Stopping,
    Hour,
)
NUMBER = {kind: number for number, kind in enumerate(TYPES)}
NAMES = {kind: tuple(f.name for f in fields(kind)) for kind in TYPES}
# A signal's place is its number in every stored pack: append only.
SIGNALS = (
    Signal.CHAMBER_PH,
    Signal.TANK_PH,
    Signal.TEMPERATURE,
    Signal.FLOW,
    Signal.CIRCULATION,
    Signal.FEED,
    Signal.OUTLET_PRESSURE,
    Signal.VESSEL_PRESSURE,
    Signal.LEAK,
    Signal.ROOM_CO2,
)
NO_VALUE, VALUE_IS_RAW, VALUE_IS_TEXT, VALUE_IS_TAGGED = range(4)


class _Times:
    """Predicts each time from the two before it of the same source."""

    def __init__(self) -> None:
        self.latest = 0
        self.seen: dict[object, tuple[int, int]] = {}

    def guess(self, source: object) -> int:
        last, step = self.seen.get(source, (self.latest, 0))
        return last + step

    def saw(self, source: object, time: int) -> None:
        last = self.seen.get(source)
        self.seen[source] = (time, time - last[0] if last else 0)
        self.latest = time


class _Columns:
    """What is written, column by column, in this order."""

    def __init__(self) -> None:
        self.kinds, self.times, self.sources, self.modes = bytearray(), bytearray(), bytearray(), bytearray()
        self.lengths, self.text, self.tagged = bytearray(), bytearray(), bytearray()

    def all(self) -> tuple[bytearray, ...]:
        return (self.kinds, self.times, self.sources, self.modes, self.lengths, self.text, self.tagged)


def pack(events: Sequence[Event]) -> bytes:
    """The events as bytes; any finite list, in any order of time."""
    out, times = _Columns(), _Times()
    unit = MS if all(event.at_ns % MS == 0 for event in events) else 1
    put_varint(out.times, unit)
    for event in events:
        kind = type(event)
        out.kinds.append(NUMBER[kind])
        source: object = kind
        if isinstance(event, Observed):
            source = (event.signal, event.probe)
            _put_observed(out, event)
        elif kind is not Ticked:
            names = NAMES[kind]
            put_varint(out.tagged, len(names) - 1)
            for name in names[1:]:
                put_value(out.tagged, getattr(event, name))
        time = event.at_ns // unit
        put_varint(out.times, zigzag(time - times.guess(source)))
        times.saw(source, time)
    plain = bytearray()
    put_varint(plain, len(events))
    columns = out.all()
    put_varint(plain, len(columns))
    for column in columns:
        put_varint(plain, len(column))
        plain += column
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    return bytes([VERSION]) + deflate.compress(plain) + deflate.flush()


def _put_observed(out: _Columns, event: Observed) -> None:
    put_varint(out.sources, SIGNALS.index(event.signal))
    put_varint(out.sources, zigzag(event.probe))
    put_text(out.lengths, out.text, event.raw)
    mode = _mode(event.value, event.raw)
    out.modes.append(mode | (4 if event.refused is not None else 0))
    if mode == VALUE_IS_TEXT:
        put_text(out.lengths, out.text, repr(event.value))
    elif mode == VALUE_IS_TAGGED:
        put_value(out.tagged, event.value)
    if event.refused is not None:
        put_text(out.lengths, out.text, event.refused)


def _mode(value: object, raw: str) -> int:
    """How to store a value so that it comes back bit for bit (NaN has many bit patterns)."""
    if value is None:
        return NO_VALUE
    if type(value) is not float or value != value:
        return VALUE_IS_TAGGED
    try:
        return VALUE_IS_RAW if float(raw).hex() == value.hex() else VALUE_IS_TEXT
    except ValueError:
        return VALUE_IS_TEXT


def unpack(data: bytes) -> list[Event]:
    """The events that ``pack`` was given.

    Raises BadPack when the bytes are not a whole pack, NotKnown (one of those, and a LookupError) when they
    hold what another version of the program packed and this one cannot read.
    """
    if not data or data[0] != VERSION:
        raise NotKnown(f"inputs packed in a way (number {data[0] if data else 'none'}) that is not known")
    inflate = zlib.decompressobj(-15)
    try:
        plain = Reader(inflate.decompress(data[1:], MOST_BYTES))
        if not inflate.eof or inflate.unused_data:
            raise BadPack("packed inputs are cut off, too long, or have a tail")
        count = plain.varint()
        columns = [Reader(plain.take(plain.varint())) for _ in range(plain.varint())]
        kinds, times, sources, modes, lengths, text, tagged = columns
        unit, guesses = times.varint(), _Times()
        events: list[Event] = []
        for number in kinds.take(count):
            kind = _type(number)
            source: object = kind
            rest: tuple[object, ...] = ()
            if kind is Observed:
                source, rest = _get_observed(sources, modes, lengths, text, tagged)
            elif kind is not Ticked:
                rest = tuple(get_value(tagged) for _ in range(tagged.varint()))
                if len(rest) >= len(NAMES[kind]):
                    raise NotKnown(f"more about the event {kind.__name__!r} than this version knows")
            time = guesses.guess(source) + times.signed()
            guesses.saw(source, time)
            events.append(kind(time * unit, *rest))
    except NotKnown:
        raise
    except (IndexError, ValueError, TypeError, RecursionError, zlib.error) as fault:
        raise BadPack(f"packed inputs are damaged: {fault}") from None
    if not all(column.done() for column in columns):
        raise BadPack("packed inputs hold more than their events")
    return events


def _type(number: int) -> type[Any]:
    if number >= len(TYPES):
        raise NotKnown(f"an event of a kind (number {number}) that this version does not know")
    return TYPES[number]


def _get_observed(sources: Reader, modes: Reader, lengths: Reader, text: Reader, tagged: Reader) -> Any:
    number, probe, mode = sources.varint(), sources.signed(), modes.take(1)[0]
    if number >= len(SIGNALS):
        raise NotKnown(f"a reading of a signal (number {number}) that this version does not know")
    signal = SIGNALS[number]
    raw = text.text(lengths.varint())
    value: Any = None
    if mode & 3 == VALUE_IS_RAW:
        value = float(raw)
    elif mode & 3 == VALUE_IS_TEXT:
        value = float(text.text(lengths.varint()))
    elif mode & 3 == VALUE_IS_TAGGED:
        value = get_value(tagged)
    refused = text.text(lengths.varint()) if mode & 4 else None
    return (signal, probe), (signal, probe, value, raw, refused)
