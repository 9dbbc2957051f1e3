"""What became of one played night, compactly: orders, water, decisions and alarms, each with its second."""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.model import (
    NS,
    AlarmClass,
    Close,
    Decision,
    Effect,
    Event,
    Gas,
    OpenUntil,
    Raise,
    Reason,
    Record,
)
from nightheron.rig.plant import Bay


@dataclass(frozen=True, slots=True)
class Told:
    """An alarm that was raised."""

    at_s: float
    reason: Reason
    kind: AlarmClass
    text: str


@dataclass(frozen=True, slots=True)
class Wet:
    """The water at one moment. pH on the NBS scale."""

    at_s: float
    ph: float
    """The water's own, as no probe sees it."""
    share: float
    """Of the gas, that the valve lets pass whatever was ordered."""
    gas: Gas
    """The order that stands, as the guard gave it."""


@dataclass(slots=True)
class Trace:
    """A watcher that keeps; the water every ``every_s`` seconds, its lowest at its own moment."""

    every_s: float = 10.0
    orders: list[tuple[float, Gas]] = field(default_factory=list)
    """Each change of the order."""
    waters: list[Wet] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)
    """Each that had a row of its own."""
    told: list[Told] = field(default_factory=list)
    lowest: Wet | None = None
    passed_s: float = 0.0
    """How long the valve let more than half of the gas pass."""
    _gas: Gas = Gas.CLOSED
    _until_ns: int = 0
    _now_ns: int = 0
    _next_ns: int = 0

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation."""
        for effect in effects:
            if isinstance(effect, OpenUntil) and effect.only is None:
                self._until_ns = effect.until_ns
                self._order(event.at_ns, Gas.OPEN)
            elif isinstance(effect, Close):
                self._order(event.at_ns, Gas.CLOSED)
            elif isinstance(effect, Record):
                self.decisions.append(effect.decision)
            elif isinstance(effect, Raise):
                self.told.append(Told(event.at_ns / NS, effect.reason, effect.kind, effect.text))

    def water(self, now_ns: int, bay: Bay) -> None:
        """One step of the water."""
        if self._gas is Gas.OPEN and now_ns > self._until_ns:
            self._order(self._until_ns, Gas.CLOSED)  # nobody renewed it
        ph, share = bay.ph, bay.valve.share
        if share > 0.5 and self._now_ns:
            self.passed_s += (now_ns - self._now_ns) / NS
        self._now_ns = now_ns
        if self.lowest is None or ph < self.lowest.ph:
            self.lowest = Wet(now_ns / NS, ph, share, self._gas)
        if now_ns >= self._next_ns:
            self._next_ns = now_ns + round(self.every_s * NS)
            self.waters.append(Wet(now_ns / NS, ph, share, self._gas))

    def died(self, now_ns: int) -> None:
        """Whoever held the valve is gone, and it was shut by that."""
        self._order(now_ns, Gas.CLOSED)

    def _order(self, at_ns: int, gas: Gas) -> None:
        if gas is not self._gas:
            self._gas = gas
            self.orders.append((at_ns / NS, gas))
