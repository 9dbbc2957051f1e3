"""Text and payloads to numbers."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from nightheron_drivers.numbers import at_pointer, decimal, pointer_fault, read_payload, rfc3339_s

WALL_S = 1_780_000_000.0

RFC_6901_DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6,
         " ": 7, "m~n": 8}"""
)
RFC_6901_SECTION_5: list[tuple[str, Any]] = [
    ("", RFC_6901_DOCUMENT),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "value"), RFC_6901_SECTION_5)
def test_pointers_of_the_standard(pointer: str, value: Any) -> None:
    """Each example of RFC 6901 section 5 names the value given there."""
    assert pointer_fault(pointer) is None
    assert at_pointer(RFC_6901_DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/bar", "/no", "/a~1b/c"])
def test_pointers_to_nothing(pointer: str) -> None:
    """A pointer that names nothing is a LookupError and never a neighbour's value."""
    with pytest.raises(LookupError):
        at_pointer(RFC_6901_DOCUMENT, pointer)


@pytest.mark.parametrize("pointer", ["ph", "/a~2", "/a~"])
def test_bad_pointers_are_explained(pointer: str) -> None:
    """A pointer that is none is refused with a sentence."""
    assert pointer_fault(pointer)


@pytest.mark.parametrize(
    ("text", "value"),
    [("7.02", 7.02), ("-3", -3.0), ("+6.9", 6.9), (".5", 0.5), ("7.", 7.0), ("14.2", 14.2), ("7e0", 7.0)],
)
def test_numbers(text: str, value: float) -> None:
    """Plain decimal numbers are read, in range for a pH or not: range is decided elsewhere."""
    assert decimal(text) == value


@pytest.mark.parametrize(
    "text",
    [
        *("", "nan", "inf", "-Infinity", "1_0", "0x7", "\u0667.\u0662", "7,02", "7 0", " 7", "--7", "."),
        *("1e999", "7.0\n", "9" * 16, "7.0\u00a0", "1e", "True"),
    ],
)
def test_what_is_no_number(text: str) -> None:
    """Nothing but a plain ASCII decimal number is a number."""
    assert decimal(text) is None


@pytest.mark.parametrize(
    ("payload", "refused"),
    [
        (b"", "empty"),
        (b" \r\n", "empty"),
        (b"{", "not_json"),
        (b"\xff\xfe", "not_json"),
        (b'{"ph": NaN}', "not_json"),
        (b'{"ph": -Infinity}', "not_json"),
        (b'{"ph": 7.0, "ph": 6.0}', "not_json"),
        (b"[" * 60_000, "not_json"),
        (b'{"ph": ' + b"9" * 5000 + b"}", "not_json"),
        (b'{"ph": true}', "not_a_number"),
        (b'{"ph": "7.0"}', "not_a_number"),
        (b'{"ph": [7.0]}', "not_a_number"),
        (b'{"ph": null}', "not_a_number"),
        (b'{"ph": 1e999}', "not_a_number"),
        (b'{"ph": ' + b"9" * 400 + b"}", "not_a_number"),
        (b'{"pH": 7.0}', "no_value"),
        (b"7.0", "no_value"),
        (b" " * 70_000 + b"7", "too_long"),
    ],
)
def test_json_that_says_no_number(payload: bytes, refused: str) -> None:
    """Every kind of payload without a plain finite number is refused with its reason, and none raises."""
    number = read_payload(payload, "/ph", "", 5.0, WALL_S)
    assert (number.value, number.refused) == (None, refused)


@pytest.mark.parametrize(
    "payload", [b"nan", b"true", b'"7.0"', b"[7.0]", b'{"ph":7}', b"7.0\x00", b"\xd9\xa7"]
)
def test_bare_payloads_that_are_no_number(payload: bytes) -> None:
    """Without a pointer only a bare number is a reading."""
    assert read_payload(payload, "", "", 5.0, WALL_S).refused == "not_a_number"


def test_readings_from_payloads() -> None:
    """A bare number and a number in JSON, whole or not, are readings."""
    assert read_payload(b" 7.02\n", "", "", 5.0, WALL_S).value == 7.02
    assert read_payload(b'{"a": [{"ph": 7}]}', "/a/0/ph", "", 5.0, WALL_S).value == 7.0


@pytest.mark.parametrize(
    ("stamp", "refused"),
    [
        (WALL_S, None),
        (WALL_S - 4.9, None),
        (WALL_S - 5.1, "old"),
        (WALL_S + 59, None),
        (WALL_S + 61, "ahead"),
        (WALL_S * 1000, "ahead"),
        (0, "old"),
        (True, "bad_time"),
        (None, "bad_time"),
        ("yesterday", "bad_time"),
        ("2026-05-28T20:26:40", "bad_time"),
        ("2026-05-28T20:26:40Z", None),
        ("2026-05-28t22:26:39.5+02:00", None),
        ("2026-05-28T22:26:40Z", "ahead"),
        ("2026-13-28T22:26:40Z", "bad_time"),
        ("0001-01-01T00:00:00+23:59", "old"),
        ("\u0662026-05-28T20:26:40Z", "bad_time"),
    ],
)
def test_a_message_time_can_only_refuse(stamp: Any, refused: str | None) -> None:
    """A message older than stale_s or over a minute ahead is no reading; another time changes nothing."""
    payload = json.dumps({"ph": 7.0, "t": stamp}).encode()
    number = read_payload(payload, "/ph", "/t", 5.0, WALL_S)
    assert (number.value, number.refused) == ((7.0, None) if refused is None else (None, refused))


def test_a_missing_time_refuses() -> None:
    """A message that should carry its time and does not is no reading."""
    assert read_payload(b'{"ph": 7.0}', "/ph", "/t", 5.0, WALL_S).refused == "no_time"


def test_a_wall_clock_that_is_no_number_refuses() -> None:
    """When the wall clock itself cannot be compared, the message is refused."""
    assert read_payload(b'{"ph":7,"t":1}', "/ph", "/t", 5.0, math.nan).refused is not None


def test_leap_seconds() -> None:
    """A leap second is a time, one second before the next minute at the latest."""
    assert rfc3339_s("2016-12-31T23:59:60Z") == rfc3339_s("2016-12-31T23:59:59Z")
