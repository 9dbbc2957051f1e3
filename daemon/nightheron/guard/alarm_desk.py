"""All alarms of a site: what begins, ends, is seen or set aside, and what each change is.

Pure: every method is told the time and gives back the alarms that changed, as they stand now, for a row
each. Ids stay over restarts. On-delays and deadbands are the interlock's (``delayed`` and the clearing
limits); off-delays are here, so that a probe with a loose plug is one alarm for the whole night.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from nightheron.guard.alarm_list import SiteRaise, purpose
from nightheron.guard.alarm_states import ENDING, UNSEEN, AlarmState, Turn, after
from nightheron.model import NS, AlarmClass, Clear, JsonValue, Raise, Reason

SHELF_MOST_S = 14 * 86_400.0


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as it stands. Times called ``_ns`` are CLOCK_BOOTTIME of this boot."""

    id: str
    number: int
    chamber: str
    reason: str
    kind: str
    state: AlarmState
    since: str
    text: str
    over_ns: int | None = None
    """When its cause ended, while it did not return."""
    until_ns: int | None = None
    """When a shelf or a time out of service ends."""
    until: str = ""
    """The same for people, UTC."""
    by: str = ""
    """Who has seen it or set it aside."""
    why: str = ""

    @property
    def wakes(self) -> bool:
        return self.kind == AlarmClass.WAKE.value

    @property
    def key(self) -> tuple[str, str]:
        return self.chamber, self.reason

    def body(self) -> dict[str, JsonValue]:
        """As it stands in a row, on the broker and in ``status``."""
        return {
            "id": self.id,
            "chamber": self.chamber,
            "reason": self.reason,
            "class": self.kind,
            "priority": purpose(self.reason).priority.value,
            "state": self.state.value,
            "since": self.since,
            "over": self.over_ns is not None,
            "until": self.until or None,
            "by": self.by or None,
            "why": self.why or None,
            "text": self.text,
        }


class Desk:
    """The alarms that stand. ``number`` is the highest that was ever given out."""

    def __init__(self, number: int = 0) -> None:
        self._number = number
        self._alarms: dict[tuple[str, str], Alarm] = {}
        self._from_before: set[tuple[str, str]] = set()

    def carry(self, alarms: Iterable[Alarm]) -> None:
        """Take over alarms that stood when the service last ran."""
        for alarm in alarms:
            self._alarms[alarm.key] = alarm
            self._from_before.add(alarm.key)
            self._number = max(self._number, alarm.number)

    def standing(self) -> tuple[Alarm, ...]:
        """Oldest first."""
        return tuple(sorted(self._alarms.values(), key=lambda alarm: alarm.number))

    # -- what the chambers say --

    def raised(self, chamber: str, effect: Raise | SiteRaise, now_ns: int, utc: str) -> list[Alarm]:
        """An alarm begins, or a standing one has news; its id and ``since`` stay."""
        key = (chamber, effect.reason.value)
        before = self._alarms.get(key)
        self._from_before.discard(key)
        alarm = before or self._new(chamber, effect, utc)
        louder = effect.kind is AlarmClass.WAKE and not alarm.wakes
        news = alarm.over_ns is None and alarm.state is AlarmState.SHELVED
        kind = alarm.kind if alarm.wakes else effect.kind.value
        alarm = replace(alarm, kind=kind, text=effect.text, over_ns=None)
        if louder or news:
            turn = Turn.WORSE
        elif not alarm.wakes and self._explained(alarm):
            turn = Turn.HELD_BACK
        else:
            turn = Turn.RAISED
        changed = [self._put(alarm, turn)]
        return changed + self._hold_back(changed[0])

    def cleared(self, chamber: str, reason: str, now_ns: int) -> list[Alarm]:
        """Its cause is over."""
        key = (chamber, reason)
        self._from_before.discard(key)
        alarm = self._alarms.get(key)
        if alarm is None or alarm.over_ns is not None:
            return []
        alarm = self._alarms[key] = replace(alarm, over_ns=now_ns)
        turn = Turn.OVER_LATCHING if alarm.wakes else Turn.OVER
        at_once = purpose(reason).off_delay_s == 0.0 and not alarm.wakes
        changed = [] if at_once else [self._put(alarm, turn)]
        return changed + self._calm(now_ns) + self._free()

    def clear(self, chamber: str, effect: Clear, now_ns: int) -> list[Alarm]:
        """The chamber's own word for ``cleared``."""
        return self.cleared(chamber, effect.reason.value, now_ns)

    def settle(self, chamber: str, reasons: Iterable[Reason], now_ns: int) -> list[Alarm]:
        """End what was carried over and no longer stands; call once the chamber is past its start."""
        now = {reason.value for reason in reasons}
        changed: list[Alarm] = []
        for own, reason in sorted(self._from_before):
            if own == chamber and reason not in now:
                changed += self.cleared(own, reason, now_ns)
        return changed

    def ticked(self, now_ns: int) -> list[Alarm]:
        """Off-delays, shelves and times out of service that are over."""
        changed = self._calm(now_ns)
        for alarm in self.standing():
            if alarm.state in ENDING and (alarm.until_ns is None or now_ns >= alarm.until_ns):
                turn = Turn.ENDED if alarm.over_ns is None else Turn.ENDED_QUIET
                alarm = replace(alarm, until_ns=None, until="", by="", why="")
                changed.append(self._put(alarm, turn))
        return changed + self._free()

    # -- what people do --

    def find(self, name: str) -> Alarm | None:
        """By its id."""
        return next((alarm for alarm in self._alarms.values() if alarm.id == name), None)

    def ack(self, alarm: Alarm, who: str) -> list[Alarm]:
        """A person has seen it. Opens nothing and ends nothing whose cause stands."""
        if alarm.state not in UNSEEN:
            return []
        return self._turn(replace(alarm, by=who), Turn.ACKED)

    def shelve(
        self, alarm: Alarm, who: str, why: str, until: tuple[int, str], *, out: bool = False
    ) -> tuple[list[Alarm], str | None]:
        """Set it aside until a time (ns, UTC), or take it out of service; or why not."""
        if alarm.wakes:
            return [], f"{alarm.id} needs a hand now and cannot be set aside; ack says that you have seen it"
        if alarm.over_ns is not None and not out:
            return [], f"the cause of {alarm.id} is over; there is nothing to set aside"
        alarm = replace(alarm, until_ns=until[0], until=until[1], by=who, why=why)
        return self._turn(alarm, Turn.TAKEN_OUT if out else Turn.SHELVED), None

    # -- within --

    def _new(self, chamber: str, effect: Raise | SiteRaise, utc: str) -> Alarm:
        self._number += 1
        name = f"{chamber}-{effect.reason.value}-{self._number}"
        kind, normal = effect.kind.value, AlarmState.NORMAL
        return Alarm(name, self._number, chamber, effect.reason.value, kind, normal, utc, effect.text)

    def _explained(self, alarm: Alarm) -> bool:
        others = (self._alarms.get((alarm.chamber, r.value)) for r in purpose(alarm.reason).explained_by)
        return any(one is not None and one.over_ns is None for one in others)

    def _hold_back(self, cause: Alarm) -> list[Alarm]:
        held = [
            a for a in self.standing() if a.chamber == cause.chamber and not a.wakes and a.over_ns is None
        ]
        return [alarm for one in held if self._explained(one) for alarm in self._turn(one, Turn.HELD_BACK)]

    def _free(self) -> list[Alarm]:
        held = [one for one in self.standing() if one.state is AlarmState.SUPPRESSED and one.over_ns is None]
        return [self._put(one, Turn.FREED) for one in held if not self._explained(one)]

    def _calm(self, now_ns: int) -> list[Alarm]:
        changed: list[Alarm] = []
        for alarm in self.standing():
            waited_s = None if alarm.over_ns is None else (now_ns - alarm.over_ns) / NS
            if waited_s is not None and waited_s >= purpose(alarm.reason).off_delay_s:
                if alarm.state is AlarmState.UNACKNOWLEDGED:
                    alarm = replace(alarm, state=AlarmState.RETURNED)
                changed += self._turn(alarm, Turn.CALM)
        return changed

    def _turn(self, alarm: Alarm, turn: Turn) -> list[Alarm]:
        """The alarm after this turn, when it changes anything."""
        if after(alarm.state, turn) is alarm.state:
            return []
        return [self._put(alarm, turn)]

    def _put(self, alarm: Alarm, turn: Turn) -> Alarm:
        state = after(alarm.state, turn)
        if state is AlarmState.UNACKNOWLEDGED and (alarm.state is not state or turn is Turn.WORSE):
            alarm = replace(alarm, by="", why="", until_ns=None, until="")
        alarm = replace(alarm, state=state)
        if state is AlarmState.NORMAL:
            self._alarms.pop(alarm.key, None)
        else:
            self._alarms[alarm.key] = alarm
        return alarm


def number_of(name: str) -> int:
    """The running number at the end of an alarm's id; 0 when there is none."""
    tail = name.rsplit("-", 1)[-1]
    return int(tail) if tail.isascii() and tail.isdigit() else 0
