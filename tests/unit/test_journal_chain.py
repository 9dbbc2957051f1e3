"""The chain itself: bytes, hashes, and what is wrong with a row."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from hashlib import sha256

import pytest
from nightheron.journal.chain import GENESIS, Row, body_bytes, entry_hash, why_invalid
from nightheron.journal.draft import NO_HEAD, Head, row_after

from tests.support.journals import draft


def first() -> Row:
    return row_after(draft(), NO_HEAD)


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_the_hash_is_sha_256(message: bytes, digest: str) -> None:
    """An entry's hash is SHA-256, by NIST's example values for FIPS 180."""
    # https://csrc.nist.gov/projects/cryptographic-standards-and-guidelines/example-values, SHA256
    assert sha256(message).hexdigest() == digest
    if len(message) >= 32:
        assert entry_hash(message[:32].hex(), message[32:]) == digest


def test_the_first_entry_follows_zeros() -> None:
    """The hash of entry 1 covers 32 zero bytes and its body, in that order."""
    row = first()
    assert row.prev == "00" * 32
    assert row.hash == sha256(bytes(32) + row.body).hexdigest()


def test_the_body_holds_the_header_and_is_compact() -> None:
    """A body is compact JSON that begins with the header and names its inputs by hash."""
    row = first()
    body = json.loads(row.body)
    assert list(body)[:7] == ["seq", "boot", "mono_ns", "utc", "clock_synced", "kind", "chamber"]
    assert row.inputs is not None
    assert body["inputs_sha256"] == sha256(row.inputs).hexdigest()
    assert b": " not in row.body


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_no_row_with_a_number_that_is_none(number: float) -> None:
    """NaN and infinity never enter a body."""
    with pytest.raises(ValueError, match="JSON compliant"):
        body_bytes({"ph": number})


def test_a_lone_surrogate_becomes_its_escape() -> None:
    """Text that is not UTF-8 is stored as a JSON escape and read back as it was."""
    assert json.loads(body_bytes({"raw": "7\udc80"})) == {"raw": "7\udc80"}


def test_a_good_row_has_nothing_wrong() -> None:
    """A row the program wrote is valid after the one before it."""
    one = first()
    two = row_after(draft(2), Head(one.seq, one.hash, one.boot, one.mono_ns))
    assert why_invalid(one, None) is None
    assert why_invalid(two, one) is None


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"seq": 2}, "missing"),
        ({"prev": "11" * 32}, "prev"),
        ({"hash": "11" * 32}, "does not belong"),
        ({"hash": GENESIS.upper()}, "does not belong"),
        ({"body": b"{}"}, "does not belong"),
        ({"body": "{}"}, "as bytes"),
        ({"inputs": "text"}, "as bytes"),
        ({"utc": "2020"}, "utc"),
        ({"boot": "b2"}, "boot"),
        ({"mono_ns": 1}, "mono_ns"),
        ({"mono_ns": float((1000 + 1) * 10**9)}, "mono_ns"),
        ({"kind": "act"}, "kind"),
        ({"chamber": None}, "chamber"),
        ({"inputs": b"other"}, "inputs"),
    ],
)
def test_every_changed_cell_is_named(change: dict[str, object], why: str) -> None:
    """Whichever cell of a row is changed, why_invalid says which."""
    found = why_invalid(first()._replace(**change), None)  # type: ignore[arg-type]  # wrong types on purpose
    assert found is not None
    assert why in found


def test_inputs_may_be_taken_away() -> None:
    """A row whose packed inputs were thinned to nothing is still valid."""
    assert why_invalid(first()._replace(inputs=None), None) is None


@pytest.mark.parametrize("body", [b"[]", b"7", b"not json", b"\xff"])
def test_a_body_that_is_no_object_is_a_finding(body: bytes) -> None:
    """A re-hashed body that is not a JSON object is found, without an exception."""
    assert why_invalid(first()._replace(body=body, hash=entry_hash(GENESIS, body)), None) is not None


def rehashed(row: Row, body: bytes) -> Row:
    """The row with another body and the hash that fits."""
    return row._replace(body=body, hash=entry_hash(row.prev, body))


def as_verify_sees(db: sqlite3.Connection, row: Row) -> str | None:
    """What is wrong with it when SQLite has looked at its JSON, as it has when a journal is verified."""
    [(is_json,)] = db.execute("SELECT json_valid(CAST(? AS TEXT))", (row.body,)).fetchall()
    return why_invalid(row, None, is_json=is_json == 1)


OVERRULED = [
    (b"}", b',"seq":2}'),
    (b"}", b',"utc" :"2020"}'),
    (b"}", b',"\\u006bind":"act"}'),
    (b"}", b',"chamber":"east"}'),
    (b"}", b',"inputs_sha256":"00"}'),
    (b"}", b',"boot":"b2"}'),
    (b"}", b',"mono_ns":7.0}'),
    (b"}", b"} "),
    (b"}", b"}{}"),
    (b"}", b"}\0"),
    (b"}", b',"a":{"b":1}'),
    (b'{"seq"', b' {"seq"'),
    (b'"clock_synced":null,"kind"', b'"clock_synced":{"a":1,"kind"'),
    (b"6.55", b"6.5.5"),
    (b"6.55", b"[6.55"),
    (b"6.55", b"06.55"),
    (b"6.55", b"6."),
    (b"6.55", b"'6.55'"),
    (b'"floor"', b'"flo\nor"'),
]


@pytest.mark.parametrize(("old", "new"), OVERRULED)
@pytest.mark.parametrize("inputs", [True, False])
def test_a_header_is_not_overruled_further_on(old: bytes, new: bytes, inputs: bool) -> None:
    """A body whose header is repeated, hidden or followed by more is found, though its hash fits."""
    row = first() if inputs else row_after(draft(inputs=None), NO_HEAD)
    at = row.body.rindex(old)
    changed = rehashed(row, row.body[:at] + new + row.body[at + len(old) :])
    with closing(sqlite3.connect(":memory:")) as db:
        found = as_verify_sees(db, changed)
    assert found == why_invalid(changed, None)
    assert found is not None or (b"inputs" in new and not inputs)


def test_a_quick_look_and_a_whole_one_agree_at_every_byte() -> None:
    """Whatever byte of a body is exchanged, the look that trusts SQLite says what reading all of it says."""
    row = first()
    with closing(sqlite3.connect(":memory:")) as db:
        for at in range(len(row.body)):
            for byte in b'"\\,:{}[]0x \n\0\x01\xff':
                changed = rehashed(row, row.body[:at] + bytes([byte]) + row.body[at + 1 :])
                assert as_verify_sees(db, changed) == why_invalid(changed, None), changed.body


def test_a_body_as_written_is_not_read_whole() -> None:
    """What the program wrote is told by its header, also with no chamber and without inputs."""
    for row in (first(), row_after(draft(inputs=None, chamber=None, clock_synced=True), NO_HEAD)):
        wrong_inside = row.body.replace(b"6.55", b"6.5.5")
        assert why_invalid(rehashed(row, wrong_inside), None, is_json=True) is None
        assert why_invalid(rehashed(row, wrong_inside), None) == "the body is not JSON"
