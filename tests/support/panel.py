"""A judge of chambers with several probes and other signals; like the judge it knows only events and effects.

Of two probes the lower decides. Of three the median, and one further than spread_ph from it is as good as
lost; of the two then left the lower decides. Without two that agree there is no permission.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from nightheron.guard.limits import SenseLimits
from nightheron.guard.signals import KINDS
from nightheron.model import NS, Effect, Event, Observed, OpenUntil, Signal

from tests.support.judge import Judge, ph_of

DAY_NS = 24 * 3600 * NS
Readings = deque[tuple[int, float]]


@dataclass
class Heard:
    """What one signal that is not pH has said."""

    last: tuple[int, float] | None = None
    beyond: bool = False
    """Beyond its limit, and not yet back for its hold."""
    back_ns: int | None = None


@dataclass
class Panel(Judge):
    """Judges one run of one chamber with any number of probes and signals."""

    probes: dict[int, Readings] = field(default_factory=dict)
    heard: dict[Signal, Heard] = field(default_factory=dict)
    flowed: deque[tuple[int, int]] = field(default_factory=deque)
    """From when to when gas flowed: open, and never beyond a lease."""
    until_ns: int = 0

    def begin_again(self) -> Panel:
        """The judge of the run after a restart."""
        plain = Judge.begin_again(self)
        kept = {one: Heard(beyond=heard.beyond) for one, heard in self.heard.items()}
        names = ("service", "held", "opened_ns", "openings", "reason")
        carried = {name: getattr(plain, name) for name in names}
        return Panel(self.limits, **carried, heard=kept, flowed=self.flowed)

    def see(self, event: Event, effects: Sequence[Effect]) -> None:
        """Judge what the chamber answered to one event."""
        if self.is_open and event.at_ns > self.now_ns:
            self.flowed.append((self.now_ns, min(event.at_ns, self.until_ns)))
        for effect in effects:
            if isinstance(effect, OpenUntil) and effect.only is None:
                self.until_ns = effect.until_ns
        Judge.see(self, event, effects)
        self._see_budget()

    def _see_budget(self) -> None:
        most_s = self.limits.gas_budget_s_per_day
        day_ns = self.now_ns - DAY_NS
        while self.flowed and self.flowed[0][1] < day_ns:
            self.flowed.popleft()
        if most_s is None:
            return
        flowed_s = sum(max(0, to - max(since, day_ns)) for since, to in self.flowed) / NS
        assert flowed_s <= most_s + self.limits.valve.lease_s, (
            f"{flowed_s} s of gas in a day, {most_s} s at most"
        )

    def hear_reading(self, event: Observed) -> None:
        """Keep what was said, by probe or by signal."""
        if event.signal is Signal.CHAMBER_PH and 0 <= event.probe < len(self.limits.probes):
            ph = ph_of(event, self.limits.probes[event.probe])
            if ph is not None:
                readings = self.probes.setdefault(event.probe, deque(maxlen=4000))
                readings.append((self.now_ns, ph))
        elif event.signal is Signal.TANK_PH:
            Judge.hear_reading(self, event)
        for one in self.limits.senses:
            if one.signal is event.signal:
                self._hear_sense(event, one)

    def _hear_sense(self, event: Observed, one: SenseLimits) -> None:
        value, (least, most) = event.value, KINDS[one.signal].plausible
        if (
            event.refused is not None
            or value is None
            or isinstance(value, bool)
            or not least <= value <= most
        ):
            return
        heard = self.heard.setdefault(one.signal, Heard())
        self._falls_silent(heard, one)
        heard.last = (self.now_ns, float(value))
        if not _within(value, one.low, one.high):
            heard.beyond, heard.back_ns = True, None
            self.held |= KINDS[one.signal].latches and self.started
        elif not _within(value, one.clear_low, one.clear_high):
            heard.back_ns = None
        elif heard.beyond and heard.back_ns is None:
            heard.back_ns = self.now_ns

    def _falls_silent(self, heard: Heard, one: SenseLimits) -> bool:
        silent = heard.last is None or not self.now_ns - heard.last[0] <= one.stale_s * NS
        if silent:
            heard.back_ns = None
        elif heard.back_ns is not None and self.now_ns - heard.back_ns >= one.hold_s * NS:
            heard.beyond, heard.back_ns = False, None
        return silent

    def water_is_against(self) -> dict[str, bool]:
        """What the probes say together, and every other signal for itself."""
        against = {}
        for one in self.limits.senses:
            heard = self.heard.setdefault(one.signal, Heard())
            silent = self._falls_silent(heard, one)
            against[f"{one.signal} beyond its limit"] = heard.beyond
            against[f"{one.signal} silent"] = one.required and silent
        fresh = self._fresh()
        left = list(fresh.values())
        if len(self.limits.probes) == 3 and len(left) == 3:
            middle = median(left)
            left = [ph for ph in left if abs(ph - middle) <= self.limits.spread_ph]
        enough = len(left) >= min(2, len(self.limits.probes))
        decides = median(left) if len(left) == 3 else min(left, default=-math.inf)
        apart = len(left) == 2 and abs(left[0] - left[1]) > self.limits.spread_ph
        return against | {
            "not enough fresh readings": not enough,
            "probes apart": apart,
            "below the floor": not decides >= self.limits.floor_ph,
        }

    def _fresh(self) -> dict[int, float]:
        found = {}
        for number, readings in self.probes.items():
            at_ns, ph = readings[-1]
            if self.now_ns - at_ns <= self.limits.probes[number].stale_s * NS:
                found[number] = ph
        return found

    def see_settled(self) -> None:
        """Gas begins to flow: every probe it rests on must have settled."""
        why = {i: self.unsettled(self.probes[i], self.limits.probes[i]) for i in self._fresh()}
        settled = [number for number, unsettled in why.items() if not unsettled]
        assert len(settled) >= min(2, len(self.limits.probes)), f"opened although {why}"


def _within(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)
