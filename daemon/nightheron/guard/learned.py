"""What a chamber learns from its own cycles: a bounded memory, and robust figures from it.

Of each figure the newest values are kept; their median and 1.4826 times the median of the distances from it
stand for the usual value and its spread, so that a few odd cycles change little (Rousseeuw and Croux 1993).
Whatever is learned may only shorten a wait or sharpen a threshold, within limits that hold without it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from statistics import median
from typing import Any

from nightheron.cycles import Cycle, Learned
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.quality import MAD_TO_SD

KEPT = 31
"""Cycles in the memory; odd, so that a median is one of the values."""
CYCLES_LEAST, LEARNED_LEAST_S = 5, 86_400.0
"""From so many cycles over so much running time on, rules may rest on what was learned."""
FEATURES = tuple(f.name for f in fields(Learned) if f.name not in ("cycles", "learned_s", "under"))
OF_GAS = ("opened_s", "closed_s", "dead_s", "fall_ph_per_min", "tail_s", "t90_s", "lowest_ph", "highest_ph")
OF_WATER = (*OF_GAS, "proved_s", "rise_ph_per_min")
"""What media, feed and pump change; the probe's noise is its own."""


@dataclass(slots=True)
class Usual:
    """The usual value of one figure and its spread (an estimate of the standard deviation)."""

    value: float
    spread: float


def usual(values: tuple[float, ...]) -> Usual | None:
    """Median and 1.4826 x MAD; None of fewer than ``CYCLES_LEAST`` values."""
    if len(values) < CYCLES_LEAST:
        return None
    middle = median(values)
    return Usual(middle, MAD_TO_SD * median([abs(v - middle) for v in values]))


def learn(learned: Learned, cycle: Cycle) -> Learned:
    """The memory after one more cycle; a doubtful one teaches nothing."""
    if cycle.doubtful:
        return learned
    changes: dict[str, Any] = {}
    for name in FEATURES:
        value = getattr(cycle, name)
        if value is not None:
            changes[name] = (*getattr(learned, name)[1 - KEPT :], value)
    return replace(
        learned,
        cycles=learned.cycles + 1,
        learned_s=round(learned.learned_s + cycle.opened_s + cycle.closed_s, 1),
        **changes,
    )


@dataclass(slots=True)
class Figures:
    """What rules take from the memory, worked out once a cycle; None where it does not tell yet."""

    lag_s: float | None = None
    """From shut to the turn, with a margin; rules use it only where it is shorter than configured."""
    turns_s: float | None = None
    """How soon a closing is usually proved, with a margin."""
    fall_ph_per_min: float | None = None
    """Faster than this with gas on is a surge, if it is faster than the absolute limit too."""
    stall_s: float | None = None
    """A closing in which pH rises as little as noise for so long has stalled."""


LAG_SPREADS, SPREAD_LEAST_S, LAG_LEAST_S = 6.0, 10.0, 60.0
FALL_TIMES, FALL_SPREADS = 4.0, 8.0
STALL_TIMES, STALL_LEAST_S = 6.0, 1800.0


def figures(learned: Learned) -> Figures:
    """What rules may take from this memory."""
    if not enough(learned):
        return Figures()
    out = Figures()
    if (tail := usual(learned.tail_s)) is not None:
        out.lag_s = max(LAG_LEAST_S, tail.value + LAG_SPREADS * max(tail.spread, SPREAD_LEAST_S))
    if (proved := usual(learned.proved_s)) is not None:
        out.turns_s = proved.value + 2 * proved.spread
        out.stall_s = max(STALL_LEAST_S, STALL_TIMES * (proved.value + LAG_SPREADS * proved.spread))
    if (fall := usual(learned.fall_ph_per_min)) is not None and fall.value > 0:
        out.fall_ph_per_min = max(FALL_TIMES * fall.value, fall.value + FALL_SPREADS * fall.spread)
    return out


def lag_s(known: Figures, limits: ChamberLimits) -> float:
    """After so long of closed gas a fall is no tail: the configured time, or less where less was learned."""
    configured_s = limits.probe_lag_s + limits.tail_s
    return configured_s if known.lag_s is None else min(configured_s, known.lag_s)


def stall_s(known: Figures, limits: ChamberLimits) -> float:
    """How long a closing may stand still: the configured time, or less where less was learned."""
    return limits.stalled_s if known.stall_s is None else min(limits.stalled_s, known.stall_s)


def enough(learned: Learned) -> bool:
    """Rules may rest on it."""
    return learned.cycles >= CYCLES_LEAST and learned.learned_s >= LEARNED_LEAST_S


def forget(learned: Learned, names: tuple[str, ...]) -> Learned:
    """Without these figures; what is learned from now on counts anew."""
    empty: dict[str, Any] = dict.fromkeys(names, ())
    return replace(learned, cycles=0, learned_s=0.0, **empty)


def learned_under(limits: ChamberLimits) -> tuple[float, ...]:
    """The limits that shape a cycle: with others, what was learned says nothing."""
    probes = [number for one in limits.probes for number in (one.conversion.at_ph7, one.conversion.per_ph)]
    return (limits.floor_ph, limits.resume_ph, limits.min_rest_s, limits.settle_s, *probes)


def carried(learned: Learned | None, limits: ChamberLimits) -> Learned:
    """What a start goes on with: nothing when there is nothing, or it was learned under other limits."""
    under = learned_under(limits)
    if learned is None or learned.under != under:
        return Learned(under=under)
    return learned
