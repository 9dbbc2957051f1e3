"""Alarms as the loop sees them: what chambers say and people do goes in, rows and news come out."""

from __future__ import annotations

from collections.abc import Iterable

from nightheron.guard.alarm_desk import Alarm, Desk
from nightheron.model import Clear, JsonValue, Raise, Reason
from nightheron.runtime.alarms import until
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.inbox import AlarmAct
from nightheron.runtime.ports import NewsPort
from nightheron.runtime.recorder import Recorder


class Telling:
    """One for a site. Never blocks; the rows it writes are the record of every alarm."""

    def __init__(
        self, clock: ClockPort, recorder: Recorder, news: NewsPort, desk: Desk | None = None
    ) -> None:
        self.desk = desk or Desk()
        self._clock, self._recorder, self._news = clock, recorder, news

    def begin(self, chambers: Iterable[str], now_ns: int) -> None:
        """Alarms of chambers that are no longer configured have lost their cause."""
        gone = {alarm.chamber for alarm in self.desk.standing()} - set(chambers)
        for chamber in sorted(gone):
            self._write(self.desk.settle(chamber, (), now_ns))

    def effect(self, chamber: str, effect: Raise | Clear, now_ns: int) -> None:
        """What a chamber's evaluation found."""
        if isinstance(effect, Raise):
            self._write(self.desk.raised(chamber, effect, now_ns, rfc3339(self._clock.utc())))
        else:
            self._write(self.desk.clear(chamber, effect, now_ns))

    def settle(self, chamber: str, reasons: Iterable[Reason], now_ns: int) -> None:
        """The chamber is past its start: what it does not say again is over."""
        self._write(self.desk.settle(chamber, reasons, now_ns))

    def ticked(self, now_ns: int) -> None:
        """Time goes on."""
        self._write(self.desk.ticked(now_ns))

    def act(self, item: AlarmAct) -> str | None:
        """A person has seen alarms, or sets one aside; None when done, else why not."""
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
        self._write(changed)
        return refused

    def _write(self, changed: Iterable[Alarm]) -> None:
        for alarm in changed:
            body = alarm.body()
            self._recorder.note("alarm", dict(body))
            self._news.alarm(alarm.chamber, body)


def _row(item: AlarmAct, changed: Iterable[Alarm], refused: str | None) -> dict[str, JsonValue]:
    names: list[JsonValue] = [alarm.id for alarm in changed]
    what = {"ack": "seen", "shelve": "shelved", "out_of_service": "taken out of service"}[item.act]
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
