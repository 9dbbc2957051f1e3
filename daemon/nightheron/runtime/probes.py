"""One thread a probe source: it reads, posts to the inbox, and is built anew when it breaks."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Protocol

from nightheron_drivers.protocols import ProbeSource

from nightheron.runtime.inbox import Item

AGAIN_FIRST_S = 1.0
AGAIN_MOST_S = 30.0
Rebuild = Callable[[], ProbeSource]


class Ear(Protocol):
    """Where messages go: the inbox, or what stands before it."""

    def post(self, item: Item) -> bool:
        """Leave one item; False when it had to be refused."""
        ...


class Runner:
    """Keeps one source reading until ``stop``. A broken source is a lost probe, never a lost guard."""

    def __init__(self, name: str, build: Rebuild, inbox: Ear, say: Callable[..., Any]) -> None:
        self._name, self._build, self._inbox, self._say = name, build, inbox, say
        self._ending = threading.Event()
        self._source: ProbeSource | None = None
        self._heard = False
        self._thread = threading.Thread(target=self._run, name=f"probe {name}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Ask it to end; waits for nothing."""
        self._ending.set()
        source = self._source
        if source is not None:
            _close(source)

    def _run(self) -> None:
        pause_s = AGAIN_FIRST_S
        while not self._ending.is_set():
            self._heard = False
            why = self._read()
            if self._ending.is_set():
                return
            if self._heard:
                pause_s = AGAIN_FIRST_S
            self._say("probe_source_restarts", source=self._name, why=why, in_s=pause_s)
            self._ending.wait(pause_s)
            pause_s = min(2 * pause_s, AGAIN_MOST_S)

    def _read(self) -> str:
        source: ProbeSource | None = None
        try:
            source = self._source = self._build()
            for heard in source.readings():
                if heard is not None:
                    self._heard = True
                    self._inbox.post(heard)
                if self._ending.is_set():
                    break
        except Exception as fault:  # whatever a driver does, it may only cost its own probe
            return f"{type(fault).__name__}: {fault}"[:300]
        finally:
            self._source = None
            if source is not None:
                _close(source)
        return "it ended"


def _close(source: ProbeSource) -> None:
    try:
        source.close()
    except Exception:  # closing what is broken may break; there is nothing left to save
        return
