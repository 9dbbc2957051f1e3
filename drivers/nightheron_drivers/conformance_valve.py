"""Checks a valve must pass while there is nobody at the other end, when a call is most tempted to wait."""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Sequence
from typing import TypeVar

from nightheron.model import Gas

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.conformance import Nonconformity
from nightheron_drivers.protocols import Said, Valve

CALL_MOST_S = 0.1
"""The longest a call may take; the keeper that waits for it serves every valve of its bus."""

HICCUPS = 1
"""One slow call may be the machine's; more are the valve's."""

WORDS = ("link_up", "link_down", "acked", "feedback", "foreign")
T = TypeVar("T")


def check_valve_without_link(valve: Valve, for_s: float = 3.0) -> None:
    """Drive a valve whose bus is not there, as a keeper would, and judge every call and answer."""
    watch = _Watch()
    for gas in (Gas.CLOSED, Gas.OPEN, Gas.CLOSED):
        watch.order_must_fail(valve, gas)
    end = time.monotonic() + for_s
    while time.monotonic() < end:
        _wait(valve, watch, end)
        watch.judge(watch.timed("ready", lambda: valve.ready(boottime_ns())))
        watch.order_must_fail(valve, Gas.CLOSED)
        watch.order_must_fail(valve, Gas.OPEN)
    watch.timed("finish", lambda: valve.finish(boottime_ns()))


class _Watch:
    """Times each call and judges what is said."""

    def __init__(self) -> None:
        self._slow = 0

    def timed(self, name: str, call: Callable[[], T]) -> T:
        begin = time.monotonic()
        try:
            result = call()
        except Exception as fault:
            raise Nonconformity(f"{name}() raised {fault!r}; a valve says link_down instead") from fault
        took_s = time.monotonic() - begin
        if took_s > CALL_MOST_S:
            self._slow += 1
            if self._slow > HICCUPS:
                raise Nonconformity(f"{name}() took {took_s:.3f} s; no call may block")
        return result

    def order_must_fail(self, valve: Valve, gas: Gas) -> None:
        if self.timed("order", lambda: valve.order(gas, boottime_ns())) is not False:
            raise Nonconformity(f"order({gas}) without a link must return False: it cannot be sent")

    def judge(self, answers: Sequence[Said]) -> None:
        for said in answers:
            if said.what not in WORDS:
                raise Nonconformity(f"{said.what!r} is none of {', '.join(WORDS)}")
            if said.what in ("link_up", "acked", "feedback", "foreign"):
                raise Nonconformity(f"{said.what} without a link: nothing can have been heard")


def _wait(valve: Valve, watch: _Watch, end: float) -> None:
    """Wait as the keeper's selector does: for the link, or until the valve's own deadline."""
    fd = watch.timed("fileno", valve.fileno)
    wants_write = watch.timed("wants_write", valve.wants_write)
    deadline_ns = watch.timed("deadline", valve.deadline)
    if fd is None and deadline_ns is None:
        raise Nonconformity("no link to wait for and no deadline: the valve would never try again")
    left_s = end - time.monotonic()
    if deadline_ns is not None:
        left_s = min(left_s, (deadline_ns - boottime_ns()) / 1e9)
    left_s = max(0.0, min(left_s, 0.25))
    if fd is None:
        time.sleep(left_s)  # waits: as a keeper does, in a test
    else:
        select.select([fd], [fd] if wants_write else [], [], left_s)
