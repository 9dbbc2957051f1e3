"""The guard's own core in charge of one chamber of a plant, on a virtual clock: no journal, no process.

Events come as the service's loop gives them: readings at each probe's period, a Committed after each row, a
valve's answer at the next evaluation and its report as it moves, what keeper, journal and strangers do, and,
after a death, a Started with what the last row on record had left. Ticks come once a second instead of four
times, since readings evaluate too and a lease of 2 s or more outlives a second; while gas is open and a
reading is overdue they come at the loop's own rate, so that silence is found as early as in the service.

Whoever wants to know what happened gives watchers: each sees every event with its effects, and the water.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import gcd
from typing import Protocol

from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Close,
    Committed,
    Effect,
    Event,
    FeedbackSaid,
    Gas,
    JournalSaid,
    KeeperSaid,
    Left,
    OpenUntil,
    OtherOrder,
    Record,
    Started,
    Stopping,
    Ticked,
    ValveSaid,
    Work,
)
from nightheron.rig.ears import TICK_MS, Ears
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.standing import Faults

MS = 1_000_000
PACE_MS = 1000
NOT_RECORDABLE_S = 15.0
WITNESS_S = 60
UNWATCHED_S = 75.5
"""A death loses what was counted since the last row, at most so much; a start adds it to what was open."""
BEGINS_NS = 1000 * NS


class Watcher(Protocol):
    """Sees everything and changes nothing."""

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation."""

    def water(self, now_ns: int, bay: Bay) -> None:
        """The water has moved on to ``now_ns``; what follows is fed with it as it is."""


class Played:
    """One chamber guarded. Call ``begin``, then ``lives`` as often as you like; break things with ``faults``.

    ``limits`` is what a configuration gives; its probes' periods must be multiples of 0.25 s. ``stamped``:
    the chamber's probes say when they measured, as over MQTT. ``hears_strangers``: the keeper sees orders of
    others, as on a broker. A copy (``copy.deepcopy``) goes on by itself, so that a chamber that has lived
    can live many nights.
    """

    def __init__(
        self,
        limits: ChamberLimits,
        plant: Plant,
        *,
        chamber: str = "west",
        watchers: Iterable[Watcher] = (),
        stamped: bool = False,
        hears_strangers: bool = True,
        begins_ns: int = BEGINS_NS,
    ) -> None:
        self.limits, self.plant, self.faults = limits, plant, Faults(plant)
        self.bay, self.name = plant.bays[chamber], chamber
        self.core: Chamber | None = None
        """None while the guard is dead."""
        self.now_ms = begins_ns // MS
        self.watchers = list(watchers)
        self.hears_strangers = hears_strangers
        self.starts_ms: list[int] = []
        """When the last starts came that no clean stop preceded."""
        self.ears = Ears(limits, plant, chamber, stamped=stamped)
        self._pace_ms = gcd(PACE_MS, *self.ears.periods_ms())
        self._linked = self._answered = False
        self._acked: Gas | None = None
        self._seen: Gas | None = None
        self._waiting: list[tuple[int, int]] = []
        """Rows that are not on disk: when handed over, and their tokens."""
        self._well = True
        self._left: Left | None = None
        self._witness_ms = self._lived_ms = self._dead_until_ms = 0
        self._open_until_ms = 0
        self._strangers = False
        self.bay.valve.stranger = self._stranger

    @property
    def now_ns(self) -> int:
        return self.now_ms * MS

    @property
    def gas(self) -> Gas:
        """The order that stands: open only while a lease runs."""
        return Gas.OPEN if self.now_ms < self._open_until_ms else Gas.CLOSED

    # -- the guard's life --

    def begin(
        self,
        left: Left | None = None,
        *,
        unclean: int = 0,
        journal_new: bool = False,
        commissioned: bool = True,
    ) -> Played:
        """The service starts: its keeper closes first, and the valve answers."""
        self.core, self._left = Chamber(self.limits), left
        self._lived_ms, self._dead_until_ms, self.ears.heard_ms = self.now_ms, 0, self.now_ms
        self._waiting.clear()
        self._linked, self._acked, self._seen, self._well = False, None, None, True
        self.feed(Started(self.now_ns, left, unclean, journal_new, commissioned))
        self.feed(KeeperSaid(self.now_ns, alive=True))
        self._ask_to_close()
        return self

    def dies(self, for_s: float) -> None:
        """The process is killed: its keeper closes at once, and the service comes back after ``for_s``."""
        self.core, self._open_until_ms = None, 0
        self.bay.valve.order("CLOSE")
        self._dead_until_ms = self.now_ms + max(TICK_MS, round(1000 * for_s))

    def stops(self) -> None:
        """The service ends in good order."""
        self.feed(Stopping(self.now_ns))

    def acts(self, act: Act, *, why: str = "", for_s: float | None = None, work: Work | None = None) -> None:
        """A person acts at the board; nothing while the guard is dead."""
        self.feed(Acted(self.now_ns, act, "ana", why, for_s, work))

    def keeper(self, *, alive: bool) -> None:
        """The valve's process is gone, which closes, or a new one is there, which closes first."""
        if not alive:
            self._open_until_ms = 0
            self.bay.valve.order("CLOSE")
        self.feed(KeeperSaid(self.now_ns, alive, "" if alive else "killed"))
        self._linked = False
        if alive:
            self._ask_to_close()

    def lives(self, seconds: float) -> Played:
        """Let time pass."""
        until_ms = self.now_ms + round(1000 * seconds)
        while self.now_ms < until_ms:
            overdue = self._open_until_ms > self.now_ms and self.ears.overdue(self.now_ms)
            self._pass(min(TICK_MS if overdue else self._pace_ms, until_ms - self.now_ms))
        return self

    def _pass(self, dt_ms: int) -> None:
        self.now_ms = now_ms = self.now_ms + dt_ms
        bay, plant, dt_s = self.bay, self.plant, dt_ms / 1000
        bay.valve.step(dt_s)
        plant.step(dt_s)
        if self.faults.standing:
            self.faults.step()
        for watcher in self.watchers:
            watcher.water(now_ms * MS, bay)
        if self.core is None:
            if now_ms < self._dead_until_ms or not self._dead_until_ms:
                return
            self._comes_back()
        elif plant.guard.killed_every_s and now_ms - self._lived_ms >= 1000 * plant.guard.killed_every_s:
            self.dies(5.0)
            return
        heard = self.ears.due(now_ms, dt_ms)
        for event in heard:
            self.feed(event)
        self._valve_says()
        self._journal()
        if not heard:
            self.feed(Ticked(self.now_ns))
        if now_ms - self._witness_ms >= 1000 * WITNESS_S and self.core is not None:
            self._row(None)

    def _comes_back(self) -> None:
        hour_ms = self.now_ms - 3_600_000
        self.starts_ms = [*(at for at in self.starts_ms if at > hour_ms), self.now_ms]
        left = self._left
        if left is not None and left.gas is Gas.OPEN:
            more_s = UNWATCHED_S + self.limits.valve.lease_s
            left = replace(
                left,
                unanswered_s=left.unanswered_s + more_s,
                opening_s=left.opening_s + more_s,
                opened_day_s=left.opened_day_s + more_s,
            )
        self.begin(left, unclean=len(self.starts_ms))

    # -- events in, effects out --

    def feed(self, event: Event) -> None:
        """One event to the core, if it lives, and what it wants done."""
        if self.core is None:
            return
        effects = self.core.feed(event)
        for effect in effects:
            if isinstance(effect, OpenUntil):
                self._open(effect)
            elif isinstance(effect, Close):
                self._close()
        for watcher in self.watchers:
            watcher.see(event, effects)
        for effect in effects:
            if isinstance(effect, Record):
                self._row(effect)

    def _row(self, record: Record | None) -> None:
        """A row is handed to the journal: a decision, or the minute's witness."""
        self._witness_ms = self.now_ms
        token = record.token if record is not None else 0
        if self.plant.guard.journal_stalls or self._waiting:
            self._waiting.append((self.now_ms, token))
        else:
            self._on_disk(token)

    def _on_disk(self, token: int) -> None:
        if self.core is not None:
            self._left = self.core.left()
            if token:
                self.feed(Committed(self.now_ns, token))

    def _journal(self) -> None:
        if self._waiting and not self.plant.guard.journal_stalls:
            waiting, self._waiting = self._waiting, []
            for _, token in waiting:
                self._on_disk(token)
        stalled = bool(self._waiting) and self.now_ms - self._waiting[0][0] > 1000 * NOT_RECORDABLE_S
        if stalled is self._well:
            self._well = not stalled
            self.feed(JournalSaid(self.now_ns, self._well))

    # -- the valve --

    def _open(self, order: OpenUntil) -> None:
        if not self._linked or order.only is not None:
            return  # the other valve in series stays shut, so no gas flows
        until_ms = order.until_ns // MS
        answer = self.bay.valve.order(f"OPEN {(until_ms - self.now_ms) / 1000:.3f}")
        self._open_until_ms = until_ms
        self._answers(Gas.OPEN, answer)

    def _close(self) -> None:
        self._open_until_ms = 0
        if self._linked:
            self._answers(Gas.CLOSED, self.bay.valve.order("CLOSE"))

    def _answers(self, gas: Gas, answer: str | None) -> None:
        """What the core hears of it comes with the next evaluation."""
        linked = answer == gas.value
        if linked is not self._linked or (linked and gas is not self._acked):
            self._answered = True
        self._linked, self._acked = linked, gas if linked else None

    def _ask_to_close(self) -> None:
        """As a keeper does at each new link, and once a second while there is none."""
        self._answers(Gas.CLOSED, self.bay.valve.order("CLOSE"))

    def _valve_says(self) -> None:
        if self._strangers:
            self._strangers = False
            self.feed(OtherOrder(self.now_ns, 0, Gas.OPEN, "OPEN"))
            self._close()
        if not self._linked and self.now_ms % PACE_MS == 0:
            self._ask_to_close()
        if self._answered:
            self._answered = False
            why = "" if self._linked else "no answer"
            self.feed(ValveSaid(self.now_ns, 0, self._linked, self._acked, why))
        if self.limits.valve.feedback:
            seen = self.bay.valve.feedback
            if seen is not None and seen is not self._seen:
                self.feed(FeedbackSaid(self.now_ns, 0, seen, seen.value))
            self._seen = seen

    def _stranger(self) -> None:
        """Somebody else orders the valve open; where orders can be heard, it is answered."""
        self.bay.valve.order("OPEN 60")
        self._strangers = self.hears_strangers
