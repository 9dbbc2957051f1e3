"""What is left of packed inputs when they are old: least, mean and most of each signal, pack by pack.

It stands in a row of kind ``thinned`` of its own, so that it is part of the chain, and is committed in the
one transaction that takes the packs away. Nobody can compute it anew afterwards: what was thinned can be
told, drawn and compared, but not replayed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from hashlib import sha256
from math import fsum, isfinite

from nightheron.journal.chain import Row
from nightheron.journal.pack import BadPack, unpack
from nightheron.model import JsonValue, Observed

MEAN_DIGITS = 6
"""Significant digits of a mean."""
COLUMNS = ("entry", "n", "min", "mean", "max")
"""Not ``seq``, nor ``chamber`` beside it: a body with a header's name again takes verify longer."""


@dataclass(slots=True)
class Thinned:
    """Packs of consecutive entries, taken in one after the other."""

    first_seq: int | None = None
    last_seq: int = 0
    bare: list[int] = field(default_factory=list)
    """Entries whose packs may go."""
    left: list[int] = field(default_factory=list)
    """Entries whose packs are damaged and stay, for verify to find."""
    _found: dict[tuple[str, str, int], list[_Figures]] = field(default_factory=dict)

    @property
    def entries(self) -> int:
        """Entries taken in."""
        return self.last_seq - (self.first_seq or self.last_seq + 1) + 1

    def take(self, row: Row) -> None:
        """The next entry, with or without a pack."""
        self.first_seq = self.first_seq or row.seq
        self.last_seq = row.seq
        if row.inputs is None:
            return
        try:
            seen = _values(row)
        except (BadPack, TypeError):
            self.left.append(row.seq)
            return
        self.bare.append(row.seq)
        for (signal, probe), values in seen.items():
            name = (str(row.chamber), signal, probe)
            mean = float(f"{fsum(values) / len(values):.{MEAN_DIGITS}g}")
            self._found.setdefault(name, []).append(
                _Figures(row.seq, len(values), min(values), mean, max(values))
            )

    def body(self) -> dict[str, JsonValue]:
        """Of the row that says so."""
        readings: list[JsonValue] = []
        for (chamber, signal, probe), figures in sorted(self._found.items()):
            columns = zip(*((one.seq, one.n, one.least, one.mean, one.most) for one in figures), strict=True)
            named = dict(zip(COLUMNS, map(list, columns), strict=True))
            readings.append({"of": chamber, "signal": signal, "probe": probe, **named})
        text = f"the packed inputs of entries {self.first_seq} to {self.last_seq} were thinned"
        if self.left:
            text += f"; {len(self.left)} damaged ones stay"
        return {
            "text": text,
            "from_seq": self.first_seq,
            "to_seq": self.last_seq,
            "packs": len(self.bare),
            "left": list(self.left),
            "readings": readings,
        }


@dataclass(frozen=True, slots=True)
class _Figures:
    """Of one signal in one pack."""

    seq: int
    n: int
    least: float
    mean: float
    most: float


def _values(row: Row) -> dict[tuple[str, int], list[float]]:
    """The readings of a pack by signal and probe. Raises BadPack for one that is not the row's."""
    if row.inputs is None or sha256(row.inputs).hexdigest().encode() not in row.body:
        raise BadPack("not the pack that the row names")
    seen: dict[tuple[str, int], list[float]] = {}
    for event in unpack(row.inputs):
        if isinstance(event, Observed) and event.refused is None and _is_number(event.value):
            seen.setdefault((event.signal.value, event.probe), []).append(float(event.value or 0.0))
    return seen


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and isfinite(value)
