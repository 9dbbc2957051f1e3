"""Runs a probe source in a thread, as the service does, and keeps what it says."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from nightheron_drivers.protocols import Heard, ProbeSource


class ProbeEar:
    """``heard`` holds every message so far; ``longest_silence_s`` the longest time without a yield."""

    def __init__(self, source: ProbeSource) -> None:
        self.source = source
        self.heard: list[Heard] = []
        self.raised: BaseException | None = None
        self.longest_silence_s = 0.0
        self.hold = threading.Event()
        """While set, the thread is stalled and reads nothing."""
        self.stalled = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> ProbeEar:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.hold.clear()
        self.source.close()
        self._thread.join(20)
        if self._thread.is_alive():
            raise TimeoutError("the source did not end after close()")
        if self.raised is not None:
            raise self.raised

    def _run(self) -> None:
        last = time.monotonic()
        try:
            for one in self.source.readings():
                self.longest_silence_s = max(self.longest_silence_s, time.monotonic() - last)
                if one is not None:
                    self.heard.append(one)
                while self.hold.is_set():
                    self.stalled.set()
                    time.sleep(0.01)
                last = time.monotonic()
        except BaseException as error:  # kept for the test's own thread, where it is raised again
            self.raised = error

    def wait_for(self, wanted: Callable[[Heard], bool], within_s: float = 30.0) -> Heard:
        """The first message that is wanted, heard already or within this time."""
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            for one in list(self.heard):
                if wanted(one):
                    return one
            if self.raised is not None:
                raise self.raised
            time.sleep(0.01)
        raise TimeoutError(f"not heard within {within_s} s; heard {self.heard[-20:]}")

    def wait_for_value(self, value: float, within_s: float = 30.0) -> Heard:
        """The first reading of this value."""
        return self.wait_for(lambda one: one.value == value, within_s)

    def wait_until(self, true: Callable[[], bool], within_s: float = 30.0) -> None:
        """Wait until something holds."""
        end = time.monotonic() + within_s
        while not true():
            if time.monotonic() > end:
                raise TimeoutError(f"still not so after {within_s} s; heard {self.heard[-20:]}")
            time.sleep(0.01)
