"""The campaign's judge of the guard: for how long gas was ordered open that should not have been.

It knows the configuration, the events and the orders, and nothing of the guard's inside. Gas flows by command
from an order to open until its lease ends, an order to shut, or the death of whoever holds the valve. That
time is in hazard while, by the laws,

floor        the pH that decides is below the floor: the probe's; of two the lower; of three, two of them
stale        too few probes have been read within stale_s (one; of two or three, two), a tick allowed
settle       the opening began without a settle window: three readings or more, spanning it, all at resume
rest         the opening began before min_rest_s had passed since gas was last shut, or since the start
unwritten    the opening began otherwise than on the word that its row is on disk
lease        an order ran longer than the lease
opening      one opening lasts longer than longest_opening_s, a tick allowed
unanswered   open time that no reading answered exceeds trial_opening_s in a trial, else longest_opening_s
person       a person holds it (a bleed aside), or has not released what only a person releases: a strange
             order, too many starts, a lost journal, a latch on record
valve        there is no process or no link that holds the valve
journal      the journal was said not to be written
tank         the tank is below its limit and not back at its clearing one, or required and silent
signal       another signal is beyond its limit, has not been back for its hold, or is required and silent
disagree     two probes, and no third, stand further apart than spread_ph
late         the guard was told that it came late, and did not shut
budget       more open time than the day's budget within what was watched
not_started  nothing has started, or the service is stopping
"""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.guard.limits import ChamberLimits, ProbeLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Close,
    Committed,
    Effect,
    Event,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    Observed,
    OpenUntil,
    OtherOrder,
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
from nightheron.rig.plant import Bay
from nightheron.rig.watched import Answers, Day, Hazards, Heard, Others, ph_of

TICK_NS = NS
"""Ticks come so far apart here at most."""


@dataclass(slots=True)
class Watcher:
    """See every event of one chamber, over all its restarts; ``hazards`` is what came of it."""

    limits: ChamberLimits
    hazards: Hazards = field(default_factory=Hazards)
    opened_s: float = 0.0
    openings: int = 0
    probes: list[Heard] = field(default_factory=list)
    others: Others = field(default_factory=Others)
    now_ns: int = 0
    until_ns: int = 0
    """Gas flows by command until then; 0 while it is shut."""
    opened_ns: int = 0
    shut_ns: int = 0
    started: bool = False
    keeper: bool = False
    link: bool = False
    journal: bool = True
    service: bool = False
    bleed_until_ns: int = 0
    held: bool = False
    answers: Answers = field(default_factory=Answers)
    day: Day = field(default_factory=Day)
    tokens: set[int] = field(default_factory=set)
    """Rows that say open, written since gas was last shut."""
    bad_opening: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    """What stands against gas since the last event."""

    def __post_init__(self) -> None:
        self.probes = self.probes or [Heard() for _ in self.limits.probes]

    # -- what the player tells --

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation."""
        self._pass(event.at_ns)
        self._hear(event, effects)
        for effect in effects:
            match effect:
                case Close():
                    self._shut(self.now_ns)
                case OpenUntil(only=None):
                    self._open(event, effect)
                case Record():
                    self._row(effect)
                case _:
                    pass
        self.against = self._against(event) if self.until_ns else ()

    def water(self, now_ns: int, bay: Bay) -> None:
        """The water is nothing to the laws."""

    def died(self, now_ns: int) -> None:
        """Whoever held the valve is gone, and the valve was shut by that."""
        self._pass(now_ns)
        self._shut(now_ns)

    # -- time --

    def _pass(self, to_ns: int) -> None:
        """Time goes on; what stood against gas all the while is hazard."""
        from_ns, self.now_ns = self.now_ns, max(self.now_ns, to_ns)
        if not self.until_ns:
            return
        end_ns = min(self.now_ns, self.until_ns)
        if end_ns > from_ns:
            self._flowed(from_ns, end_ns)
        if self.now_ns > self.until_ns:
            self._shut(self.until_ns)

    def _flowed(self, from_ns: int, to_ns: int) -> None:
        dt_ns = to_ns - from_ns
        self.opened_s += dt_ns / NS
        self.day.opened(to_ns, dt_ns)
        self.answers.flowed(dt_ns)
        limits = self.limits
        began = dict.fromkeys(self.against + self.bad_opening, from_ns)
        began["stale"] = self._stale_from_ns() + TICK_NS
        began["opening"] = self.opened_ns + round(limits.longest_opening_s * NS) + TICK_NS
        began["unanswered"] = to_ns - self.answers.beyond_ns(limits) + TICK_NS
        found = {why: max(from_ns, at_ns) for why, at_ns in began.items() if at_ns < to_ns}
        if found:
            self.hazards.count(found, to_ns)

    def _stale_from_ns(self) -> int:
        """From when too few probes are fresh."""
        ends = sorted(
            (heard.at_ns + round(one.stale_s * NS) if heard.n else 0)
            for heard, one in zip(self.probes, self.limits.probes, strict=True)
        )
        return ends[-min(2, len(ends))]

    # -- orders --

    def _open(self, event: Event, order: OpenUntil) -> None:
        if not self.until_ns:
            self.openings += 1
            self.opened_ns = self.now_ns
            self.answers.ordered()
            self.bad_opening = self._ill_begun(event)
        self.until_ns = order.until_ns
        if order.until_ns - self.now_ns > self.limits.valve.lease_s * NS:
            self.bad_opening += ("lease",)

    def _ill_begun(self, event: Event) -> tuple[str, ...]:
        limits, needed = self.limits, min(2, len(self.probes))
        settled = sum(
            heard.settled(self.now_ns, limits.settle_s, one.stale_s)
            for heard, one in zip(self.probes, limits.probes, strict=True)
        )
        checks = {
            "settle": settled < needed,
            "rest": self.now_ns - self.shut_ns < limits.min_rest_s * NS,
            "unwritten": not isinstance(event, Committed) or event.token not in self.tokens,
            "signal": self.others.held(limits, self.now_ns),
        }
        return tuple(why for why, wrong in checks.items() if wrong)

    def _shut(self, at_ns: int) -> None:
        if self.until_ns:
            self.until_ns, self.shut_ns = 0, at_ns
            self.answers.ordered()
        self.bleed_until_ns, self.bad_opening, self.against = 0, (), ()
        self.tokens.clear()

    def _row(self, record: Record) -> None:
        row = record.decision
        if row.gas is Gas.OPEN:
            self.tokens.add(record.token)
        else:
            self.tokens.clear()
        # a valve that was seen to leak may be seen to have stopped
        if row.state is State.LATCHED and Reason.NOT_STOPPING not in row.reasons:
            self.held = True

    # -- events --

    def _against(self, event: Event) -> tuple[str, ...]:
        limits, now_ns = self.limits, self.now_ns
        fresh = [
            heard.ph
            for heard, one in zip(self.probes, limits.probes, strict=True)
            if heard.n and now_ns - heard.at_ns <= one.stale_s * NS
        ]
        low = sum(not ph >= limits.floor_ph for ph in fresh)
        apart = len(fresh) == 2 and abs(fresh[0] - fresh[1]) > limits.spread_ph
        budget_s = limits.gas_budget_s_per_day
        checks = (
            ("floor", low >= (2 if len(self.probes) == 3 else 1)),
            ("person", self.held or (self.service and not now_ns < self.bleed_until_ns)),
            ("valve", not (self.keeper and self.link)),
            ("journal", not self.journal),
            ("tank", self.others.tank_is_low(limits, now_ns)),
            ("signal", self.others.is_beyond(limits, now_ns)),
            ("disagree", apart and len(self.probes) == 2),
            ("late", isinstance(event, Late)),
            ("budget", budget_s is not None and self.day.opened_s > budget_s + 1.0),
            ("not_started", not self.started),
        )
        return tuple(why for why, stands in checks if stands)

    def _hear(self, event: Event, effects: tuple[Effect, ...]) -> None:
        match event:
            case Observed(signal=Signal.CHAMBER_PH):
                self._reading(event)
            case Observed():
                self.others.hear(event, self.limits)
            case Started():
                self.started, self.journal, self.keeper, self.link = True, True, False, False
                self.shut_ns, self.answers.trial = self.now_ns, True
                self.held |= event.journal_new or event.unclean_starts > self.limits.starts_per_hour
                for heard in self.probes:
                    heard.n = heard.run = 0
            case KeeperSaid():
                self.link = self.link and event.alive is self.keeper
                self.keeper = event.alive
            case ValveSaid():
                self.link = event.link
            case JournalSaid():
                self.journal = event.well
                self.held |= event.replaced
            case OtherOrder():
                self.held |= event.order is Gas.OPEN and not self.until_ns
            case Stopping():
                self.started = False
            case Acted():
                self._act(event, refused=any(isinstance(one, Refused) for one in effects))
            case _:
                pass

    def _act(self, event: Acted, *, refused: bool) -> None:
        match event.act:
            case Act.SERVICE_ON | Act.CLOSE | Act.HOLD:
                self.service, self.bleed_until_ns = True, 0
            case Act.SERVICE_OFF:
                self.service = False
                self.answers.hands()
            case Act.CHANGED if not refused:
                self.service |= event.work is Work.LAY_UP
                self.answers.hands()
            case Act.RELEASE if not refused:
                self.held = False
                self.answers.hands()
            case Act.BLEED if not refused and event.for_s is not None:
                self.bleed_until_ns = self.now_ns + round(event.for_s * NS)
            case _:
                pass

    def _reading(self, event: Observed) -> None:
        one: ProbeLimits = self.limits.probes[event.probe]
        ph = ph_of(event, one.conversion)
        if ph is None:
            return
        heard = self.probes[event.probe]
        heard.take(self.now_ns, ph, self.limits.resume_ph, one.stale_s)
        fresh = sorted(
            h.ph
            for h, p in zip(self.probes, self.limits.probes, strict=True)
            if h.n and self.now_ns - h.at_ns <= p.stale_s * NS
        )
        self.answers.level(fresh[1] if len(fresh) == 3 else fresh[0], opened=bool(self.until_ns))
