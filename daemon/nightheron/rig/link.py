"""The way from the guard's orders to a simulated valve and back, as the process that holds it keeps it.

An answer is heard at the evaluation after the order. A valve that does not answer is a lost link, which is
asked to close once a second until it answers. A stranger's order is heard only where orders can be.
"""

from __future__ import annotations

from nightheron.model import FeedbackSaid, Gas, OpenUntil, OtherOrder, ValveSaid
from nightheron.rig.valve import SimulatedValve

MS = 1_000_000
ASK_EVERY_MS = 1000
STRANGE_ORDER = "OPEN 60"


class Link:
    """One valve, ``reports`` when it says where it stands."""

    def __init__(self, valve: SimulatedValve, *, reports: bool, hears_strangers: bool) -> None:
        self.valve, self.reports, self.hears_strangers = valve, reports, hears_strangers
        self.until_ms = 0
        """Gas is ordered open until then; 0 while it is ordered shut."""
        self._up = self._news = self._strange = False
        self._gone = True
        self._acked: Gas | None = None
        self._seen: Gas | None = None
        valve.stranger = self._stranger

    def begin(self) -> None:
        """A new keeper: it closes before it does anything else."""
        self._up, self._acked, self._seen, self._strange, self._gone = False, None, None, False, False
        self._close_and_hear()

    def let_go(self) -> None:
        """The keeper ends, which shuts the valve."""
        self.until_ms, self._up, self._gone = 0, False, True
        self.valve.order("CLOSE")

    def open(self, order: OpenUntil, now_ms: int) -> None:
        """Carry out an order to open; of a valve alone in series no gas flows, and so nothing is done."""
        if not self._up or order.only is not None:
            return
        self.until_ms = order.until_ns // MS
        answer = self.valve.order(f"OPEN {(self.until_ms - now_ms) / 1000:.3f}")
        self._answers(Gas.OPEN, answer)

    def close(self) -> None:
        """Carry out an order to close."""
        self.until_ms = 0
        if self._up:
            self._close_and_hear()

    def poll(self, now_ms: int) -> list[OtherOrder | ValveSaid | FeedbackSaid]:
        """What became known since the last look."""
        found: list[OtherOrder | ValveSaid | FeedbackSaid] = []
        now_ns = now_ms * MS
        if self._gone:
            return found
        if self._strange:
            self._strange = False
            found.append(OtherOrder(now_ns, 0, Gas.OPEN, STRANGE_ORDER))
            if self.until_ms <= now_ms:
                self.close()  # while it was ordered shut, a strange order to open is answered at once
        if not self._up and now_ms % ASK_EVERY_MS == 0:
            self._close_and_hear()
        if self._news:
            self._news = False
            found.append(ValveSaid(now_ns, 0, self._up, self._acked, "" if self._up else "no answer"))
        if self.reports:
            seen = self.valve.feedback
            if seen is not None and seen is not self._seen:
                found.append(FeedbackSaid(now_ns, 0, seen, seen.value))
            self._seen = seen
        return found

    def _close_and_hear(self) -> None:
        self._answers(Gas.CLOSED, self.valve.order("CLOSE"))

    def _answers(self, gas: Gas, answer: str | None) -> None:
        up = answer == gas.value
        self._news = self._news or up is not self._up or (up and gas is not self._acked)
        self._up, self._acked = up, gas if up else None

    def _stranger(self) -> None:
        self.valve.order(STRANGE_ORDER)
        self._strange = self.hears_strangers
