"""The process that alone holds the valves of one bus. ``python -m nightheron.runtime.keeper FD [MODULE...]``

One selector loop, no threads, over a SOCK_SEQPACKET socket from the guard and the bus. It starts as a
spare that has imported all it needs and knows nothing; ``take`` makes it the holder, and the first thing a
holder does is close. Gas is open only until a deadline the guard renews; every way of losing the guard
(end of file, silence, a frame that makes no sense) ends with CLOSE on every valve.

A frame is a JSON array: ``[number, verb, ...]`` from the guard, ``[number, answer, text]`` back; ``ok``,
``cannot`` or ``expired``. Number 0 is the valves' own news: ``[0, "said", valve, what, gas, text]``.
Deadlines are absolute CLOCK_BOOTTIME ns, so frames that waited in the socket cannot prolong anything.
Never add here: a file, a name look-up, a log, a wait without a deadline, a queue without a bound.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import select
import socket
import sys
from collections.abc import Callable, Sequence
from typing import Any

from nightheron.model import NS, Gas
from nightheron.runtime.clock import Clock
from nightheron.runtime.keeper_frames import BadFrameError, drain
from nightheron.runtime.keeper_process import settle_in

WAITING, HOLDING, ENDING = "waiting", "holding", "ending"
END_S = 1.0
"""How long an ending keeper waits for its last CLOSE to be acknowledged."""
IDLE_S = 0.5
POLLIN, POLLOUT = select.POLLIN, select.POLLOUT
boottime_ns = Clock().now_ns

Frame = list[Any]


class Keeper:
    """All state of the process: its phase, its valves, and until when each may be open."""

    def __init__(self, guard: socket.socket) -> None:
        self.phase = WAITING
        self.valves: Sequence[Any] = ()
        self.most_ns: list[int] = []
        self.until_ns: list[int | None] = []
        self.unshut: set[int] = set()
        """Valves whose last order is CLOSE and not acknowledged."""
        self.unsent = 0
        self.end_ns = 0
        self._guard: socket.socket | None = guard

    # ---- verbs ----

    def on_take(self, number: int, args: Frame, now_ns: int) -> None:
        """Become the holder of these valves: close them."""
        holder, own, broker, plans = args
        module, _, function = holder.partition(":")
        self.valves = getattr(importlib.import_module(module), function)(plans, broker, own)
        if len(self.valves) != len(plans):
            raise BadFrameError("the holder made another number of valves than there are plans")
        self.most_ns = [round(plan["lease_s"] * NS) for plan in plans]
        self.until_ns = [None] * len(plans)
        self.phase = HOLDING
        gc.collect()
        gc.freeze()
        self.close_all(now_ns)
        self.say(number, "ok")

    def on_open_until(self, number: int, args: Frame, now_ns: int) -> None:
        """Let one valve be open until a deadline no further ahead than its lease."""
        valve, until_ns = args
        if until_ns <= now_ns:
            self.say(number, "expired")
        elif until_ns > now_ns + self.most_ns[valve]:
            self.close(valve, now_ns)
            self.say(number, "cannot", "the deadline is further ahead than the lease; closed")
        else:
            self.until_ns[valve] = until_ns
            self.unshut.discard(valve)
            sent = self.valves[valve].order(Gas.OPEN, now_ns)
            self.say(number, *(("ok",) if sent else ("cannot", "no link, or the order before waits")))

    def on_close(self, number: int, args: Frame, now_ns: int) -> None:
        """Close one valve; also the guard's question whether we are there."""
        (valve,) = args
        shut = self.until_ns[valve] is None and valve not in self.unshut
        sent = shut or self.close(valve, now_ns)
        self.say(number, *(("ok",) if sent else ("cannot", "no link; CLOSE comes first on the next")))

    def on_end(self, number: int, _args: Frame, now_ns: int) -> None:
        """Close everything, wait for the acknowledgements, leave."""
        self.end(now_ns)
        self.say(number, "ok")

    # ---- orders ----

    def close(self, valve: int, now_ns: int) -> bool:
        """Order one valve shut, whatever else is true."""
        self.until_ns[valve] = None
        self.unshut.add(valve)
        with contextlib.suppress(Exception):
            return bool(self.valves[valve].order(Gas.CLOSED, now_ns))
        return False

    def close_all(self, now_ns: int) -> None:
        for valve in range(len(self.valves)):
            self.close(valve, now_ns)

    def end(self, now_ns: int) -> None:
        """Close all and begin to leave; later calls change nothing."""
        if self.phase != ENDING:
            self.phase = ENDING
            self.end_ns = now_ns + int(END_S * NS)
            self.close_all(now_ns)

    def expire(self, now_ns: int) -> None:
        """Close what nobody renewed."""
        for valve, until_ns in enumerate(self.until_ns):
            if until_ns is not None and now_ns >= until_ns:
                self.close(valve, now_ns)
                self.send([0, "expired", valve])

    # ---- the guard ----

    def hear(self, now_ns: int) -> None:
        """Take every frame that waits, then act; of the renewals of one valve only the newest."""
        frames, over = drain(self._guard, len(self.valves)) if self._guard is not None else ([], True)
        self._guard = None if over else self._guard
        newest = {args[0]: number for number, verb, args in frames if verb == "open_until"}
        for number, verb, args in frames:
            if verb == "open_until" and newest[args[0]] != number:
                self.say(number, "ok")
            else:
                self.act(number, verb, args, now_ns)
        if self._guard is None:
            self.end(now_ns)

    def act(self, number: int, verb: str, args: Frame, now_ns: int) -> None:
        """Carry out one frame if its verb is known and allowed now. Raises BadFrameError."""
        phases, handler = VERBS.get(verb, ((), Keeper.on_end))
        if self.phase not in phases:
            self.say(number, "cannot", f"{verb} is no verb of a {self.phase} keeper; closed")
            raise BadFrameError(f"{verb} is no verb of a {self.phase} keeper")
        handler(self, number, args, now_ns)

    def say(self, number: int, word: str, text: str = "") -> None:
        self.send([number, word, text])

    def send(self, frame: Frame) -> None:
        """Tell the guard, if it reads; a guard that does not is not waited for."""
        try:
            if self._guard is not None:
                self._guard.send(json.dumps(frame).encode())
        except OSError:
            self.unsent += 1

    # ---- the loop ----

    def serve(self, valve: int, now_ns: int) -> None:
        """Let one valve do its little; a valve whose driver fails takes the keeper with it."""
        for said in self.valves[valve].ready(now_ns):
            if said.what == "acked" and said.gas is Gas.CLOSED and self.until_ns[valve] is None:
                self.unshut.discard(valve)
            elif said.what == "link_down":
                self.until_ns[valve] = None
                self.unshut.add(valve)
            self.send([0, "said", valve, said.what, said.gas, said.text])

    def wait(self, wake: int) -> set[int]:
        """Sleep until something is due; the descriptors that are ready."""
        now_ns = boottime_ns()
        poll = select.poll()
        poll.register(wake, POLLIN)
        if self._guard is not None and self.phase != ENDING:
            poll.register(self._guard, POLLIN)
        due: list[int | None] = [now_ns + int(IDLE_S * NS), *self.until_ns]
        for valve in self.valves:
            due.append(valve.deadline())
            fd = valve.fileno()
            if fd is not None:
                poll.register(fd, POLLIN | POLLOUT if valve.wants_write() else POLLIN)
        due_ns = min(at for at in due if at is not None)
        # Rounded up: waking a moment early would only spin.
        ready = {fd for fd, _ in poll.poll(max(0, -((now_ns - due_ns) // 1_000_000)))}
        if wake in ready:
            os.read(wake, 64)
        return ready

    def step(self, wake: int, stopped: Callable[[], bool]) -> None:
        """One turn: first what has run out, then the guard, then the valves."""
        ready = self.wait(wake)
        now_ns = boottime_ns()
        self.expire(now_ns)
        if stopped():
            self.end(now_ns)
        if self.phase != ENDING and self._guard is not None and self._guard.fileno() in ready:
            self.hear(now_ns)
        for index, valve in enumerate(self.valves):
            due_ns = valve.deadline()
            if valve.fileno() in ready or (due_ns is not None and now_ns >= due_ns):
                self.serve(index, now_ns)

    def leave(self) -> None:
        now_ns = boottime_ns()
        for valve in self.valves:
            with contextlib.suppress(Exception):
                valve.finish(now_ns)


VERBS: dict[str, tuple[tuple[str, ...], Callable[[Keeper, int, Frame, int], None]]] = {
    "take": ((WAITING,), Keeper.on_take),
    "open_until": ((HOLDING,), Keeper.on_open_until),
    "close": ((HOLDING,), Keeper.on_close),
    "end": ((WAITING, HOLDING), Keeper.on_end),
}


def run(keeper: Keeper, wake: int, stopped: Callable[[], bool]) -> None:
    """Turn until ended; whatever goes wrong, close, and turn only to get the CLOSE out."""
    while keeper.phase != ENDING or (keeper.unshut and boottime_ns() < keeper.end_ns):
        try:
            keeper.step(wake, stopped)
        except Exception as error:
            keeper.send([0, "broken", f"{type(error).__name__}: {error}"[:200]])
            if keeper.phase == ENDING:
                break
            keeper.end(boottime_ns())
    keeper.leave()


def main(arguments: Sequence[str]) -> int:
    """Serve the guard on the inherited descriptor until it goes."""
    guard = socket.socket(fileno=int(arguments[0]))
    guard.setblocking(False)
    wake, stopped = settle_in(guard)
    for module in arguments[1:]:
        with contextlib.suppress(ImportError):  # told again, and answered, when it is taken
            importlib.import_module(module)
    keeper = Keeper(guard)
    keeper.send([0, "here", ""])
    run(keeper, wake, stopped)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
