"""The valves of each chamber, in series, seen by the loop as one.

A chamber's link is up when every valve's is, its keeper is there when every valve's is, and of the
positions its devices report the one that contradicts the order counts.
"""

from __future__ import annotations

import secrets
import select
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from nightheron_drivers.protocols import Said

from nightheron.model import NS, FeedbackSaid, Gas, KeeperSaid, OtherOrder, ValveSaid
from nightheron.runtime.clock import ClockPort
from nightheron.runtime.keeper_client import Keepers
from nightheron.runtime.keeper_plans import plans_by_bus
from nightheron.runtime.ports import ValveEvent

if TYPE_CHECKING:
    from nightheron.settings.site import Site

TURN_S = 0.05


@dataclass(slots=True)
class Series:
    """What is known of one chamber's valves."""

    name: str
    ids: tuple[str, ...]
    ordered: Gas = Gas.CLOSED
    """The order to gas: open only while every valve is ordered open."""
    alone: int | None = None
    """The valve that is ordered open while the other stays shut."""
    was_alone: int | None = None
    """The valve that was last so, until gas is ordered open: its answer may still be on the way."""
    alive: dict[int, bool] = field(default_factory=dict)
    linked: dict[int, bool] = field(default_factory=dict)
    seen: dict[int, Gas | None] = field(default_factory=dict)
    shut: set[int] = field(default_factory=set)
    """Those that acknowledged CLOSE since gas was last ordered open."""

    def keeper(self, index: int, said: KeeperSaid) -> KeeperSaid:
        """One valve's keeper is there or gone."""
        self.alive[index] = said.alive
        self.linked[index], self.seen[index] = False, None
        return KeeperSaid(said.at_ns, all(self.alive.get(i, False) for i in range(len(self.ids))), said.why)

    def valve(self, index: int, said: Said, now_ns: int) -> ValveEvent | None:
        """One valve said something; None for what the core has no word for."""
        match said.what:
            case "link_up" | "link_down" | "acked":
                self.linked[index] = said.what != "link_down"
                if said.what == "link_down":
                    self.seen[index] = None
                acked = self._acked(index, said.gas) if said.what == "acked" else None
                up = all(self.linked.get(i, False) for i in range(len(self.ids)))
                return ValveSaid(now_ns, index, up, acked, said.text)
            case "feedback":
                self.seen[index] = said.gas
                return self._feedback(index, said, now_ns)
            case "foreign":
                return OtherOrder(now_ns, index, said.gas, said.text)
        return None

    def open(self, only: int | None = None) -> Sequence[str]:
        """Gas is ordered open, or one valve alone; the valves concerned."""
        if only is not None:
            self.alone = self.was_alone = only
            return (self.ids[only],)
        if self.ordered is not Gas.OPEN:
            self.shut.clear()
        self.ordered, self.alone, self.was_alone = Gas.OPEN, None, None
        return self.ids

    def close(self) -> None:
        """Gas is ordered shut, by every valve."""
        if self.alone is not None:
            self.shut.discard(self.alone)
        self.ordered, self.alone = Gas.CLOSED, None

    def _wanted(self, index: int) -> Gas:
        """The order that stands on one valve."""
        return Gas.OPEN if index == self.alone else self.ordered

    def _acked(self, index: int, gas: Gas | None) -> Gas | None:
        """What the valves together have taken: shut only when every one has, open when one has.

        That one took an order to open alone, however late, says nothing of gas: the other is shut.
        """
        if gas is Gas.OPEN and index == self.was_alone:
            return None
        if gas is not Gas.CLOSED:
            self.shut.discard(index)
            return gas
        self.shut.add(index)
        return Gas.CLOSED if len(self.shut) == len(self.ids) else None

    def _feedback(self, index: int, said: Said, now_ns: int) -> FeedbackSaid:
        for other, seen in self.seen.items():
            if other != index and seen is not None and seen is not self._wanted(other):
                return FeedbackSaid(now_ns, other, seen, seen.value)
        agrees = said.gas is not None and said.gas is self._wanted(index)
        return FeedbackSaid(now_ns, index, self.ordered if agrees else said.gas, said.text)


class ValvePort:
    """The loop's ``KeeperPort`` over the keepers. Make it in the main thread."""

    def __init__(self, site: Site, clock: ClockPort, resolve: Callable[[str], str | None]) -> None:
        plans = site.valves()
        broker = site.mqtt.broker if site.mqtt else None
        self._clock = clock
        self._series: dict[str, Series] = {}
        self._place: dict[str, tuple[Series, int]] = {}
        for chamber in dict.fromkeys(plan.chamber for plan in plans):
            ids = tuple(plan.id for plan in plans if plan.chamber == chamber)
            series = self._series[chamber] = Series(chamber, ids)
            self._place |= {id_: (series, index) for index, id_ in enumerate(ids)}
        own = secrets.token_hex(8)
        self.plans = plans_by_bus(plans, broker, site.name)
        """What the keepers were given, by bus."""
        self._keepers = Keepers(self.plans, resolve, own, clock)
        self._early: list[tuple[str, ValveEvent]] = []

    def shut_first(self, deadline_s: float) -> None:
        """Wait, but no longer than this, until each keeper has taken its valves, which closes them.

        What is said meanwhile is kept for ``poll``.
        """
        now_ns = self._clock.now_ns()
        until_ns = now_ns + round(deadline_s * NS)
        while not self._keepers.all_hold and now_ns < until_ns:
            select.select(self.filenos(), [], [], TURN_S)
            now_ns = self._clock.now_ns()
            self._early = self.poll(now_ns)

    def close(self, chamber: str) -> None:
        """Order every valve of the chamber shut."""
        series, now_ns = self._series[chamber], self._clock.now_ns()
        series.close()
        for id_ in series.ids:
            self._keepers.close(id_, now_ns)

    def open_until(self, chamber: str, until_ns: int, *, only: int | None = None) -> None:
        """Let every valve of the chamber, or ``only`` this one, be open until then."""
        series, now_ns = self._series[chamber], self._clock.now_ns()
        for id_ in series.open(only):
            self._keepers.open_until(id_, until_ns, now_ns)

    def poll(self, now_ns: int) -> list[tuple[str, ValveEvent]]:
        """What the keepers and valves said, chamber by chamber."""
        found, self._early = self._early, []
        for id_, said in self._keepers.poll(now_ns):
            series, index = self._place[id_]
            event = (
                series.keeper(index, said)
                if isinstance(said, KeeperSaid)
                else series.valve(index, said, now_ns)
            )
            if event is not None:
                found.append((series.name, event))
        return found

    def filenos(self) -> Sequence[int]:
        """What to wait on beside the inbox."""
        return self._keepers.filenos()

    def close_all(self) -> None:
        """Order every valve shut, now."""
        for chamber in self._series:
            self.close(chamber)

    def end(self, deadline_s: float) -> list[str]:
        """Close all and let the keepers go; the valves that did not acknowledge."""
        return self._keepers.end(deadline_s)
