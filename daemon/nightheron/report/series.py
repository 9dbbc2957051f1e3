"""Readings of a span, thinned to what a picture can show: lowest and highest stay, whatever is left out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from nightheron.model import NS, Gas
from nightheron.report.closings import Entry

BINS_MOST = 320
STEPS_MOST = 24
STEPS_S = (60, 300, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800, 1209600, 2592000)
DECIDING = ("decision", "witness")


@dataclass(slots=True)
class Bin:
    """What one chamber's rows say of one short stretch."""

    ph_low: float | None = None
    ph_high: float | None = None
    ph: float | None = None
    tank: float | None = None
    tank_low: float | None = None
    tank_high: float | None = None
    open_s: float = 0.0
    watched_s: float = 0.0

    def join(self, other: Bin) -> None:
        """Take in the stretch after this one."""
        self.ph_low = _least(self.ph_low, other.ph_low)
        self.ph_high = _most(self.ph_high, other.ph_high)
        self.ph = self.ph if other.ph is None else other.ph
        self.tank = self.tank if other.tank is None else other.tank
        self.tank_low = _least(self.tank_low, other.tank_low)
        self.tank_high = _most(self.tank_high, other.tank_high)
        self.open_s += other.open_s
        self.watched_s += other.watched_s


@dataclass(frozen=True, slots=True)
class Lines:
    """Limits in force from a moment on; None where there is none."""

    at_s: float
    floor_ph: float
    resume_ph: float
    tank_low_ph: float | None
    tank_clear_ph: float | None


@dataclass(slots=True)
class Series:
    """One chamber's readings between two moments (seconds since 1970, UTC)."""

    name: str
    since_s: float
    until_s: float
    step_s: float
    bin_s: float
    bins: dict[int, Bin] = field(default_factory=dict)
    limits: list[Lines] = field(default_factory=list)
    last: Entry | None = None

    def see(self, row: Entry) -> None:
        """One decision or witness row."""
        at_s, last = seconds_of(row["utc"]), self.last
        place = int(min(max(at_s, self.since_s), self.until_s - 1e-3) - self.since_s) / self.bin_s
        one = self.bins.setdefault(int(place), Bin())
        tank = row.get("tank_ph")
        seen = Bin(row.get("ph_min"), row.get("ph_max"), row.get("ph"), tank, tank, tank)
        if last is not None and last["boot"] == row["boot"]:
            seen.watched_s = max(0.0, (row["mono_ns"] - last["mono_ns"]) / NS)
            seen.open_s = seen.watched_s if last["gas"] == Gas.OPEN else 0.0
        one.join(seen)
        self.last = row

    def see_limits(self, row: Entry) -> None:
        """A snapshot row, from within the span or before it."""
        limits: Mapping[str, Any] = row.get("limits") or {}
        tank: Mapping[str, Any] = limits.get("tank") or {}
        if "floor_ph" in limits and "resume_ph" in limits:
            at_s = max(self.since_s, seconds_of(row["utc"]))
            new = Lines(
                at_s, limits["floor_ph"], limits["resume_ph"], tank.get("low_ph"), tank.get("clear_ph")
            )
            if not self.limits or (new.floor_ph, new.resume_ph, new.tank_low_ph) != (
                self.limits[-1].floor_ph,
                self.limits[-1].resume_ph,
                self.limits[-1].tank_low_ph,
            ):
                self.limits.append(new)

    def points(self, every: int = 1) -> list[tuple[float, Bin]]:
        """Bins that have rows, joined in groups of ``every``, each with the middle of its time, in order."""
        parts: dict[int, Bin] = {}
        for n, one in sorted(self.bins.items()):
            parts.setdefault(n // every, Bin()).join(one)
        return [(self.since_s + (n + 0.5) * every * self.bin_s, one) for n, one in parts.items()]

    def steps(self) -> list[tuple[float, float, Bin]]:
        """The span in at most ``STEPS_MOST`` parts for a table: begin, end, and what was seen."""
        parts: dict[int, Bin] = {}
        each = round(self.step_s / self.bin_s)
        for n, one in sorted(self.bins.items()):
            parts.setdefault(n // each, Bin()).join(one)
        count = -int(-(self.until_s - self.since_s) // self.step_s)
        begins = [self.since_s + n * self.step_s for n in range(max(1, count))]
        return [
            (begin, min(begin + self.step_s, self.until_s), parts.get(n, Bin()))
            for n, begin in enumerate(begins)
        ]

    @property
    def has_tank(self) -> bool:
        """Some row has a reading of the tank."""
        return any(one.tank is not None for one in self.bins.values())


@dataclass(slots=True)
class Collector:
    """Series of every chamber, filled while the rows pass by on their way to something else."""

    since: str
    until: str
    series: dict[str, Series] = field(default_factory=dict)

    def passing(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        """The same rows, seen."""
        for row in entries:
            if self.since <= row["utc"] < self.until:
                self._see(row)
            yield row

    def before(self, entries: Iterable[Entry]) -> None:
        """Snapshot rows from before the span."""
        for row in entries:
            self._of(row).see_limits(row)

    def _see(self, row: Entry) -> None:
        if row["kind"] in DECIDING:
            self._of(row).see(row)
        elif row["kind"] == "snapshot":
            self._of(row).see_limits(row)

    def _of(self, row: Entry) -> Series:
        name = str(row["chamber"])
        if name not in self.series:
            self.series[name] = empty(name, self.since, self.until)
        return self.series[name]


def empty(name: str, since: str, until: str) -> Series:
    """No readings yet; steps of a length people use, bins that divide them."""
    since_s, until_s = seconds_of(since), seconds_of(until)
    span_s = max(1.0, until_s - since_s)
    step_s = float(next((s for s in STEPS_S if span_s / s <= STEPS_MOST), span_s / STEPS_MOST))
    parts = max(1, int(BINS_MOST * step_s / span_s))
    return Series(name, since_s, until_s, step_s, step_s / parts)


def seconds_of(utc: str) -> float:
    """Seconds since 1970 of a UTC text."""
    return datetime.fromisoformat(utc).timestamp()


def _least(one: float | None, other: float | None) -> float | None:
    return other if one is None else one if other is None else min(one, other)


def _most(one: float | None, other: float | None) -> float | None:
    return other if one is None else one if other is None else max(one, other)
