"""Packed inputs come back exactly, whatever they were."""

from __future__ import annotations

import math
import struct
from dataclasses import astuple
from typing import get_args

import pytest
from hypothesis import given, strategies as st
from nightheron.journal.pack import TYPES, BadPack, pack, unpack
from nightheron.model import (
    Act,
    Acted,
    Committed,
    Event,
    FeedbackSaid,
    Gas,
    Hour,
    JournalSaid,
    KeeperSaid,
    Late,
    Left,
    Observed,
    OtherOrder,
    Reason,
    Signal,
    Started,
    Stopping,
    Ticked,
    ValveSaid,
    Work,
)

MS = 1_000_000
TIME = st.integers(0, 2**50).map(lambda ms: ms * MS) | st.integers(-(2**62), 2**62)
NUMBER = st.floats(allow_nan=True, allow_infinity=True, width=64)
TEXT = st.text(st.characters(), max_size=20)
GAS = st.sampled_from(Gas)
REASON = st.sampled_from(Reason)
LEFT = st.builds(
    Left,
    gas=GAS,
    reason=st.none() | REASON,
    latched=st.lists(REASON, max_size=3).map(tuple),
    service=st.booleans(),
    unanswered_s=NUMBER,
    opening_s=NUMBER,
    rest_pending=st.booleans(),
    opened_day_s=NUMBER,
    rest_lowest_ph=st.none() | NUMBER,
    rest_from_trial=st.booleans(),
    trial=st.booleans(),
    proved=st.booleans(),
)
SPELLED = NUMBER.map(lambda value: (value, repr(value))) | st.tuples(st.none() | NUMBER, TEXT)
OBSERVED = st.builds(
    lambda at, signal, probe, spelled, refused: Observed(at, signal, probe, spelled[0], spelled[1], refused),
    TIME,
    st.sampled_from(Signal),
    st.integers(-1, 300),
    SPELLED,
    st.none() | TEXT,
)
VALVE = st.integers(0, 9)
EVENT = st.one_of(
    st.builds(Ticked, TIME),
    OBSERVED,
    st.builds(Started, TIME, st.none() | LEFT, st.integers(0, 99), st.booleans(), st.booleans()),
    st.builds(Committed, TIME, st.integers(0, 2**63)),
    st.builds(JournalSaid, TIME, st.booleans(), st.booleans()),
    st.builds(ValveSaid, TIME, VALVE, st.booleans(), st.none() | GAS, TEXT),
    st.builds(FeedbackSaid, TIME, VALVE, st.none() | GAS, TEXT),
    st.builds(OtherOrder, TIME, VALVE, st.none() | GAS, TEXT),
    st.builds(KeeperSaid, TIME, st.booleans(), TEXT),
    st.builds(Late, TIME, NUMBER),
    st.builds(
        Acted, TIME, st.sampled_from(Act), TEXT, TEXT, st.none() | NUMBER, st.none() | st.sampled_from(Work)
    ),
    st.builds(Stopping, TIME),
    st.builds(Hour, TIME, st.integers(0, 23), st.booleans()),
)


def bits(value: object) -> object:
    """The same value with floats as their bytes, so that equal means identical, and types beside."""
    if isinstance(value, float):
        return struct.pack("<d", value)
    if isinstance(value, tuple | list):
        return [bits(one) for one in value]
    return type(value), value


def exactly(events: list[Event]) -> list[object]:
    return [(type(event), bits(astuple(event))) for event in events]


@given(st.lists(EVENT, max_size=30))
def test_any_events_come_back_bit_for_bit(events: list[Event]) -> None:
    """Whatever list of events is packed, unpacking gives the identical list."""
    assert exactly(unpack(pack(events))) == exactly(events)


@given(st.lists(EVENT, min_size=1, max_size=8), st.data())
def test_a_cut_pack_is_refused(events: list[Event], data: st.DataObject) -> None:
    """A pack that lost its end is refused, never read as fewer events."""
    packed = pack(events)
    with pytest.raises(BadPack):
        unpack(packed[: data.draw(st.integers(0, len(packed) - 1))])


@given(st.binary(max_size=200))
def test_noise_is_refused_in_one_way(noise: bytes) -> None:
    """Bytes that are no pack raise BadPack or give events, and nothing else happens."""
    try:
        events = unpack(b"\x01" + noise)
    except BadPack:
        return
    assert all(type(event) in TYPES for event in events)


def test_every_type_of_event_has_a_number() -> None:
    """No event of the model can be forgotten by the pack."""
    assert set(TYPES) == set(get_args(Event))


def test_nan_keeps_its_bits() -> None:
    """A NaN with a payload is stored as it came."""
    odd = struct.unpack("<d", bytes.fromhex("010000000000f8ff"))[0]
    [event] = unpack(pack([Observed(0, Signal.CHAMBER_PH, 0, odd, "nan")]))
    assert isinstance(event, Observed)
    assert event.value is not None and math.isnan(event.value)
    assert struct.pack("<d", event.value).hex() == "010000000000f8ff"


def test_an_ordinary_minute_is_small() -> None:
    """A minute of 240 ticks and 60 readings to two decimals takes less than 400 bytes."""
    events: list[Event] = []
    for step in range(240):
        at_ns = (10_000 + 250 * step + (step * 7919 % 3)) * MS
        events.append(Ticked(at_ns))
        if step % 4 == 0:
            ph = round(6.8 + 0.05 * math.sin(step / 9) + 0.01 * (step * 31 % 5), 2)
            events.append(Observed(at_ns + 13 * MS, Signal.CHAMBER_PH, 0, ph, f"{ph:.2f}"))
    packed = pack(events)
    assert unpack(packed) == events
    assert len(packed) < 400
