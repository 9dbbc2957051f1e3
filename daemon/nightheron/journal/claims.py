"""What rows say of what is no longer there: packs that were thinned, and entries that went into an archive.

A row of kind ``thinned`` names the entries whose packed inputs were taken away, and holds what is left of
them. A row of kind ``seal`` names the last entry that went into an archive, and its hash: the anchor of a
journal that begins later. Both stand in the chain themselves, behind what they name. What does not read as
such a row claims nothing.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from nightheron.journal.chain import Row, names_inputs
from nightheron.journal.connect import RARE

THINNED, SEAL = "thinned", "seal"
NEWEST_SEAL = f"SELECT seq, body FROM entries WHERE kind = '{SEAL}' AND {RARE} ORDER BY seq DESC LIMIT 1"  # noqa: S608 - fixed text
NOTE = "CREATE TABLE archive (first_seq INTEGER, last_seq INTEGER, prev TEXT, hash TEXT)"
"""An archive's note of itself: its first and last entry, the hash before the first and that of the last."""


class Seal(NamedTuple):
    """The last entry of what was archived, as a row of the journal names it; ``genesis`` is row 1's hash."""

    last_seq: int
    last_hash: str
    genesis: str


class Run(NamedTuple):
    """Entries from a first to a last."""

    first: int
    last: int


@dataclass(slots=True)
class Claims:
    """What the rows gone by say, and what they leave to be said."""

    seals: list[Seal] = field(default_factory=list)
    thinned: list[Run] = field(default_factory=list)
    bare: list[list[int]] = field(default_factory=list)
    """Entries without the packed inputs that they name, first and last of each run of them."""
    before_snapshot: dict[int, str] = field(default_factory=dict)
    """Hashes of the places where an archive may end; the entry itself may be removed meanwhile."""
    _snapshot: int = 0

    def take(self, row: Row) -> None:
        """A row that fits into the chain and has no packed inputs; others claim nothing."""
        if names_inputs(row.body):
            if self.bare and self.bare[-1][1] == row.seq - 1:
                self.bare[-1][1] = row.seq
            else:
                self.bare.append([row.seq, row.seq])
        elif row.kind == "snapshot":
            if row.seq != self._snapshot + 1:
                self.before_snapshot[row.seq - 1] = row.prev
            self._snapshot = row.seq
        elif row.kind == SEAL and (seal := seal_of(row.seq, row.body)):
            self.seals.append(seal)
        elif row.kind == THINNED and (run := thinned_of(row.seq, row.body)):
            self.thinned.append(run)

    @property
    def bare_rows(self) -> int:
        """How many entries are without their packed inputs."""
        return sum(last - first + 1 for first, last in self.bare)


def unnamed(bare: list[list[int]], thinned: list[Run]) -> int | None:
    """The first entry without its packed inputs that no row names as thinned; None when there is none."""
    named: list[Run] = []
    for run in sorted(thinned):
        if named and run.first <= named[-1].last + 1:
            named[-1] = Run(named[-1].first, max(named[-1].last, run.last))
        else:
            named.append(run)
    begins = [run.first for run in named]
    for first, last in sorted(bare):
        place = bisect_right(begins, first) - 1
        reached = named[place].last if place >= 0 else 0
        if reached < last:
            return max(first, reached + 1)
    return None


def seal_of(seq: int, body: bytes) -> Seal | None:
    """What a row of kind ``seal`` names; None when it names nothing before itself."""
    said = said_of(body)
    seal = Seal(said.get("last_seq"), said.get("last_hash"), said.get("genesis"))  # type: ignore[arg-type]  # looked at next
    fits = type(seal.last_seq) is int and isinstance(seal.last_hash, str) and isinstance(seal.genesis, str)
    return seal if fits and seal.last_seq < seq else None


def thinned_of(seq: int, body: bytes) -> Run | None:
    """The entries that a row of kind ``thinned`` names; None when it names none before itself."""
    said = said_of(body)
    first, last = said.get("from_seq"), said.get("to_seq")
    if type(first) is not int or type(last) is not int or not first <= last < seq:
        return None
    return Run(first, last)


def said_of(body: bytes) -> dict[str, Any]:
    """What a body says; nothing where it cannot be read."""
    try:
        said = json.loads(body)
    except (ValueError, TypeError, RecursionError):
        return {}
    return said if isinstance(said, dict) else {}
