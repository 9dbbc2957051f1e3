"""Two valves in series take turns being proved, since each hides that the other passes gas.

At the end of a closing, when nothing else stands against gas and the last turn is long ago, one valve stays
shut and the other alone is ordered open. Water that goes on rising shows that the shut one holds; water that
falls shows that it passes gas, and that latches. A turn that something interrupts, or in which the water
did not move, could not tell; gas then opens as usual, and the same valve has its turn again later.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.guard.limits import ChamberLimits
from nightheron.guard.proof import ANSWER_NOISES
from nightheron.model import NS, Close, Committed, Effect, Event, OpenUntil, Reason

VALVES = 2
EVERY_NS = 12 * 3600 * NS
"""Running time from one turn to the next, so that each valve is proved about once a day."""


@dataclass(slots=True)
class Turn:
    """Where the turns stand. Times are running time."""

    shut: int = 1
    """The valve that stays shut in the present or next turn, from 0."""
    since_ns: int = EVERY_NS
    """Since the last turn; the first is due at once."""
    alone_ns: int = 0
    """How long nothing but the turn has stood against gas."""
    token: int | None = None
    """The row that must be on disk before the other valve may open."""
    flows: bool = False
    """The other valve is ordered open."""
    renewed_ns: int = 0
    lowest_ph: float | None = None
    highest_ph: float | None = None
    rose: bool = False
    held: int | None = None
    """The valve that held in its turn; proved once the next opening shows that the other one does open."""
    passes: str = ""
    """What was seen when a shut valve passed gas; stands until a person releases it."""
    told: str = ""
    """How the last turn went, until a row has said it."""

    def due(self, limits: ChamberLimits) -> bool:
        """A turn must come before gas opens."""
        return limits.valve.count == VALVES and self.since_ns >= EVERY_NS

    def orders(self, standing: list[Reason], event: Event, limits: ChamberLimits) -> list[Effect]:
        """While gas is shut for ``standing`` reasons: open the other valve alone, renew it, or shut it."""
        alone, now_ns = standing == [Reason.VALVE_TURN], event.at_ns
        if self.flows and (not alone or self.passes or self.over(limits)):
            self.end()
            return [Close()]
        if not alone:
            self.token, self.alone_ns = None, 0
        elif self.over(limits):
            self.end()
        elif isinstance(event, Committed) and event.token == self.token:
            # Its row is on disk: the other valve opens, and the water is watched.
            self.token, self.flows, self.rose = None, True, False
            self.set_out_anew()
            return self._open(now_ns, limits)
        elif self.flows and now_ns - self.renewed_ns >= limits.valve.lease_s * NS / 4:
            return self._open(now_ns, limits)
        return []

    def _open(self, now_ns: int, limits: ChamberLimits) -> list[Effect]:
        self.renewed_ns = now_ns
        return [OpenUntil(now_ns + round(limits.valve.lease_s * NS), only=1 - self.shut)]

    def see(self, level_ph: float | None, noise_ph: float) -> None:
        """A reading while one valve stays shut alone."""
        if level_ph is None or not self.flows:
            return
        self.lowest_ph = level_ph if self.lowest_ph is None else min(self.lowest_ph, level_ph)
        self.highest_ph = level_ph if self.highest_ph is None else max(self.highest_ph, level_ph)
        if level_ph - self.lowest_ph >= ANSWER_NOISES * noise_ph:
            self.rose = True
        if self.highest_ph - level_ph >= ANSWER_NOISES * noise_ph:
            self.passes = f"valve {self.shut + 1} shut, the other open, and pH fell to {level_ph:.2f}"

    def set_out_anew(self) -> None:
        """Other probes decide now, or one jumped: what the level was before is no measure of a fall."""
        self.lowest_ph = self.highest_ph = None

    def over(self, limits: ChamberLimits) -> bool:
        """The turn has had its time: line and probe have shown what they would show, twice over."""
        return self.alone_ns >= 2 * (limits.tail_s + limits.probe_lag_s) * NS

    def confirm(self) -> None:
        """The water answered an opening: both valves open, so what one held in its turn was gas."""
        if self.held is not None:
            self.told = f"valve {self.held + 1} proved shut alone"
            self.shut, self.held = 1 - self.held, None

    def not_answered(self) -> None:
        """Gas is shut again; if nothing answered, the other valve may never have opened in that turn."""
        if self.held is not None:
            self.told, self.held = (
                f"turn of valve {self.held + 1} could not tell: no gas was seen to flow",
                None,
            )

    def end(self) -> None:
        """The turn ends, told or not; the next valve's comes only when this one was proved."""
        if self.passes:
            self.told = self.passes
        elif self.flows and self.rose:
            self.told = f"valve {self.shut + 1} held in its turn; proved once gas is seen to flow"
            self.held = self.shut
        else:
            self.told = f"turn of valve {self.shut + 1} could not tell"
        self.since_ns = self.alone_ns = 0
        self.flows, self.token = False, None
