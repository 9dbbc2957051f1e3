"""The valves of a simulated site as the loop knows valves: no keeper process, no bus, no waiting."""

from __future__ import annotations

from collections.abc import Sequence

from nightheron.model import NS, Gas, KeeperSaid, OtherOrder, ValveSaid
from nightheron.rig.plant import Plant
from nightheron.runtime.ports import ValveEvent


class VirtualKeeper:
    """Every order is answered at the next step, or, where the valve is silent, the link is lost.

    A lost valve is asked to close at each step until it answers, as a keeper does at each new link.
    """

    def __init__(self, plant: Plant, now_ns: int) -> None:
        self._valves = {name: bay.valve for name, bay in plant.bays.items()}
        self._now_ns = now_ns
        self._acked: dict[str, Gas] = {}
        self._lost: set[str] = set()
        self._said: list[tuple[str, ValveEvent]] = [
            (name, KeeperSaid(0, alive=True)) for name in self._valves
        ]
        for name in self._valves:
            self.close(name)

    def close(self, chamber: str) -> None:
        if chamber not in self._lost:
            self._heard(chamber, Gas.CLOSED, self._valves[chamber].order("CLOSE"))

    def open_until(self, chamber: str, until_ns: int, *, only: int | None = None) -> None:
        lease_s = (until_ns - self._now_ns) / NS
        if chamber not in self._lost and lease_s > 0.0:
            self._heard(chamber, Gas.OPEN, self._valves[chamber].order(f"OPEN {lease_s:.3f}"))

    def foreign(self, chamber: str, raw: str) -> None:
        """Somebody else's order to open reaches the valve; as a keeper does, it is answered with a close."""
        self._valves[chamber].order(raw)
        self._said.append((chamber, OtherOrder(0, 0, Gas.OPEN, raw)))
        self.close(chamber)

    def poll(self, now_ns: int) -> Sequence[tuple[str, ValveEvent]]:
        self._now_ns = now_ns
        for name in sorted(self._lost):
            if self._valves[name].order("CLOSE") is not None:
                self._lost.discard(name)
                self._heard(name, Gas.CLOSED, Gas.CLOSED.value)
        said, self._said = self._said, []
        return said

    def filenos(self) -> Sequence[int]:
        return ()

    def _heard(self, chamber: str, gas: Gas, answer: str | None) -> None:
        if answer != gas.value:
            self._lost.add(chamber)
            self._acked.pop(chamber, None)
            self._said.append((chamber, ValveSaid(0, 0, link=False, acked=None, why="no answer")))
        elif self._acked.get(chamber) is not gas:
            self._acked[chamber] = gas
            self._said.append((chamber, ValveSaid(0, 0, link=True, acked=gas)))
