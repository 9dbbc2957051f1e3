"""What the guard hears of one chamber of a plant: each probe at its own period, as its driver says it."""

from __future__ import annotations

import re
from collections.abc import Iterator

from nightheron.guard.limits import ChamberLimits, ProbeLimits
from nightheron.model import Observed, Signal
from nightheron.rig.plant import Plant
from nightheron.rig.probe import Said

MS = 1_000_000
TICK_MS = 250
"""The loop's own rate; every period must be a multiple of it to be played."""
AHEAD_MOST_S = 60.0
READING = re.compile(r"-?\d{1,6}(\.\d{1,6})?")


class Ears:
    """All probes that one chamber's limits name. ``stamped``: the pH probes say when they measured."""

    def __init__(self, limits: ChamberLimits, plant: Plant, chamber: str, *, stamped: bool) -> None:
        self.limits, self.plant, self.name, self.stamped = limits, plant, chamber, stamped
        self._sources = list(self._all())
        if any(period_ms % TICK_MS for period_ms in self.periods_ms()):
            raise ValueError("a probe's period must be a multiple of 0.25 s to be played")
        self._longest_ms = max(round(1500 * one.period_s) for one in limits.probes)
        self.heard_ms = 0
        """When a chamber pH was last heard."""

    def periods_ms(self) -> list[int]:
        """Of every probe."""
        return [period_ms for period_ms, _, _ in self._sources]

    def overdue(self, now_ms: int) -> bool:
        """No chamber pH has come for half as long again as its period."""
        return now_ms - self.heard_ms > self._longest_ms

    def due(self, now_ms: int, dt_ms: int) -> list[Observed]:
        """Every message that comes in the ``dt_ms`` that end now."""
        heard = []
        for period_ms, signal, number in self._sources:
            if now_ms % period_ms < dt_ms:
                event = self._says(signal, number, now_ms)
                if event is not None:
                    heard.append(event)
        return heard

    def _all(self) -> Iterator[tuple[int, Signal, int]]:
        """Period in ms, signal and number of each, as the site's configuration orders them."""
        limits = self.limits
        for number, one in enumerate(limits.probes):
            yield round(1000 * one.period_s), Signal.CHAMBER_PH, number
        for sense in limits.senses:
            yield round(1000 * sense.period_s), sense.signal, 0
        if limits.tank is not None:
            yield round(1000 * limits.tank.probe.period_s), Signal.TANK_PH, 0

    def _says(self, signal: Signal, number: int, now_ms: int) -> Observed | None:
        if signal is Signal.CHAMBER_PH:
            return self._chamber_probe(number, now_ms)
        tank = signal is Signal.TANK_PH
        line = self.plant.tank_says() if tank else self.plant.instrument_says(self.name, signal)
        if line is None:
            return None
        if not READING.fullmatch(line):
            return Observed(now_ms * MS, signal, 0, None, line, "not_a_number")
        return Observed(now_ms * MS, signal, 0, float(line), line)

    def _chamber_probe(self, number: int, now_ms: int) -> Observed | None:
        said, one = self.plant.said(self.name, number), self.limits.probes[number]
        if said is None:
            return None
        refused = self._refused(said, one)
        if refused is not None:
            return Observed(now_ms * MS, Signal.CHAMBER_PH, number, None, said.text, refused)
        self.heard_ms = now_ms
        value = one.conversion.at_ph7 + (float(said.text) - 7.0) * one.conversion.per_ph
        return Observed(now_ms * MS, Signal.CHAMBER_PH, number, value, said.text)

    def _refused(self, said: Said, one: ProbeLimits) -> str | None:
        """Why a driver would not call it a reading."""
        if not READING.fullmatch(said.text):
            return "not_a_number"
        if self.stamped:
            age_s = self.plant.age_s - said.taken_s
            if age_s > one.stale_s:
                return "old"
            if age_s < -AHEAD_MOST_S:
                return "ahead"
        return None
