"""Alarms as the loop sees them: what chambers say and people do goes in, rows and news come out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from nightheron.guard.alarm_desk import Alarm, Desk
from nightheron.guard.alarm_list import SITE, SiteRaise, SiteReason
from nightheron.model import AlarmClass, Clear, Decision, JsonValue, Raise, Reason
from nightheron.notify.push import Kind
from nightheron.runtime.alarms import until
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.heartbeat import LABEL, Heartbeat
from nightheron.runtime.inbox import AlarmAct, CourierDone, DigestDue, DigestReady, Inbox
from nightheron.runtime.ports import NewsPort
from nightheron.runtime.pushing import Pushing
from nightheron.runtime.recorder import Recorder


class Telling:
    """One for a site. Never blocks; the rows it writes are the record of every alarm."""

    def __init__(
        self,
        clock: ClockPort,
        recorder: Recorder,
        news: NewsPort,
        desk: Desk | None = None,
        pushing: Pushing | None = None,
        heartbeat: Heartbeat | None = None,
    ) -> None:
        self._heartbeat = heartbeat
        self._digest_late = False
        self.desk, self.pushing = desk or Desk(), pushing
        if pushing is not None:
            pushing.connect(recorder)
        self._clock, self._recorder, self._news = clock, recorder, news

    def begin(self, chambers: Iterable[str], now_ns: int) -> None:
        """Alarms of chambers that are no longer configured have lost their cause."""
        gone = {alarm.chamber for alarm in self.desk.standing()} - set(chambers)
        for chamber in sorted(gone):
            self._write(self.desk.settle(chamber, (), now_ns), now_ns)

    def effect(self, chamber: str, effect: Raise | Clear, now_ns: int) -> None:
        """What a chamber's evaluation found."""
        if isinstance(effect, Raise):
            self._write(self.desk.raised(chamber, effect, now_ns, rfc3339(self._clock.utc())), now_ns)
        else:
            self._write(self.desk.clear(chamber, effect, now_ns), now_ns)

    def settle(self, chamber: str, reasons: Iterable[Reason], now_ns: int) -> None:
        """The chamber is past its start: what it does not say again is over."""
        self._write(self.desk.settle(chamber, reasons, now_ns), now_ns)

    def ticked(self, now_ns: int, decisions: Iterable[Decision], *, journal_well: bool) -> None:
        """Time goes on."""
        if self._heartbeat is not None:
            self._heartbeat.step(now_ns, decisions, journal_well=journal_well)
        self._write(self.desk.ticked(now_ns), now_ns)
        if self.pushing is not None:
            self.pushing.step(now_ns, journal_well=journal_well)
            self._watch_digest(self.pushing.outbox.digest_late(now_ns), now_ns)

    def _watch_digest(self, late: tuple[str, ...], now_ns: int) -> None:
        """The digest is the drill of the way to people: one that is not taken is an alarm itself."""
        if bool(late) is self._digest_late:
            return
        self._digest_late = bool(late)
        if late:
            text = f"{SITE}: the morning's digest was not taken for an hour by {', '.join(late)}"
            effect = SiteRaise(SiteReason.DIGEST_NOT_TAKEN, AlarmClass.NOTICE, text)
            self._write(self.desk.raised(SITE, effect, now_ns, rfc3339(self._clock.utc())), now_ns)
        else:
            self._write(self.desk.cleared(SITE, SiteReason.DIGEST_NOT_TAKEN.value, now_ns), now_ns)

    def told(self) -> Mapping[str, tuple[str, ...]]:
        """The channels that took a push, by alarm id."""
        return {} if self.pushing is None else self.pushing.outbox.accepted()

    def courier_done(self, item: CourierDone, now_ns: int) -> None:
        """A batch was accepted, or was not."""
        if item.label == LABEL and self._heartbeat is not None:
            self._heartbeat.done()
        elif self.pushing is not None:
            self.pushing.courier_done(item.label, item.why_not, now_ns)

    def digest_due(self, item: DigestDue, inbox: Inbox) -> None:
        """It is the time of day for the digest."""
        if self.pushing is not None:
            self.pushing.digest_due(item.day, lambda answer: inbox.post(DigestReady(item.day, answer)))

    def digest_ready(self, item: DigestReady, now_ns: int) -> None:
        """It is composed."""
        if self.pushing is not None:
            self.pushing.digest_ready(item.day, item.answer, now_ns)

    def journal_anew(self) -> None:
        """The journal was lost, and its outbox with it."""
        if self.pushing is not None:
            self.pushing.journal_anew()

    def act(self, item: AlarmAct, now_ns: int) -> str | None:
        """A person has seen alarms, or sets one aside, or asks for a drill; None when done, else why not."""
        if item.act == "drill":
            return self._drill(item, now_ns)
        standing = self.desk.standing()
        wanted = standing if item.names is None else [a for a in standing if a.id in item.names]
        missing = sorted(set(item.names or ()) - {alarm.id for alarm in wanted})
        changed: list[Alarm] = []
        refused = f"there is no alarm {missing[0]}; nightheron alarms lists them" if missing else None
        for alarm in wanted if refused is None else ():
            if item.act == "ack":
                changed += self.desk.ack(alarm, item.who)
                continue
            end = until(self._clock, item.for_s or 0.0)
            more, refused = self.desk.shelve(alarm, item.who, item.why, end, out=item.act == "out_of_service")
            changed += more
        self._recorder.note("act", _row(item, changed, refused))
        self._write(changed, now_ns)
        return refused

    def _drill(self, item: AlarmAct, now_ns: int) -> str | None:
        if self.pushing is None:
            return "there is no push address; give [alerts] urls_file"
        name = f"drill-{rfc3339(self._clock.utc())}"
        self._recorder.note(
            "act", _row(item, (), None) | {"push": name, "text": f"drill asked for by {item.who}"}
        )
        self.pushing.tell(Kind.DRILL, name, {"by": item.who}, now_ns)
        return None

    def _write(self, changed: Iterable[Alarm], now_ns: int) -> None:
        for alarm in changed:
            body = alarm.body()
            self._news.alarm(alarm.chamber, dict(body))
            if self.pushing is not None:
                self.pushing.alarm(alarm, body, now_ns)
            else:
                self._recorder.note("alarm", body)


def _row(item: AlarmAct, changed: Iterable[Alarm], refused: str | None) -> dict[str, JsonValue]:
    names: list[JsonValue] = [alarm.id for alarm in changed]
    what = {"ack": "seen", "drill": "drill", "shelve": "shelved", "out_of_service": "taken out of service"}[
        item.act
    ]
    which = ", ".join(str(name) for name in names) or "nothing"
    text = f"{what} by {item.who}: {which}" if refused is None else f"refused to {item.who}: {refused}"
    return {
        "act": item.act,
        "who": item.who,
        "why": item.why,
        "for_s": item.for_s,
        "alarms": names,
        "refused": refused,
        "text": text,
    }
