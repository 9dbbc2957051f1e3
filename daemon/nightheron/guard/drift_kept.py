"""What is remembered for drift, as plain tuples for the next start, and back.

What was learned under other limits says nothing: a chamber whose floor or probe conversion was changed begins
to learn anew. A memory that cannot be read is no memory.
"""

from __future__ import annotations

from typing import Any

from nightheron.guard.cusum import Chart, Cusum
from nightheron.guard.drift import Drift
from nightheron.guard.learned import learned_under
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.streams import Stream
from nightheron.guard.usual import HOURS, LEARN_MOST, RECENT, Line, Usual
from nightheron.model import Plain

VERSION = 1


def kept(drift: Drift, limits: ChamberLimits) -> Plain:
    """The memory at the end of a block; the hour under way is left out."""
    lines = tuple((stream.value, *_line(line)) for stream, line in drift.lines.items())
    return (VERSION, learned_under(limits), drift.hours, lines)


def carried(given: Plain, limits: ChamberLimits) -> Drift:
    """The memory that ``kept`` gave; an empty one where there is none, or it is of other limits."""
    try:
        version, under, hours, lines = _tuple(given)
        if version != VERSION or under != learned_under(limits) or not isinstance(hours, int):
            return Drift()
        drift = Drift(hours=max(0, hours))
        for name, *rest in (_tuple(one) for one in _tuple(lines)):
            drift.lines[Stream(str(name))] = _read(*rest)
    except (TypeError, ValueError, IndexError):
        return Drift()
    drift.tell(len(limits.probes))
    return drift


def _line(line: Line) -> tuple[Plain, ...]:
    usual = line.usual
    learned: Plain = None
    if usual is not None:
        chart = usual.chart
        learned = (tuple(usual.at_hour), usual.sd, chart.k, chart.h, chart.lag1)
    return (
        line.began_block,
        tuple(tuple(row) for row in line.learning),
        learned,
        (line.sums.above, line.sums.below, line.before, line.found),
        tuple(line.recent),
    )


def _read(began: Plain, learning: Plain, learned: Plain, sums: Plain, recent: Plain) -> Line:
    rows = [[float(one) for one in _numbers(row)] for row in _tuple(learning)]
    if any(len(row) != 3 or not -1 <= row[1] < HOURS for row in rows):
        raise ValueError("a row of learning is a block, an hour and a value")
    above, below, before, found = _tuple(sums)
    line = Line(
        learning=rows[-LEARN_MOST:],
        began_block=None if began is None else int(_number(began)),
        sums=Cusum(_number(above), _number(below)),
        before=None if before is None else _number(before),
        recent=_numbers(recent)[-RECENT:],
        found=int(_number(found)),
    )
    if learned is not None:
        at_hour, sd, k, h, lag1 = _tuple(learned)
        if len(_numbers(at_hour)) != HOURS or not _number(sd) > 0.0:
            raise ValueError("what is usual has a value for each hour, and a scatter")
        line.usual = Usual(_numbers(at_hour), _number(sd), Chart(_number(k), _number(h), _number(lag1)))
    return line


def _tuple(given: Plain) -> tuple[Plain, ...]:
    if not isinstance(given, tuple):
        raise TypeError("not a tuple")
    return given


def _number(given: Any) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise TypeError("not a number")
    return given


def _numbers(given: Plain) -> list[float]:
    return [_number(one) for one in _tuple(given)]
