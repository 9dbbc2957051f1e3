"""How long gas was open in earlier nights: read from few columns, since thirty of them stand before one.

What gas does changes with ``decision`` rows alone; the others say how long that lasted.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from nightheron.journal.connect import RARE, connect_reader, fetch, knows_json
from nightheron.journal.span import around
from nightheron.model import NS, Gas

PAGE_ROWS = 2000
GAS = "CASE WHEN kind = 'decision' THEN json_extract(CAST(body AS TEXT), '$.gas') END"
SELECT = (
    f"SELECT seq, utc, kind, chamber, mono_ns, {GAS} FROM entries WHERE seq BETWEEN ? AND ? "  # noqa: S608 - fixed text
    f"AND (kind IN ('decision', 'witness') OR (kind = 'start' AND chamber IS NULL AND {RARE})) "
    f"ORDER BY seq LIMIT {PAGE_ROWS}"
)
Times = list[float]
"""Seconds open, and watched."""


def open_times(path: Path, spans: Sequence[tuple[str, str]]) -> dict[str, list[Times]]:
    """Of each chamber, for each span between two UTC texts: seconds with gas open, and seconds watched.

    ``spans`` are in order and do not overlap. Counted from a chamber's first decision in them on. Raises
    sqlite3.Error or OSError.
    """
    found: dict[str, list[Times]] = {}
    bounds = around(path, spans[0][0], spans[-1][1]) if spans else None
    if bounds is None:
        return found
    begins = [begin for begin, _ in spans]
    last: dict[str, tuple[int, bool]] = {}
    for _, utc, kind, chamber, mono_ns, gas in _rows(path, *bounds):
        if kind == "start":
            last.clear()  # nobody watched in between
            continue
        before = last.get(chamber)
        is_open = gas == Gas.OPEN if gas is not None else before is not None and before[1]
        if before is not None:
            place = bisect_right(begins, utc) - 1
            if place >= 0 and utc < spans[place][1]:
                times = found.setdefault(chamber, [[0.0, 0.0] for _ in spans])[place]
                seconds = max(0.0, (mono_ns - before[0]) / NS)
                times[0] += seconds if before[1] else 0.0
                times[1] += seconds
        if before is not None or gas is not None:
            last[chamber] = (mono_ns, is_open)
    return found


def _rows(path: Path, first: int, last: int) -> Iterator[tuple[Any, ...]]:
    with closing(connect_reader(path)[0]) as db:
        if not knows_json(db):
            return
        while page := fetch(db, SELECT, (first, last)):
            yield from page
            if len(page) < PAGE_ROWS:
                return
            first = page[-1][0] + 1
