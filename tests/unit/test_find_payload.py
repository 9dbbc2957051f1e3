"""Which numbers on a broker look like pH."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings, strategies as st
from nightheron_drivers.find_payload import Place, numbers_in, time_pointer
from nightheron_drivers.numbers import at_pointer


def heard(topic: str, pointer: str, *values: float) -> Place:
    """A place where these values came, live."""
    place = Place(topic, pointer, "JSON" if pointer else "bare number")
    place.samples += [(n, value, str(value)) for n, value in enumerate(values)]
    return place


@pytest.mark.parametrize(
    ("topic", "pointer", "value", "is_ph"),
    [
        ("house/west/ph", "", 6.91, True),
        ("house/west/pH", "", 7.0, True),
        ("house/tankPh", "", 8.1, True),
        ("house/west/ph", "", 13.5, True),
        ("house/west/ph", "", 25.3, False),
        ("house/west", "/pH", 6.9, True),
        ("house/west", "/probe/pHValue", 6.9, True),
        ("house/west/ph", "/value", 6.9, True),
        ("house/west/ph", "/temperature", 6.9, False),
        ("house/west/a", "", 6.91, True),
        ("house/west/a", "", 3.3, False),
        ("house/west/a", "", 7.0, False),
        ("house/temperature", "", 7.9, False),
        ("house/phosphate", "", 0.05, False),
        ("house/graph", "", 3.3, False),
    ],
)
def test_what_looks_like_ph(topic: str, pointer: str, value: float, is_ph: bool) -> None:
    """A name that says pH with a possible value, or a plausible value under no other quantity's name."""
    assert heard(topic, pointer, value).looks_like_ph() is is_ph


def test_a_name_makes_it_sure() -> None:
    """Only a topic or a JSON name that says pH is called named."""
    assert heard("house/west/ph", "", 6.9).named
    assert heard("house/west", "/ph", 6.9).named
    assert not heard("house/west/a", "", 6.9).named
    assert not heard("house/phone", "", 6.9).named


def test_a_retained_value_alone_is_looked_at_too() -> None:
    """A topic that only has what the broker kept is judged by that."""
    place = Place("house/west/ph", "", "bare number", retained=6.9)
    assert place.looks_like_ph()
    assert not Place("house/west/ph", "", "bare number").looks_like_ph()


def test_bare_numbers_json_and_neither() -> None:
    """A bare number has no pointer, JSON has one a leaf, and text, truth values and long payloads none."""
    assert numbers_in(b" 7.01\n") == ("bare number", {"": 7.01})
    assert numbers_in(b'{"a/b": {"ph": 7.01}, "on": true, "s": "7"}') == ("JSON", {"/a~1b/ph": 7.01})
    assert numbers_in(b"[1, 7.5]") == ("JSON", {"/0": 1.0, "/1": 7.5})
    for nothing in (b"OPEN", b'"7.01"', b"{}", b"\xff\xfe", b"[" * 5000, b"1" * 9000, b'{"a": 1e400}'):
        assert numbers_in(nothing) == ("", {})


leaves = st.integers(-1000, 1000) | st.floats(-1e6, 1e6, allow_nan=False)
documents = st.recursive(
    leaves | st.text(max_size=5) | st.booleans() | st.none(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(documents)
def test_every_pointer_leads_back_to_its_number(document: object) -> None:
    """Each pointer proposed, whatever signs are in the names, names its own number by RFC 6901."""
    kind, found = numbers_in(json.dumps(document).encode())
    if kind == "JSON":
        for pointer, value in found.items():
            assert at_pointer(document, pointer) == value


def test_a_message_time_must_agree_with_the_clock_and_move() -> None:
    """Unix seconds or RFC 3339 near the clock and moving on give a pointer; a still or wrong one does not."""
    unix = [(1000.0 + n, b'{"ph": 7.0, "t": %d}' % (1000 + n)) for n in range(3)]
    assert time_pointer(unix) == "/t"
    text = [(n * 60.0, b'{"at": "1970-01-01T00:%02d:00Z", "ph": 7}' % n) for n in range(1, 4)]
    assert time_pointer(text) == "/at"
    still = [(1000.0, b'{"t": 1000}'), (1001.0, b'{"t": 1000}')]
    ahead = [(1000.0 + n, b'{"t": %d}' % (5000 + n)) for n in range(3)]
    assert time_pointer(still) == time_pointer(ahead) == time_pointer(unix[:1]) == ""
