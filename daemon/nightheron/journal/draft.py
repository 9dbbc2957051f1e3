"""A row before it has a number, and the row it becomes."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

from nightheron.journal.chain import GENESIS, HEADER, Row, body_bytes, entry_hash
from nightheron.model import JsonValue

BODY_MOST_BYTES = 8 * 1024 * 1024


Queue = tuple[tuple[str, str | None], ...]
"""Changes of the outbox: an id, and its text, or None to take it out."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A row before it has a number. ``mono_ns`` is CLOCK_BOOTTIME, ``utc`` RFC 3339 ending in Z."""

    kind: str
    utc: str
    boot: str
    mono_ns: int
    body: dict[str, JsonValue]
    inputs: bytes | None = None
    chamber: str | None = None
    clock_synced: bool | None = None
    queue: Queue = ()
    """What is put into the outbox or taken out of it in the very transaction of this row."""
    bare: tuple[int, ...] = ()
    """Entries whose packed inputs are taken away in the very transaction of this row, which says so."""


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry."""

    seq: int
    hash: str
    boot: str
    mono_ns: int


NO_HEAD = Head(0, GENESIS, "", 0)


def row_after(draft: Draft, head: Head) -> Row:
    """The row a draft becomes after ``head``; its clock never runs backward within one boot.

    Raises ValueError for a body that holds NaN or infinity, a name of the header, or is far too large.
    """
    own = dict(draft.body)
    chamber, synced = own.pop("chamber", draft.chamber), own.pop("clock_synced", draft.clock_synced)
    if taken := own.keys() & {*HEADER, "inputs_sha256"}:
        raise ValueError(f"a body may not carry {', '.join(sorted(taken))}")
    mono_ns = max(draft.mono_ns, head.mono_ns) if draft.boot == head.boot else draft.mono_ns
    values = (head.seq + 1, draft.boot, mono_ns, draft.utc, synced, draft.kind, chamber)
    fields: dict[str, JsonValue] = dict(zip(HEADER, values, strict=True))
    if draft.inputs is not None:
        fields["inputs_sha256"] = sha256(draft.inputs).hexdigest()
    body = body_bytes(fields | own)
    if len(body) > BODY_MOST_BYTES:
        raise ValueError(f"a body of {len(body)} bytes is too large")
    named = chamber if isinstance(chamber, str) else None
    hashed = entry_hash(head.hash, body)
    return Row(
        head.seq + 1, draft.utc, draft.boot, mono_ns, draft.kind, named, body, head.hash, hashed, draft.inputs
    )
