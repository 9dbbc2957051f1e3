"""The guard's one thread: take what came in, let every chamber evaluate it, carry out what they say.

Orders go first: a close leaves at the very evaluation that found it; openings follow when every chamber
has been heard, unless a later event of the same step closed again; rows, alarms and news come last.
Nothing here waits for anything. The same object runs on a virtual clock, without threads.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest

from nightheron_drivers.protocols import Heard

from nightheron.guard.alarm_desk import Desk
from nightheron.guard.chamber import Chamber
from nightheron.guard.intake import may_close
from nightheron.guard.limits import ChamberLimits
from nightheron.journal.pack import pack
from nightheron.model import (
    NS,
    Act,
    Clear,
    Close,
    Committed,
    CycleOver,
    Effect,
    Event,
    JournalSaid,
    Late,
    Observed,
    OpenUntil,
    Publish,
    Raise,
    Reason,
    Record,
    Refused,
    Started,
    Stopping,
    Ticked,
    UsualNow,
)
from nightheron.runtime.clock import MS_NS, ClockPort
from nightheron.runtime.heartbeat import Heartbeat
from nightheron.runtime.hours import HourHand
from nightheron.runtime.inbox import (
    ActFor,
    AlarmAct,
    CourierDone,
    DigestDue,
    DigestReady,
    Inbox,
    Item,
    JournalNews,
    Note,
    Reply,
    RowsCommitted,
    SnapshotDue,
)
from nightheron.runtime.ports import JournalPort, KeeperPort, NewsPort, NoNews, ProbeRoute
from nightheron.runtime.pushing import Pushing
from nightheron.runtime.recorder import Recorder, act_text
from nightheron.runtime.telling import Telling
from nightheron.runtime.view import Beginning, View

__all__ = ["NOT_RECORDABLE_S", "TICK_S", "Beginning", "Loop", "View"]

TICK_S = 0.25
NOT_RECORDABLE_S = 15.0
BACKLOG_S = 1.0
"""A message that comes to the loop later than this behind others cannot say how old it is."""


class Loop:
    """All chambers of a site. Call ``begin`` once, then ``step`` at least every TICK_S, then ``end``."""

    def __init__(
        self,
        limits: Sequence[ChamberLimits],
        clock: ClockPort,
        keepers: KeeperPort,
        journal: JournalPort,
        routes: Mapping[str, ProbeRoute],
        *,
        news: NewsPort | None = None,
        desk: Desk | None = None,
        pushing: Pushing | None = None,
        heartbeat: Heartbeat | None = None,
        inbox: Inbox | None = None,
    ) -> None:
        self.inbox = inbox or Inbox()
        self.chambers = [Chamber(one) for one in limits]
        self._clock, self._keepers, self._routes = clock, keepers, routes
        self._news = news or NoNews()
        self._places = {one.name: place for place, one in enumerate(limits)}
        self.recorder = Recorder(self.chambers, clock, journal, self._news, pack)
        self.telling = Telling(clock, self.recorder, self._news, desk, pushing, heartbeat)
        self._hours = HourHand(clock)
        self._late_ns = round(min(one.valve.lease_s for one in limits) * NS / 2)
        self._opens: dict[int, OpenUntil] = {}
        self._later: list[tuple[int, Effect]] = []
        self._answers: list[tuple[Reply, str | None]] = []
        self._fed_ns = self._tick_ns = self._step_ns = 0
        self._writer_well = self._well = True
        self._starting = set(range(len(self.chambers)))
        self.late = 0
        """Steps that came too late since the start."""
        self.on_time = True
        """The last step came and ended in time; the watchdog is fed for nothing else."""
        self.view = self._look(0)

    def begin(self, beginning: Beginning) -> None:
        """Snapshot each fresh chamber, and tell it that it starts and what it had left."""
        now_ns = self._fed_ns = self._step_ns = self._clock.now_ns()
        self.recorder.begin(now_ns, beginning.since)
        before = zip_longest(beginning.left, beginning.learned, beginning.usual)
        for place, (left, learned, usual) in enumerate(before):
            self.recorder.snapshot(place, "start")
            self._feed(
                place,
                Started(
                    now_ns,
                    left,
                    beginning.unclean_starts,
                    beginning.journal_new,
                    beginning.commissioned,
                    learned,
                    usual,
                ),
            )
        self._tick_ns = now_ns
        self.telling.begin(self._places, now_ns)
        self._carry_out(now_ns)

    def step(self) -> None:
        """Everything that is due now."""
        heard, others = self.inbox.take()
        now_ns = max(self._clock.now_ns(), self._fed_ns)
        gap_ns, self._step_ns = now_ns - self._step_ns, now_ns
        self.on_time = gap_ns <= self._late_ns
        if not self.on_time:
            # Before what came in meanwhile, or the silence that was our own would be the first reason.
            self.late, self._fed_ns = self.late + 1, now_ns
            self._feed_all(Late(now_ns, gap_ns / NS))
        for message in heard:
            self._hear(message, now_ns)
        self._fed_ns = now_ns
        for name, said in self._keepers.poll(now_ns):
            self._feed(self._places[name], replace(said, at_ns=now_ns))
        self._take(others, now_ns)
        self._watch_journal(now_ns)
        if now_ns >= self._tick_ns:
            self._tick_ns += round(TICK_S * NS) * ((now_ns - self._tick_ns) // round(TICK_S * NS) + 1)
            self._feed_all(self._hours.due(now_ns) or Ticked(now_ns))
            self.recorder.witness_due(now_ns)
        self._carry_out(now_ns)
        self.on_time = self.on_time and self._clock.now_ns() - now_ns <= self._late_ns

    def wait_s(self) -> float:
        """How long the loop may sleep before the next tick is due."""
        return max(0.0, (self._tick_ns - self._clock.now_ns()) / NS)

    def end(self) -> None:
        """The service stops in good order: every chamber closes, and every count gets its row."""
        now_ns = max(self._clock.now_ns(), self._fed_ns)
        self._feed_all(Stopping(now_ns))
        self.recorder.last()
        self._carry_out(now_ns)

    # -- events --

    def _feed(self, place: int, event: Event) -> tuple[Effect, ...]:
        effects = self.chambers[place].feed(event)
        self.recorder.fed(place, event)
        for effect in effects:
            if isinstance(effect, Close):
                self._opens.pop(place, None)
                self._keepers.close(self.chambers[place].limits.name)
            elif isinstance(effect, OpenUntil):
                self._opens[place] = effect
            elif isinstance(effect, Record):
                # Cut now, so that the row holds this event and none that follows it in this step.
                self.recorder.decided(place, effect)
            else:
                self._later.append((place, effect))
        return effects

    def _feed_all(self, event: Event) -> None:
        for place in range(len(self.chambers)):
            self._feed(place, event)

    def _hear(self, message: Heard, now_ns: int) -> None:
        route = self._routes.get(message.probe)
        if route is None:
            return
        stamped_ns = min(message.at_ns - message.at_ns % MS_NS, now_ns)
        behind_s = (self._fed_ns - stamped_ns) / NS
        at_ns = self._fed_ns = max(stamped_ns, self._fed_ns)
        seen = Observed(at_ns, route.signal, route.number, message.value, message.raw, message.refused)
        for place in route.places:
            late = behind_s > BACKLOG_S and seen.refused is None
            # A late message may still close; it only may not permit.
            keep = not late or may_close(seen, self.chambers[place].limits)
            self._feed(place, seen if keep else replace(seen, refused="backlog"))

    def _take(self, others: Iterable[Item], now_ns: int) -> None:
        for item in others:
            match item:
                case RowsCommitted():
                    for place, token in self.recorder.committed(item.tokens):
                        self._feed(place, Committed(now_ns, token))
                case JournalNews():
                    self._writer_well = item.well
                    if item.replaced:
                        self._feed_all(JournalSaid(now_ns, self._well, replaced=True))
                        for place in range(len(self.chambers)):
                            self.recorder.snapshot(place, "a new journal")
                        self.telling.journal_anew()
                case ActFor():
                    self._act(item, now_ns)
                case AlarmAct():
                    self._answers.append((item.reply, self.telling.act(item, now_ns)))
                case CourierDone():
                    self.telling.courier_done(item, now_ns)
                case DigestDue():
                    self.telling.digest_due(item, self.inbox)
                case DigestReady():
                    self.telling.digest_ready(item, now_ns)
                case SnapshotDue():
                    for place in range(len(self.chambers)):
                        self.recorder.snapshot(place, item.why)
                case Note():
                    self.recorder.note(item.kind, item.body, urgent=False)
                case Heard():
                    self._hear(item, now_ns)

    def _act(self, item: ActFor, now_ns: int) -> None:
        place, act = self._places.get(item.chamber), replace(item.act, at_ns=now_ns)
        if place is None:
            item.reply.give(f'there is no chamber "{item.chamber}"')
            return
        before = set(self.chambers[place].decision.reasons)
        if act.act is Act.HOLD and before & {Reason.SERVICE, Reason.CORE_FAULT}:
            item.reply.give(None)  # it holds already: a button that says so again and again is no news
            return
        effects = self._feed(place, act)
        refused = next((effect.why for effect in effects if isinstance(effect, Refused)), None)
        gone = before - set(self.chambers[place].decision.reasons)
        self.recorder.note(
            "act",
            {
                "chamber": item.chamber,
                "act": act.act.value,
                "who": act.who,
                "why": act.why,
                "for_s": act.for_s,
                "work": act.work.value if act.work else None,
                "refused": refused,
                "released": [r.value for r in sorted(gone)] if act.act is Act.RELEASE else [],
                "text": act_text(act, refused),
            },
        )
        # Answered when the view shows what came of it.
        self._answers.append((item.reply, refused))

    def _watch_journal(self, now_ns: int) -> None:
        stalled = self.recorder.oldest_wait_s(now_ns) > NOT_RECORDABLE_S
        well = self._writer_well and not stalled and not self.recorder.refused
        if well is not self._well:
            self._well = well
            self._feed_all(JournalSaid(now_ns, well))

    # -- effects --

    def _carry_out(self, now_ns: int) -> None:
        for place, order in self._opens.items():
            self._keepers.open_until(self.chambers[place].limits.name, order.until_ns, only=order.only)
        self._opens.clear()
        later, self._later = self._later, []
        published: set[int] = set()
        for place, effect in later:
            name = self.chambers[place].limits.name
            if isinstance(effect, Raise | Clear):
                self.telling.effect(name, effect, now_ns)
            elif isinstance(effect, Publish):
                published.add(place)
            elif isinstance(effect, CycleOver | UsualNow):
                self.recorder.learned(place, effect)
        for place in published:
            self._news.report(self.chambers[place].decision, place)
        self._settle_alarms(now_ns)
        self.recorder.flush(now_ns)
        self.view = self._look(now_ns)
        answers, self._answers = self._answers, []
        for reply, refused in answers:
            reply.give(refused)

    def _settle_alarms(self, now_ns: int) -> None:
        for place in tuple(self._starting):
            reasons = self.chambers[place].decision.reasons
            if Reason.STARTING not in reasons:
                self._starting.discard(place)
                self.telling.settle(self.chambers[place].limits.name, reasons, now_ns)
        decisions = [chamber.decision for chamber in self.chambers]
        self.telling.ticked(now_ns, decisions, journal_well=self._well and self.on_time)

    def _look(self, now_ns: int) -> View:
        return View(
            now_ns,
            tuple(chamber.decision for chamber in self.chambers),
            tuple(self.recorder.since),
            self.telling.desk.standing(),
            self.telling.told(),
        )
