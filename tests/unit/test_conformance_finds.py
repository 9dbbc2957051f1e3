"""The conformance checks find a driver that breaks its promises."""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import pytest
from nightheron.model import Gas
from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.conformance import PROBE, Nonconformity, check_probe, why_not_heard
from nightheron_drivers.conformance_valve import check_valve_without_link
from nightheron_drivers.linebus import escaped
from nightheron_drivers.numbers import decimal
from nightheron_drivers.protocols import RAW_MOST, Broker, Heard, Said
from pydantic import BaseModel, ConfigDict

DEVICE: queue.Queue[bytes] = queue.Queue()


class StrictOptions(BaseModel):
    """No keys at all."""

    model_config = ConfigDict(extra="forbid")


class LooseOptions(BaseModel):
    """Takes whatever is written."""


class GoodSource:
    """Reads DEVICE and keeps its promises."""

    def __init__(self) -> None:
        self.closed = threading.Event()

    def close(self) -> None:
        self.closed.set()

    def readings(self) -> Iterator[Heard | None]:
        while not self.closed.is_set():
            try:
                yield self.heard(DEVICE.get(timeout=0.2))
            except queue.Empty:
                yield None

    def heard(self, data: bytes) -> Heard:
        value = decimal(data.decode("ascii", "replace"))
        return Heard(PROBE, boottime_ns(), value, escaped(data), None if value is not None else "no_match")


class Raises(GoodSource):
    """Chokes on what is no number."""

    def heard(self, data: bytes) -> Heard:
        return Heard(PROBE, boottime_ns(), float(data), escaped(data))


class PassesNan(GoodSource):
    """Takes whatever float() takes."""

    def heard(self, data: bytes) -> Heard:
        try:
            return Heard(PROBE, boottime_ns(), float(data), escaped(data))
        except ValueError:
            return Heard(PROBE, boottime_ns(), None, escaped(data), "no_match")


class Sulks(GoodSource):
    """Waits without end when nothing comes."""

    def readings(self) -> Iterator[Heard | None]:
        while not self.closed.is_set():
            self.closed.wait(60)
            yield None


class Stays(GoodSource):
    """Ignores close()."""

    def readings(self) -> Iterator[Heard | None]:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            try:
                yield self.heard(DEVICE.get(timeout=0.2))
            except queue.Empty:
                yield None


class Repeats(GoodSource):
    """Fills silence with the last value."""

    def readings(self) -> Iterator[Heard | None]:
        while not self.closed.wait(0.1):
            yield Heard(PROBE, boottime_ns(), 7.0, "7.0")


class Deaf(GoodSource):
    """Never calls anything a reading."""

    def heard(self, data: bytes) -> Heard:
        return Heard(PROBE, boottime_ns(), None, escaped(data), "no_match")


def driver_of(source: type[GoodSource], options: type[BaseModel] = StrictOptions) -> Any:
    """A probe driver with this source."""

    class Driver:
        """One source for one probe."""

        Options: type[BaseModel] = options

        @staticmethod
        def sources(
            probes: Mapping[str, Any], stale_s: Mapping[str, float], broker: Broker | None, site: str
        ) -> Sequence[GoodSource]:
            return [source()]

    return Driver


def judge(driver: Any) -> None:
    """Run the whole check on a driver that reads DEVICE."""
    while not DEVICE.empty():
        DEVICE.get_nowait()
    check_probe(driver, {}, speak=DEVICE.put, good=lambda value: f"{value}".encode())


def test_a_good_driver_passes() -> None:
    """A driver that keeps its promises is not found fault with."""
    judge(driver_of(GoodSource))


@pytest.mark.parametrize(
    ("source", "found"),
    [
        (Raises, "must never"),
        (PassesNan, "finite float"),
        (Sulks, "not even None"),
        (Stays, "did not end after close"),
        (Repeats, "before the device said anything"),
        (Deaf, "never became a reading"),
    ],
)
def test_each_broken_promise_is_found(source: type[GoodSource], found: str) -> None:
    """Each kind of broken promise ends in a sentence that names it."""
    with pytest.raises(Nonconformity, match=found):
        judge(driver_of(source))


def test_loose_options_are_found() -> None:
    """Options that swallow a mistyped key are found."""
    with pytest.raises(Nonconformity, match="forbid"):
        judge(driver_of(GoodSource, LooseOptions))


@pytest.mark.parametrize(
    ("heard", "found"),
    [
        (Heard(PROBE, 5_000_000, 7.0, "7.0"), None),
        (Heard("other", 5_000_000, 7.0, "7.0"), "id"),
        (Heard(PROBE, 5_000_000, math.inf, "inf"), "finite"),
        (Heard(PROBE, 5_000_000, 7, "7"), "finite"),
        (Heard(PROBE, 5_000_000, 7.0, "7.0", "old"), "reason"),
        (Heard(PROBE, 5_000_000, None, "x"), "reason"),
        (Heard(PROBE, 5_000_000, None, "x" * (RAW_MOST + 1), "no"), "raw"),
        (Heard(PROBE, 5_000_000, None, "a\x00", "no"), "raw"),
        (Heard(PROBE, 5_000_000, 7.0, ""), "raw"),
        (Heard(PROBE, 5_000_001, 7.0, "7.0"), "at_ns"),
        (Heard(PROBE, 3_000_000, 7.0, "7.0"), "at_ns"),
        (Heard(PROBE, 9_000_000, 7.0, "7.0"), "at_ns"),
    ],
)
def test_each_wrong_message_is_found(heard: Heard, found: str | None) -> None:
    """A message with a wrong id, value, reason, raw text or time is told apart from a right one."""
    fault = why_not_heard(heard, 4_000_000, 8_000_000)
    assert (fault is None) if found is None else (found in (fault or ""))


class GoodValve:
    """A valve without a link that says so."""

    def fileno(self) -> int | None:
        return None

    def wants_write(self) -> bool:
        return False

    def ready(self, now_ns: int) -> Sequence[Said]:
        return []

    def order(self, gas: Gas, now_ns: int) -> bool:
        return False

    def deadline(self) -> int | None:
        return boottime_ns() + 200_000_000

    def finish(self, now_ns: int) -> None:
        return None


def test_a_good_valve_passes() -> None:
    """A valve that keeps its promises without a link is not found fault with."""
    check_valve_without_link(GoodValve(), for_s=0.5)


def slow(*_: Any) -> Sequence[Said]:
    """Waits as a blocking connect does."""
    time.sleep(0.2)
    return []


def choke(*_: Any) -> bool:
    """Raises as a send on no socket does."""
    raise OSError("not connected")


@pytest.mark.parametrize(
    ("name", "instead", "found"),
    [
        ("ready", slow, "no call may block"),
        ("order", choke, "raised"),
        ("order", lambda *_: True, "must return False"),
        ("ready", lambda *_: [Said("acked", Gas.CLOSED)], "without a link"),
        ("ready", lambda *_: [Said("hello")], "none of"),
        ("deadline", lambda *_: None, "never try again"),
    ],
)
def test_each_bad_valve_is_found(name: str, instead: Callable[..., Any], found: str) -> None:
    """Each kind of broken promise of a valve ends in a sentence that names it."""
    valve = GoodValve()
    setattr(valve, name, instead)
    with pytest.raises(Nonconformity, match=found):
        check_valve_without_link(valve, for_s=2.0)
