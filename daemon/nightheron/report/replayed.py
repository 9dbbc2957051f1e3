"""What a replay found: what it looked at, the first difference, and what could not be replayed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from nightheron.model import JsonValue

Fields = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the service, by its start row: which program, from which configuration."""

    from_seq: int
    version: str | None
    config_sha256: str | None

    def body(self) -> dict[str, JsonValue]:
        """As JSON values."""
        return {"from_seq": self.from_seq, "version": self.version, "config_sha256": self.config_sha256}


@dataclass(frozen=True, slots=True)
class Difference:
    """Where the replay first parts from the record. ``at_ns`` is the replayed decision's time."""

    seq: int
    utc: str
    chamber: str
    at_ns: int
    why: str
    fields: tuple[str, ...]
    recorded: Fields
    replayed: Fields
    version: str | None = None
    """Which version of the program recorded it; None when no start row says."""

    def body(self) -> dict[str, JsonValue]:
        """As JSON values."""
        return {
            "seq": self.seq,
            "utc": self.utc,
            "chamber": self.chamber,
            "at_ns": self.at_ns,
            "why": self.why,
            "fields": list(self.fields),
            "recorded": dict(self.recorded),
            "replayed": dict(self.replayed),
            "version": self.version,
        }


@dataclass(slots=True)
class Skipped:
    """Rows of one chamber, first to last, that could not be replayed, and why."""

    chamber: str
    from_seq: int
    from_utc: str
    to_seq: int
    to_utc: str
    rows: int
    why: str
    goes_on_seq: int | None = None
    """The snapshot from which the replay goes on; None when the span ends before one."""

    def body(self) -> dict[str, JsonValue]:
        """As JSON values."""
        return {
            "chamber": self.chamber,
            "from": self.from_utc,
            "to": self.to_utc,
            "from_seq": self.from_seq,
            "to_seq": self.to_seq,
            "rows": self.rows,
            "why": self.why,
            "goes_on_seq": self.goes_on_seq,
        }


@dataclass(slots=True)
class Result:
    """What was replayed: rows and the decisions among them, evaluations, and what could not be."""

    rows: int = 0
    decisions: int = 0
    evaluations: int = 0
    skipped: list[Skipped] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    """The runs whose rows were looked at, oldest first."""
    not_compared: set[str] = field(default_factory=set)
    """What this version remembers or decides and another, which wrote the rows, did not write down."""
    first_difference: Difference | None = None

    @property
    def identical(self) -> bool:
        """Nothing that was replayed differs from what was recorded."""
        return self.first_difference is None
