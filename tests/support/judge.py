"""A judge of the laws who sees only events and effects, and knows nothing of the guard's inside.

Written from the laws, not from the guard: it keeps its own list of readings, its own idea of what
stands against gas, and speaks up with ``AssertionError`` at the first effect that breaks a law.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from nightheron.guard.limits import ChamberLimits, ProbeLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Clear,
    Close,
    Committed,
    Decision,
    Effect,
    Event,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OpenUntil,
    OtherOrder,
    Raise,
    Reason,
    Record,
    Refused,
    Signal,
    Started,
    State,
    Stopping,
    ValveSaid,
    Work,
)


def ph_of(event: Observed, probe: ProbeLimits) -> float | None:
    value = event.value
    if event.refused is not None or isinstance(value, bool) or value is None or abs(value) > 1e6:
        return None
    if math.isnan(value):
        return None
    ph = 7.0 + (value - probe.conversion.at_ph7) / probe.conversion.per_ph
    return ph if 4.0 <= ph <= 9.0 else None


@dataclass(slots=True)
class Judge:
    """Judges one run of one chamber; ``begin_again`` carries what must outlive a restart."""

    limits: ChamberLimits
    now_ns: int = 0
    started: bool = False
    stopping: bool = False
    is_open: bool = False
    opened_ns: int = 0
    """Total time gas stood open."""
    openings: int = 0
    closed_at_ns: int = 0
    readings: deque[tuple[int, float]] = field(default_factory=deque)
    tank: tuple[int, float] | None = None
    tank_was_low: bool = False
    service: bool = False
    bleed_until_ns: int = 0
    """A bleed that was not refused ends then; until then a hold is set aside."""
    hands: bool = False
    """The event that is judged says so itself: hands were at work, or a person tests."""
    keeper: bool = False
    link: bool = False
    journal: bool = True
    held: bool = False
    """Something stands that only a person releases."""
    open_tokens: set[int] = field(default_factory=set)
    """Rows that say open, written since gas was last ordered or recorded shut."""
    written: Decision | None = None
    reason: Reason | None = None
    told: set[Reason] = field(default_factory=set)

    def begin_again(self) -> Judge:
        """The judge of the run after a restart."""
        shut = self.written is not None and self.written.gas is Gas.CLOSED
        return Judge(
            self.limits,
            service=self.service,
            held=self.held,
            opened_ns=self.opened_ns,
            openings=self.openings,
            reason=self.reason if shut else None,
        )

    def see(self, event: Event, effects: Sequence[Effect]) -> None:
        """Judge what the chamber answered to one event."""
        before_ns, self.now_ns = self.now_ns, max(self.now_ns, event.at_ns)
        if self.is_open:
            self.opened_ns += self.now_ns - before_ns
        self._hear(event, effects)
        self._see_order(effects)
        for effect in effects:
            match effect:
                case Close():
                    self._shut()
                case OpenUntil(only=only) if only is not None:
                    pass  # the other valve in series stays shut
                case OpenUntil():
                    self._see_open(event, effect)
                case Record():
                    self._see_row(effect)
                case Raise():
                    assert effect.reason is not Reason.CORE_FAULT, effect.text
                    self.told.add(effect.reason)
                case Clear():
                    assert effect.reason in self.told, f"cleared, never told: {effect.reason}"
                    self.told.discard(effect.reason)
                case _:
                    pass
        if self.is_open:
            against = self.against(event)
            assert not against, f"gas stands open although {against}"

    def against(self, event: Event) -> str:
        """What stands against gas now, whatever was decided; empty when nothing does."""
        checks = {
            "not started": not self.started,
            "stopping": self.stopping,
            **self.water_is_against(),
            "service": self.service and not self.now_ns < self.bleed_until_ns,
            "hands": self.hands,
            "no keeper": not self.keeper,
            "no link": not self.link,
            "no journal": not self.journal,
            "held for a person": self.held,
            "late": isinstance(event, Late),
            "tank": self._tank_is_against(),
        }
        return ", ".join(what for what, stands in checks.items() if stands)

    def water_is_against(self) -> dict[str, bool]:
        """What the chamber's own readings say against gas."""
        last = self.readings[-1] if self.readings else None
        stale_ns = self.limits.probes[0].stale_s * NS
        return {
            "no fresh reading": last is None or not self.now_ns - last[0] <= stale_ns,
            "below the floor": last is None or not last[1] >= self.limits.floor_ph,
        }

    def _tank_is_against(self) -> bool:
        tank = self.limits.tank
        if tank is None:
            return False
        fresh = self.tank is not None and self.now_ns - self.tank[0] <= tank.probe.stale_s * NS
        return self.tank_was_low or (tank.required and not fresh)

    def _hear(self, event: Event, effects: Sequence[Effect]) -> None:
        self.hands = False
        match event:
            case Started():
                self.started = True
                self.closed_at_ns = self.now_ns
                self.held |= event.journal_new or event.unclean_starts > self.limits.starts_per_hour
            case Observed():
                self.hear_reading(event)
            case KeeperSaid():
                self.link = self.link and event.alive is self.keeper
                self.keeper = event.alive
            case ValveSaid():
                self.link = event.link
            case JournalSaid():
                self.journal = event.well
                self.held |= event.replaced
            case OtherOrder():
                self.held |= event.order is Gas.OPEN and not self.is_open
            case Stopping():
                self.stopping = True
            case Acted():
                self._hear_act(event, refused=any(isinstance(e, Refused) for e in effects))
            case _:
                pass

    def _hear_act(self, event: Acted, *, refused: bool) -> None:
        self.hands = not refused and (
            event.act in (Act.CHANGED, Act.TEST)
            or (event.act is Act.SERVICE_OFF and self.now_ns < self.bleed_until_ns)
        )
        match event.act:
            case Act.SERVICE_ON | Act.CLOSE | Act.HOLD:
                self.service, self.bleed_until_ns = True, 0
            case Act.SERVICE_OFF:
                self.service, self.bleed_until_ns = False, 0
            case Act.CHANGED:
                self.service |= event.work is Work.LAY_UP
            case Act.RELEASE:
                self.held &= refused
            case Act.BLEED if not refused:
                assert self.service, "a bleed without hands at the valve"
                assert not self.is_open, "a bleed of open gas"
                assert event.for_s is not None and 1 <= event.for_s <= 120, f"a bleed of {event.for_s} s"
                self.bleed_until_ns = self.now_ns + round(event.for_s * NS)
            case _:
                pass

    def hear_reading(self, event: Observed) -> None:
        if event.signal is Signal.CHAMBER_PH:
            ph = ph_of(event, self.limits.probes[0])
            if ph is not None:
                self.readings.append((self.now_ns, ph))
                while len(self.readings) > 4000:
                    self.readings.popleft()
        elif event.signal is Signal.TANK_PH and self.limits.tank is not None:
            ph = ph_of(event, self.limits.tank.probe)
            if ph is not None:
                self.tank = (self.now_ns, ph)
                limit = self.limits.tank.clear_ph if self.tank_was_low else self.limits.tank.low_ph
                self.tank_was_low = ph < limit

    def _see_order(self, effects: Sequence[Effect]) -> None:
        ranks = [0 if isinstance(e, Close | OpenUntil) else 1 for e in effects]
        assert ranks == sorted(ranks), f"orders come first: {effects}"

    def _shut(self) -> None:
        if self.is_open:
            self.closed_at_ns = self.now_ns
        self.is_open, self.bleed_until_ns = False, 0
        self.open_tokens.clear()

    def _see_open(self, event: Event, effect: OpenUntil) -> None:
        lease_ns = effect.until_ns - self.now_ns
        assert 0 < lease_ns <= self.limits.valve.lease_s * NS, "a lease longer than the lease"
        assert not self.service or effect.until_ns <= self.bleed_until_ns, "a lease beyond the bleed"
        if self.is_open:
            return
        assert isinstance(event, Committed), f"opened at {event}"
        assert event.token in self.open_tokens, "opened before the row of the opening was on disk"
        against = self.against(event)
        assert not against, f"opened although {against}"
        rest_s = (self.now_ns - self.closed_at_ns) / NS
        assert rest_s >= self.limits.min_rest_s, f"opened after {rest_s} s of rest"
        self.see_settled()
        self.is_open = True
        self.openings += 1

    def see_settled(self) -> None:
        """Gas begins to flow: the settle window must hold."""
        unsettled = self.unsettled(self.readings, self.limits.probes[0])
        assert not unsettled, unsettled

    def unsettled(self, readings: deque[tuple[int, float]], probe: ProbeLimits) -> str:
        """Why one probe's settle window does not hold; empty when it does."""
        times = []
        for at_ns, ph in reversed(readings):
            if not ph >= self.limits.resume_ph:
                return f"pH {ph} in the settle window"
            times.append(at_ns)
            if len(times) >= 3 and times[0] - at_ns >= self.limits.settle_s * NS:
                break
        if len(times) < 3:
            return "fewer than three readings to settle"
        if times[0] - times[-1] < self.limits.settle_s * NS:
            return "readings do not span the settle time"
        gaps = [a - b for a, b in pairwise(times)]
        return "silence in the settle window" if max(gaps) > probe.stale_s * NS else ""

    def _see_row(self, effect: Record) -> None:
        row = effect.decision
        if row.gas is Gas.OPEN:
            self.open_tokens.add(effect.token)
            assert row.reason is None, "open for a reason against gas"
            assert not row.reasons, f"open against {row.reasons}"
            self.reason = None
        else:
            self.open_tokens.clear()
            assert row.reason is not None, "shut without a reason"
            assert row.reasons, "shut, and nothing stands against gas"
            assert self.reason in (None, row.reason), f"{row.reason} hides {self.reason}"
            self.reason = row.reason
        if row.state is State.LATCHED and Reason.NOT_STOPPING not in row.reasons:
            self.held = True
        self.written = row
