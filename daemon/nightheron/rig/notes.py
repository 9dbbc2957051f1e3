"""What the campaign notes of one night: the water's lows, what the guard named and when, and the physics.

How deep the water goes after its floor is not the guard's doing alone: gas in line and vessel still acts. So
each time the water passes the floor a copy of the site is kept, and afterwards lived on with the gas shut
from that very moment: what no valve, however quick, could have bettered.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field

from nightheron.guard.limits import ChamberLimits
from nightheron.model import NS, Close, Decision, Effect, Event, Gas, OpenUntil, Raise, Reason, Record, State
from nightheron.rig.nights import CHAMBER
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.standing import Faults

NORMAL = frozenset(
    {
        *(Reason.FLOOR, Reason.PLANNED_REST, Reason.SETTLING, Reason.MIN_REST, Reason.STARTING),
        *(Reason.SERVICE, Reason.WORK_DONE, Reason.VALVE_TURN, Reason.COMMISSIONING),
    }
)
"""What a healthy night has too."""
COPY_EVERY_S = 300.0
WORTH_PH = 0.05
"""Depths below the floor that are worth asking the physics about."""
ALONE_S = 5400.0
LEAKING = 0.05


@dataclass(slots=True)
class Notes:
    """A watcher of one night, from ``from_ns`` on."""

    limits: ChamberLimits
    plant: Plant
    faults: Faults
    from_ns: int
    broken_ns: int
    """From when the first fault may act."""
    lowest_ph: float = 14.0
    lowest_ns: int = 0
    below_s: float = 0.0
    """Seconds of true water below the floor."""
    below_open_s: float = 0.0
    """Of these, while gas was ordered open: what the guard could not see, or did not."""
    against_s: float = 0.0
    """Seconds in which the valve passed gas that was ordered shut."""
    flowed: set[str] = field(default_factory=set)
    """Faults that stood while gas flowed or was ordered to."""
    first: dict[str, float] = field(default_factory=dict)
    """Seconds into the night at which each reason that is not normal first shut gas, latched or was told.

    A reason that only holds gas shut that is shut, such as a signal's hold after a start, names nothing yet.
    """
    named: dict[str, float] = field(default_factory=dict)
    """The same from the first fault on."""
    standing_before: set[str] = field(default_factory=set)
    """What was named before the first fault came."""
    told: list[str] = field(default_factory=list)
    _gas: Gas = Gas.CLOSED
    _shut_ns: int = 0
    _until_ns: int = 0
    _now_ns: int = 0
    _ph: float = 14.0
    _before: Gas = Gas.CLOSED
    """What the row before said."""
    _copies: list[tuple[int, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._now_ns = self.from_ns

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation."""
        for effect in effects:
            match effect:
                case OpenUntil(only=None):
                    self._gas, self._until_ns = Gas.OPEN, effect.until_ns
                case Close():
                    self._close(event.at_ns)
                case Record():
                    self._row(event.at_ns, effect.decision)
                case Raise():
                    self.told.append(effect.reason.value)
                    if effect.reason not in NORMAL:
                        self._note(event.at_ns, {effect.reason.value})
                case _:
                    pass

    def _row(self, at_ns: int, decision: Decision) -> None:
        shuts = self._before is Gas.OPEN and decision.gas is Gas.CLOSED
        self._before = decision.gas
        if shuts or decision.state is State.LATCHED:
            self._note(at_ns, {r.value for r in decision.reasons if r not in NORMAL})

    def died(self, now_ns: int) -> None:
        """Guard or keeper is gone."""
        self._close(now_ns)
        self._before = Gas.CLOSED

    def water(self, now_ns: int, bay: Bay) -> None:
        """One step of the water."""
        dt_s, self._now_ns = (now_ns - self._now_ns) / NS, now_ns
        if self._gas is Gas.OPEN and now_ns > self._until_ns:
            self._close(self._until_ns)
        ph, share, floor_ph = bay.ph, bay.valve.share, self.limits.floor_ph
        if (share > 0.0 or self._gas is Gas.OPEN) and self.faults.standing:
            self.flowed.update(name for name, _ in self.faults.standing)
        if share > LEAKING and self._gas is Gas.CLOSED and now_ns - self._shut_ns > NS:
            self.against_s += dt_s
        if ph < floor_ph:
            self.below_s += dt_s
            self.below_open_s += dt_s * (self._gas is Gas.OPEN)
            if self._ph >= floor_ph:
                self._keep(now_ns)
            if ph < self.lowest_ph:
                self.lowest_ph, self.lowest_ns = ph, now_ns
        elif ph < self.lowest_ph:
            self.lowest_ph, self.lowest_ns = ph, now_ns
        self._ph = ph

    def at_best_ph(self) -> float | None:
        """The lowest that the water would have had with gas shut as it passed the floor; None: not asked."""
        if self.lowest_ph > self.limits.floor_ph - WORTH_PH:
            return None
        before = [kept for at_ns, kept in self._copies if at_ns <= self.lowest_ns]
        if not before:
            return None
        plant, faults = pickle.loads(before[-1])  # noqa: S301 - our own bytes, never written down
        lowest_ph = 14.0
        for _ in range(round(ALONE_S / 2.0)):
            plant.step(2.0, {CHAMBER: 0.0})
            faults.step()
            lowest_ph = min(lowest_ph, plant.bays[CHAMBER].ph)
        return float(lowest_ph)

    def _keep(self, now_ns: int) -> None:
        if not self._copies or now_ns - self._copies[-1][0] >= COPY_EVERY_S * NS:
            self._copies.append((now_ns, pickle.dumps((self.plant, self.faults))))

    def _close(self, at_ns: int) -> None:
        if self._gas is Gas.OPEN:
            self._gas, self._shut_ns = Gas.CLOSED, at_ns

    def _note(self, at_ns: int, reasons: set[str]) -> None:
        for reason in reasons:
            self.first.setdefault(reason, (at_ns - self.from_ns) / NS)
            if at_ns >= self.broken_ns:
                self.named.setdefault(reason, (at_ns - self.broken_ns) / NS)
        if at_ns < self.broken_ns:
            self.standing_before |= reasons
