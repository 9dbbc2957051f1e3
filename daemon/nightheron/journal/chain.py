"""The hash chain of the journal: what a row's body is, what its hash is, and when a row is wrong.

An entry's body is compact UTF-8 JSON and is stored, byte for byte, as it was hashed. It holds
everything that is worth proving: ``seq, boot, mono_ns, utc, clock_synced, kind, chamber``, the row's
own fields, and ``inputs_sha256`` when packed inputs stand beside it. Its hash is

    SHA-256( the 32 bytes of the previous entry's hash || the body bytes )

and the first entry follows 32 zero bytes. The columns ``seq, utc, boot, mono_ns, kind, chamber`` are
copies for searching and must equal the body; ``prev`` and ``hash`` are lower-case hex. ``inputs`` may
be taken away later (NULL); their hash stays in the body, so the chain is not touched by that. A later
row of kind ``thinned`` then names them and holds what is left of them.

What the chain shows: any edit, insertion, removal or exchange of rows before its head. What it cannot
show without a head that was noted elsewhere: a tail cut off, or a whole chain computed anew.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from hashlib import sha256
from json.encoder import encode_basestring
from typing import NamedTuple

from nightheron.model import JsonValue

GENESIS = "00" * 32
"""What the first entry has for ``prev``."""
HEADER = ("seq", "boot", "mono_ns", "utc", "clock_synced", "kind", "chamber")
COPIES = ("seq", "utc", "boot", "mono_ns", "kind", "chamber")
"""The first columns of a row, in order: copies of what the body says."""


_INPUTS = re.compile(r',"inputs_sha256":"[0-9a-f]{64}"')
_HASH = re.compile(r"[0-9a-f]{64}")
_SYNCED = ("true", "false", "null")
# First letters apart: a search that way takes a third of the time, and it goes over every body.
_NAMES = re.compile(r'"[sbmucki](?:eq|oot|ono_ns|tc|lock_synced|ind|hamber|nputs_sha256)"')


def _no_json(name: str) -> None:
    """NaN and Infinity, which Python reads and JSON does not have."""
    raise ValueError(name)


# json.loads would also guess at encodings and skip blanks, which a body has not.
_decode = json.JSONDecoder(parse_constant=_no_json).raw_decode


class Row(NamedTuple):
    """One row as it stands in the file; a damaged one may hold anything."""

    seq: int
    utc: str
    boot: str
    mono_ns: int
    kind: str
    chamber: str | None
    body: bytes
    prev: str
    hash: str
    inputs: bytes | None


def body_bytes(fields: Mapping[str, JsonValue]) -> bytes:
    """The bytes that are stored and hashed. Raises ValueError for NaN and infinity.

    A lone surrogate, which only damaged input has, becomes its JSON escape.
    """
    return json.dumps(fields, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode(
        "utf-8", "backslashreplace"
    )


def entry_hash(prev: str, body: bytes) -> str:
    """Hex hash of an entry from the previous entry's hex hash and its own body."""
    return sha256(bytes.fromhex(prev) + body).hexdigest()


def why_invalid(row: Row, previous: Row | None, *, is_json: bool = False) -> str | None:
    """One phrase on what is wrong with ``row``, which stands after ``previous``; None when nothing is.

    ``is_json``: the body is known to be one JSON value, so that its header alone need be looked at.
    """
    if not isinstance(row.body, bytes) or not isinstance(row.inputs, bytes | None):
        return "the body or the inputs are not stored as bytes"
    last_seq, last_hash = (previous.seq, previous.hash) if previous else (0, GENESIS)
    if row.seq != last_seq + 1:
        return f"entry {last_seq + 1} is missing before it"
    if row.prev != last_hash:
        return "prev is not the hash of the entry before it"
    if row.hash != entry_hash(last_hash, row.body):
        return "the hash does not belong to the body"
    wrong = None if is_json and _begins_as_written(row) else _why_unlike(row)
    if wrong is None and previous and previous.boot == row.boot and row.mono_ns < previous.mono_ns:
        return "mono_ns runs backward within one boot"
    return wrong


def names_inputs(body: bytes) -> bool:
    """The body names packed inputs; where none stand beside it any more, they were taken away."""
    return b'"inputs_sha256":' in body


def after_which(row: Row) -> Row | None:
    """What the first row of a part says of the row before it: its number and hash; None before entry 1."""
    if row.seq <= 1 or not isinstance(row.prev, str) or not _HASH.fullmatch(row.prev):
        return None
    return row._replace(seq=row.seq - 1, hash=row.prev, boot="")


def _begins_as_written(row: Row) -> bool:
    """The body begins, to the letter, as ``body_bytes`` makes it from the columns and the inputs.

    False says nothing yet: another writer may put the same otherwise. A header name further on could
    overrule the header, and so could one behind an escape; then only reading the whole tells.
    """
    seq, utc, boot, mono_ns, kind, chamber, body, _, _, inputs = row
    try:
        text = body.decode()
        whose = "null" if chamber is None else encode_basestring(chamber)
        begin = (
            f'{{"seq":{seq},"boot":{encode_basestring(boot)},"mono_ns":{mono_ns},'
            f'"utc":{encode_basestring(utc)},"clock_synced":'
        )
        middle = f',"kind":{encode_basestring(kind)},"chamber":{whose}'
    except (ValueError, TypeError):
        return False
    if inputs is not None:
        middle += f',"inputs_sha256":"{sha256(inputs).hexdigest()}"'
    at = text.find(",", len(begin))
    if inputs is None and (named := _INPUTS.match(text, at + len(middle))):
        middle += named[0]
    after = at + len(middle)
    return (
        text.startswith(begin)
        and text[len(begin) : at] in _SYNCED
        and text.startswith(middle, at)
        and text.startswith((",", "}"), after)
        and text.endswith("}")
        and type(mono_ns) is int
        and "\\" not in text
        and "\0" not in text
        and _NAMES.search(text, after) is None
    )


def _why_unlike(row: Row) -> str | None:
    """What is wrong between the whole body, the columns and the inputs."""
    try:
        text = row.body.decode()
        body, end = _decode(text)
    except (ValueError, RecursionError):
        return "the body is not JSON"
    if end != len(text):
        return "the body is more than one JSON value"
    if not isinstance(body, dict):
        return "the body is not a JSON object"
    said = tuple(map(body.get, COPIES))
    if said != row[:6] or [*map(type, said)] != [*map(type, row[:6])]:
        wrong = [n for n, a, b in zip(COPIES, said, row, strict=False) if a != b or type(a) is not type(b)]
        return f"the column {wrong[0]} differs from the body"
    if row.inputs is not None and sha256(row.inputs).hexdigest() != body.get("inputs_sha256"):
        return "the packed inputs are not those the body names"
    return None
