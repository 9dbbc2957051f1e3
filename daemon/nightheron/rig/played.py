"""The guard's own core in charge of one chamber of a plant, on a virtual clock: no journal, no process.

Events come as the service's loop gives them: readings at each probe's period, a Committed after each row, a
valve's answer at the next evaluation and its report as it moves, what keeper, journal and strangers do, and,
after a death, a Started with what the last row on record had left. Ticks come once a second instead of four
times, since readings evaluate too and a lease of 2 s or more outlives a second; while gas is open and a
reading is overdue they come at the loop's own rate, so that silence is found as early as in the service.
While gas is shut and readings come, five seconds will do: no tick shuts what is shut.

Whoever wants to know what happened gives watchers: each sees every event with its effects, and the water.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
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
    CycleOver,
    Effect,
    Event,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    Learned,
    Left,
    OpenUntil,
    Plain,
    Record,
    Started,
    Stopping,
    Ticked,
    UsualNow,
    Work,
)
from nightheron.rig.ears import TICK_MS, Ears
from nightheron.rig.link import Link
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.standing import Faults

MS = 1_000_000
PACE_MS = 1000
SHUT_PACE_MS = 5000
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

    def died(self, now_ns: int) -> None:
        """Guard or keeper is gone, and the valve was told to shut by that."""


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
        core_of: Callable[[ChamberLimits], Chamber] = Chamber,
    ) -> None:
        self.limits, self.plant, self.faults = limits, plant, Faults(plant)
        self.bay, self.name = plant.bays[chamber], chamber
        self.core_of = core_of
        self.core: Chamber | None = None
        """None while the guard is dead."""
        self.now_ms = begins_ns // MS
        self.watchers = list(watchers)
        self.link = Link(self.bay.valve, reports=limits.valve.feedback, hears_strangers=hears_strangers)
        self.starts_ms: list[int] = []
        """When the last starts came that no clean stop preceded."""
        self.ears = Ears(limits, plant, chamber, stamped=stamped)
        self._pace_ms = gcd(PACE_MS, *self.ears.periods_ms())
        self._waiting: list[tuple[int, int]] = []
        """Rows that are not on disk: when handed over, and their tokens."""
        self._well = True
        self._left: Left | None = None
        self._learned: Learned | None = None
        self._usual: Plain = None
        self._witness_ms = self._lived_ms = self._dead_until_ms = 0

    @property
    def now_ns(self) -> int:
        return self.now_ms * MS

    @property
    def gas(self) -> Gas:
        """The order that stands: open only while a lease runs."""
        return Gas.OPEN if self.now_ms < self.link.until_ms else Gas.CLOSED

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
        self.core, self._left = self.core_of(self.limits), left
        self._lived_ms, self._dead_until_ms, self.ears.heard_ms = self.now_ms, 0, self.now_ms
        self._waiting.clear()
        self._well = True
        self.feed(Started(self.now_ns, left, unclean, journal_new, commissioned, self._learned, self._usual))
        self.feed(KeeperSaid(self.now_ns, alive=True))
        self.link.begin()
        return self

    def dies(self, for_s: float) -> None:
        """The process is killed: its keeper closes at once, and the service comes back after ``for_s``."""
        self.core = None
        self._lets_go()
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
            self._lets_go()
        self.feed(KeeperSaid(self.now_ns, alive, "" if alive else "killed"))
        if alive:
            self.link.begin()

    def loses_journal(self) -> None:
        """The journal was lost and begun anew."""
        self.feed(JournalSaid(self.now_ns, self._well, replaced=True))

    def _lets_go(self) -> None:
        self.link.let_go()
        for watcher in self.watchers:
            watcher.died(self.now_ns)

    def freezes(self, for_s: float) -> None:
        """The loop stands still; the valve's lease, kept by another, runs on and out. Then it is told so."""
        if self.core is None:
            return
        until_ms = self.now_ms + round(1000 * for_s)
        while self.now_ms < until_ms:
            self._water_goes_on(min(TICK_MS, until_ms - self.now_ms))
        if for_s > self.limits.valve.lease_s / 2:
            self.feed(Late(self.now_ns, for_s))

    def lives(self, seconds: float) -> Played:
        """Let time pass."""
        until_ms = self.now_ms + round(1000 * seconds)
        while self.now_ms < until_ms:
            overdue = self.link.until_ms > self.now_ms and self.ears.overdue(self.now_ms)
            self._pass(min(TICK_MS if overdue else self._pace_ms, until_ms - self.now_ms))
        return self

    def _pass(self, dt_ms: int) -> None:
        self._water_goes_on(dt_ms)
        now_ms, plant = self.now_ms, self.plant
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
        for said in self.link.poll(self.now_ms):
            self.feed(said)
        self._journal()
        if not heard and (self.link.until_ms or now_ms % SHUT_PACE_MS < dt_ms or self.ears.overdue(now_ms)):
            self.feed(Ticked(self.now_ns))
        if now_ms - self._witness_ms >= 1000 * WITNESS_S and self.core is not None:
            self._row(None)

    def _water_goes_on(self, dt_ms: int) -> None:
        self.now_ms += dt_ms
        self.bay.valve.step(dt_ms / 1000)
        self.plant.step(dt_ms / 1000)
        if self.faults.standing:
            self.faults.step()
        for watcher in self.watchers:
            watcher.water(self.now_ns, self.bay)

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
                self.link.open(effect, self.now_ms)
            elif isinstance(effect, Close):
                self.link.close()
        for watcher in self.watchers:
            watcher.see(event, effects)
        for effect in effects:
            if isinstance(effect, Record):
                self._row(effect)
            elif isinstance(effect, CycleOver):
                self._learned = effect.learned
            elif isinstance(effect, UsualNow):
                self._usual = effect.usual

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
