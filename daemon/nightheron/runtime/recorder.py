"""Rows, run-length: one for each new decision, one witness a minute, nothing unaccounted for.

Every evaluation belongs to exactly one row: the sum of ``evaluations`` over decision and witness
rows is the number of events fed. A row carries, packed, the events fed since the chamber's row before
it, so that a replay meets the same events in the same order. When the journal stalls, counting goes on
but events are kept only up to a cap; the row that ends such a span says ``truncated`` and a snapshot
follows it, from which a replay can go on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from nightheron.guard.chamber import Chamber
from nightheron.guard.explain import in_words, is_stopping
from nightheron.guard.snapshot import to_json
from nightheron.journal.draft import Queue
from nightheron.model import NS, Acted, CycleOver, Decision, Event, Gas, JsonValue, Reason, Record, UsualNow
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.ports import JournalPort, NewsPort

WITNESS_NS = 60 * NS
SNAPSHOT_NS = 2 * 3600 * NS
"""A replay sets out from a snapshot: with one at midnight alone it fed a whole day to show an evening."""
EVENTS_MOST = 20_000
EVENTS_LEAST = 1_000
EVENTS_ALL = 2_000_000
"""The most events kept for all chambers together while the journal stalls."""
WAITING_MOST = 4
"""A chamber with this many rows uncommitted writes no further witness until some are on disk."""
Done = Callable[[bool], None]
"""Told once whether the row is on disk, or was lost."""
Pack = Callable[[Sequence[Event]], bytes]


@dataclass(slots=True)
class _Span:
    """What one chamber did since its last row."""

    events: list[Event] = field(default_factory=list)
    evaluations: int = 0
    ph_min: float | None = None
    ph_max: float | None = None
    truncated: bool = False


@dataclass(slots=True)
class _Due:
    """A row cut but not yet handed over."""

    place: int | None
    kind: str
    body: dict[str, JsonValue]
    events: list[Event] | None
    core_token: int | None
    urgent: bool
    queue: Queue = ()
    done: Done | None = None


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A row handed over and not yet known to be on disk."""

    place: int | None
    core_token: int | None
    put_ns: int
    done: Done | None


class Recorder:
    """Counts what each chamber does and hands rows to the journal; never blocks."""

    def __init__(
        self, chambers: Sequence[Chamber], clock: ClockPort, journal: JournalPort, news: NewsPort, pack: Pack
    ) -> None:
        self._chambers, self._clock, self._journal, self._news, self._pack = (
            chambers,
            clock,
            journal,
            news,
            pack,
        )
        self._spans = [_Span() for _ in chambers]
        self._gas: list[Gas | None] = [None for _ in chambers]
        self.since: list[str] = ["" for _ in chambers]
        """UTC of each chamber's present gas state."""
        self._witness_ns = [0 for _ in chambers]
        self._snapshot_ns = [0 for _ in chambers]
        self._uncommitted = [0 for _ in chambers]
        self._due: list[_Due] = []
        self._waiting: dict[int, _Waiting] = {}
        self._token = 0
        self._most = max(EVENTS_LEAST, min(EVENTS_MOST, EVENTS_ALL // max(1, len(chambers))))
        self.refused = False
        """The journal would not take the latest row, or lost one that it had taken."""

    def begin(self, now_ns: int, since: Sequence[str | None]) -> None:
        """Set out: ``since`` of closings that go on from before, and minutes spread evenly."""
        count = max(1, len(self._chambers))
        for place, from_before in enumerate(since):
            self._witness_ns[place] = now_ns + WITNESS_NS * (place + 1) // count
            self._snapshot_ns[place] = now_ns + SNAPSHOT_NS * (place + 1) // count
            if from_before is not None:
                self._gas[place], self.since[place] = Gas.CLOSED, from_before

    def fed(self, place: int, event: Event) -> None:
        """The chamber evaluated this event; call before ``decided``."""
        span, decision = self._spans[place], self._chambers[place].decision
        span.evaluations += 1
        if decision.ph is not None:
            span.ph_min = decision.ph if span.ph_min is None else min(span.ph_min, decision.ph)
            span.ph_max = decision.ph if span.ph_max is None else max(span.ph_max, decision.ph)
        if decision.gas is not self._gas[place]:
            self._gas[place], self.since[place] = decision.gas, rfc3339(self._clock.utc())
        if span.truncated:
            return
        span.events.append(event)
        if len(span.events) > self._most:
            span.truncated, span.events = True, []

    def decided(self, place: int, record: Record) -> None:
        """Cut the row of this decision now; it is handed over by ``flush``."""
        self._cut(place, "decision", record.decision, record.token)

    def witness_due(self, now_ns: int) -> None:
        """Cut the minute's row of each chamber whose minute is over, and now and then its whole state."""
        for place, due_ns in enumerate(self._witness_ns):
            if now_ns >= due_ns and self._uncommitted[place] < WAITING_MOST:
                self.witness(place)
                self._witness_ns[place] = max(due_ns + WITNESS_NS, now_ns + WITNESS_NS // 2)
                if now_ns >= self._snapshot_ns[place]:
                    self._snapshot(place, "on the way")
                    self._snapshot_ns[place] = now_ns + SNAPSHOT_NS

    def witness(self, place: int) -> None:
        """Cut a row that says what went on since the last, though nothing changed."""
        self._cut(place, "witness", self._chambers[place].decision, None)

    def last(self) -> None:
        """Cut what no row accounts for yet, of every chamber."""
        for place, span in enumerate(self._spans):
            if span.evaluations:
                self.witness(place)

    def snapshot(self, place: int, why: str) -> None:
        """Write the whole state of one chamber, at a row boundary."""
        if self._spans[place].evaluations:
            self.witness(place)
        self._snapshot(place, why)

    def note(
        self,
        kind: str,
        body: dict[str, JsonValue],
        *,
        urgent: bool = True,
        queue: Queue = (),
        done: Done | None = None,
    ) -> None:
        """Any other row; ``queue`` changes the outbox in its transaction."""
        self._due.append(_Due(None, kind, body, None, None, urgent, queue, done))

    def learned(self, place: int, news: CycleOver | UsualNow) -> None:
        """What a cycle was like, or what is usual by the hour; for people and for the next start."""
        body: dict[str, JsonValue] = {"chamber": self._chambers[place].limits.name}
        if isinstance(news, UsualNow):
            self.note("usual", body | {"usual": to_json(news.usual), "text": news.text}, urgent=False)
            return
        body |= {"cycle": to_json(news.cycle), "learned": to_json(news.learned), "text": cycle_text(news)}
        self.note("cycle", body, urgent=False)

    def flush(self, now_ns: int) -> None:
        """Hand over every row that was cut, in order."""
        due, self._due = self._due, []
        if not due:
            return
        with self._journal.together():
            for row in due:
                self._hand_over(row, now_ns)

    def committed(self, tokens: Sequence[int]) -> list[tuple[int, int]]:
        """These rows are on disk; the (place, core token) pairs among them.

        Rows are written in order, so one that these passed over was lost.
        """
        pairs: list[tuple[int, int]] = []
        on_disk, newest = set(tokens), max(tokens, default=0)
        while self._waiting and (token := next(iter(self._waiting))) <= newest:
            row = self._waiting.pop(token)
            self.refused = self.refused or token not in on_disk
            if row.done is not None:
                row.done(token in on_disk)
            if row.place is None:
                continue
            self._uncommitted[row.place] -= 1
            if row.core_token is not None and token in on_disk:
                pairs.append((row.place, row.core_token))
        return pairs

    def oldest_wait_s(self, now_ns: int) -> float:
        """How long the oldest uncommitted row has waited; 0 when there is none."""
        for row in self._waiting.values():
            return (now_ns - row.put_ns) / NS
        return 0.0

    def _cut(self, place: int, kind: str, decision: Decision, core_token: int | None) -> None:
        span, self._spans[place] = self._spans[place], _Span()
        chamber = self._chambers[place]
        body = to_json(decision)
        if not isinstance(body, dict):
            raise TypeError("a decision is an object")
        body |= {
            "chamber": chamber.limits.name,
            "since": self.since[place],
            "evaluations": span.evaluations,
            "ph_min": span.ph_min,
            "ph_max": span.ph_max,
            "left": to_json(chamber.left()),
            "text": text_of(decision),
        }
        if span.truncated:
            body["truncated"] = True
        events = None if span.truncated else span.events
        self._due.append(_Due(place, kind, body, events, core_token, urgent=kind == "decision"))
        if span.truncated:
            self._snapshot(place, "inputs were truncated")

    def _snapshot(self, place: int, why: str) -> None:
        chamber = self._chambers[place]
        body: dict[str, JsonValue] = {
            "chamber": chamber.limits.name,
            "why": why,
            "limits": to_json(chamber.limits),
            "snapshot": chamber.snapshot(),
        }
        self._due.append(_Due(place, "snapshot", body, None, None, urgent=False))

    def _hand_over(self, row: _Due, now_ns: int) -> None:
        self._token += 1
        if (
            row.place is not None
            and self._spans[row.place].truncated
            and (row.events or "snapshot" in row.body)
        ):
            # A row before this one was refused: what follows it cannot be replayed without it.
            row.events, row.body["truncated"] = None, True
        inputs = self._pack(row.events) if row.events else None
        taken = self._journal.put(row.kind, row.body, inputs, self._token, urgent=row.urgent, queue=row.queue)
        self.refused = not taken
        if taken:
            self._waiting[self._token] = _Waiting(row.place, row.core_token, now_ns, row.done)
            if row.place is not None:
                self._uncommitted[row.place] += 1
        elif row.place is not None:
            self._give_back(row.place, row)
        elif row.done is not None:
            row.done(False)
        if row.kind == "decision":
            self._news.row(str(row.body["chamber"]), row.body)

    def _give_back(self, place: int, row: _Due) -> None:
        """A lost row's evaluations count toward the next one; its events are gone."""
        span, lost = self._spans[place], row.body.get("evaluations", 0)
        span.evaluations += lost if isinstance(lost, int) else 0
        span.truncated, span.events = True, []
        for low, name in ((True, "ph_min"), (False, "ph_max")):
            seen, kept = row.body.get(name), getattr(span, name)
            if isinstance(seen, float):
                value = seen if kept is None else (min(seen, kept) if low else max(seen, kept))
                setattr(span, name, value)


def text_of(decision: Decision) -> str:
    """The decision in one sentence, and what was found beside it."""
    return "; ".join((_order_text(decision), *decision.notes))


def _order_text(decision: Decision) -> str:
    shown = "no reading" if decision.ph is None else f"pH {decision.ph:.2f}"
    if decision.gas is Gas.OPEN:
        return f"gas open, {shown}"
    order = "gas closed" if decision.delivered else "gas ordered shut"
    reason = decision.reasons[0] if decision.reasons else decision.reason
    if is_stopping(decision):
        reason = Reason.STARTING
    return f"{order}, {shown}" if reason is None else f"{order}: {in_words(reason, decision)}"


def cycle_text(over: CycleOver) -> str:
    """A cycle in one sentence."""
    cycle, count = over.cycle, over.learned.cycles
    if cycle is None:
        return "hands were at work: what was learned before counts no longer"
    verdict = cycle.verdict.value.replace("_", " ") if cycle.verdict else "no verdict"
    taught = f"teaches nothing: {cycle.doubtful}" if cycle.doubtful else f"{count} learned from"
    return f"gas open {cycle.opened_s:.0f} s, then shut {cycle.closed_s:.0f} s, {verdict}; {taught}"


def act_text(act: Acted, refused: str | None) -> str:
    """What a person did, or was refused, in one sentence."""
    what = act.act.value.replace("_", " ") + (f" {act.work.value}" if act.work else "")
    said = f"{what} by {act.who}" + (f": {act.why}" if act.why else "")
    return said if refused is None else f"refused: {said}"
