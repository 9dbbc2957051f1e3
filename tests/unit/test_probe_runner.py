"""The threads that read probes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from nightheron.runtime import probes
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.probes import Runner
from nightheron_drivers.protocols import Heard

from tests.support.devices import wait_until


class Source:
    """Says one message and then does what it was made for."""

    def __init__(self, then: Callable[[threading.Event], None]) -> None:
        self._then, self.closed = then, threading.Event()

    def readings(self) -> Iterator[Heard | None]:
        yield None
        yield Heard("chamber/west/0", 1, 6.9, "6.9")
        self._then(self.closed)

    def close(self) -> None:
        self.closed.set()


def breaks(_: threading.Event) -> None:
    raise RuntimeError("cable on fire")


def waits(closed: threading.Event) -> None:
    closed.wait(60)


@pytest.mark.parametrize("then", [breaks, lambda _: None])
def test_a_source_that_ends_is_made_anew(then: Callable[[threading.Event], None], monkeypatch: Any) -> None:
    """A source that breaks or ends is built again after a pause, and the log says why."""
    monkeypatch.setattr(probes, "AGAIN_FIRST_S", 0.01)
    made: list[Source] = []
    said: list[dict[str, Any]] = []

    def build() -> Source:
        made.append(Source(then))
        return made[-1]

    inbox = Inbox()
    runner = Runner("serial-0", build, inbox, lambda _event, **values: said.append(values))
    runner.start()
    wait_until(lambda: len(made) >= 3, what="a third source")
    runner.stop()
    assert inbox.take()[0]
    assert made[0].closed.is_set()
    assert said[0]["source"] == "serial-0"


def test_a_source_that_cannot_be_built_is_tried_again(monkeypatch: Any) -> None:
    """A driver that fails to start costs its own probe only, and is tried again."""
    monkeypatch.setattr(probes, "AGAIN_FIRST_S", 0.01)
    said: list[dict[str, Any]] = []

    def build() -> Source:
        raise OSError("no such port")

    runner = Runner("serial-0", build, Inbox(), lambda _event, **values: said.append(values))
    runner.start()
    wait_until(lambda: len(said) >= 2, what="a second try")
    runner.stop()
    assert "no such port" in said[0]["why"]


def test_stop_closes_the_source() -> None:
    """Stopping asks the source to end and waits for nothing."""
    source = Source(waits)
    inbox = Inbox()
    runner = Runner("serial-0", lambda: source, inbox, lambda *_a, **_k: None)
    runner.start()
    wait_until(lambda: bool(inbox.take()[0]), what="a message")
    runner.stop()
    assert source.closed.wait(10)


def test_a_source_that_cannot_be_closed_stops_nothing() -> None:
    """A driver that fails when asked to end costs the stop of the service nothing."""

    class Stubborn(Source):
        def close(self) -> None:
            super().close()
            raise RuntimeError("cable welded")

    source = Stubborn(waits)
    inbox = Inbox()
    runner = Runner("serial-0", lambda: source, inbox, lambda *_a, **_k: None)
    runner.start()
    wait_until(lambda: bool(inbox.take()[0]), what="a message")
    runner.stop()
    assert source.closed.wait(10)
