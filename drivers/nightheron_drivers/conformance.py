"""Checks a probe or a valve driver must pass; for a third party's own tests too.

    from nightheron_drivers.conformance import check_probe

    def test_my_probe(tmp_path):
        path = tmp_path / "number"
        check_probe(MyProbe, {"path": str(path)}, speak=path.write_bytes, good=lambda v: f"{v}".encode())

Each check ends in Nonconformity with a sentence that says what was promised, or returns.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from nightheron_drivers.arrival import MS_NS, boottime_ns
from nightheron_drivers.protocols import MOST_WAIT_S, RAW_MOST, Broker, Heard, ProbeDriver, ProbeSource

MARGIN_S = 3.0
"""What a busy machine may add to a promised time."""

PROBE = "chamber/conformance/0"
SILENT_YIELDS = 5
PATIENCE_S = 20.0

HOSTILE: tuple[bytes, ...] = (
    b"",
    b"\r\n",
    b"nan",
    b"inf",
    b"-inf",
    b"1e999",
    b"1_0",
    b"0x7",
    b"True",
    b"null",
    b"pH",
    b"6.",
    "\u0667.\u0662".encode(),
    b"\x00\xff\xfe\x80",
    bytes(range(256)),
    b"7" * 100_000,
    b"[" * 10_000,
    b'{"ph": NaN}',
)


class Nonconformity(AssertionError):  # noqa: N818 - reads as the finding it is
    """What the driver does against its protocol."""


def check_options(driver: type[ProbeDriver], options: Mapping[str, Any]) -> Any:
    """The given keys are taken, a mistyped one is an error; returns the validated Options."""
    valid = driver.Options.model_validate(dict(options))
    try:
        driver.Options.model_validate({**options, "no_such_key_s": 1})
    except ValueError:
        return valid
    raise Nonconformity("Options take a key they do not know; set extra='forbid'")


def check_probe(
    driver: type[ProbeDriver],
    options: Mapping[str, Any],
    *,
    speak: Callable[[bytes], object],
    good: Callable[[float], bytes],
    broker: Broker | None = None,
    stale_s: float = 5.0,
) -> None:
    """Every promise of a probe. ``speak`` sends bytes as the device would; ``good(7.02)`` is one message."""
    probes = {PROBE: check_options(driver, options)}
    sources = driver.sources(probes, {PROBE: stale_s}, broker, "conformance")
    if len(sources) != 1:
        raise Nonconformity(f"one probe makes one source, not {len(sources)}")
    watch = _Watch(sources[0])
    watch.begin()
    try:
        watch.expect_silence()
        watch.expect_reading(6.91, speak, good)
        for hostile in HOSTILE:
            speak(hostile)
            time.sleep(0.02)  # waits: as a device does between messages, in a test
        watch.expect_reading(6.93, speak, good)
    finally:
        watch.finish()


class _Watch:
    """Runs the source in a thread, as the service does, and judges all it says."""

    def __init__(self, source: ProbeSource) -> None:
        self._source = source
        self._said: queue.Queue[Heard | None] = queue.Queue()
        self._fault: BaseException | None = None
        self._last_ns = boottime_ns()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        try:
            for said in self._source.readings():
                self._said.put(said)
        except BaseException as fault:  # judged in the thread of the check
            self._fault = fault

    def _next(self) -> Heard | None:
        try:
            said = self._said.get(timeout=MOST_WAIT_S + MARGIN_S)
        except queue.Empty:
            if self._fault is not None:
                raise Nonconformity(f"readings() raised {self._fault!r}; it must never") from self._fault
            ended = "ended before close()" if not self._thread.is_alive() else "said nothing, not even None,"
            raise Nonconformity(f"readings() {ended} within {MOST_WAIT_S} s and a margin") from None
        if said is not None:
            self._judge(said)
        return said

    def _judge(self, heard: Heard) -> None:
        fault = why_not_heard(heard, self._last_ns, boottime_ns())
        if fault is not None:
            raise Nonconformity(f"{fault}: {heard!r}")
        self._last_ns = heard.at_ns

    def expect_silence(self) -> None:
        for _ in range(SILENT_YIELDS):
            heard = self._next()
            if heard is not None and heard.value is not None:
                raise Nonconformity(f"a reading before the device said anything: {heard!r}")

    def expect_reading(
        self, value: float, speak: Callable[[bytes], object], good: Callable[[float], bytes]
    ) -> None:
        end = time.monotonic() + PATIENCE_S
        spoken = 0.0
        while time.monotonic() < end:
            if time.monotonic() - spoken > 0.3:
                # Again and again: the first message after opening may rightly be refused.
                speak(good(value))
                spoken = time.monotonic()
            heard = self._next()
            if heard is not None and heard.value is not None and abs(heard.value - value) < 1e-9:
                return
        raise Nonconformity(f"a good message of {value} never became a reading")

    def finish(self) -> None:
        self._source.close()
        self._source.close()
        self._thread.join(MOST_WAIT_S + MARGIN_S)
        if self._thread.is_alive():
            raise Nonconformity("readings() did not end after close() from another thread")


def why_not_heard(heard: Heard, not_before_ns: int, now_ns: int) -> str | None:
    """What is wrong with one message, in words, or None."""
    value, raw = heard.value, heard.raw
    if heard.probe != PROBE:
        return "a message carries the id its probe was given"
    if value is not None and (type(value) is not float or not math.isfinite(value)):
        return "a value is a finite float or None"
    if (value is None) == (heard.refused is None):
        return "a message has a value or a reason why not, one of the two"
    if (
        not isinstance(raw, str)
        or len(raw) > RAW_MOST
        or not (raw.isascii() and (raw.isprintable() or not raw))
    ):
        return f"raw is what was received as printable ASCII, at most {RAW_MOST} characters"
    if value is not None and not raw:
        return "raw is kept for every reading"
    if type(heard.at_ns) is not int or heard.at_ns % MS_NS or not not_before_ns <= heard.at_ns <= now_ns:
        return "at_ns is the arrival on CLOCK_BOOTTIME in whole milliseconds, and never goes back"
    return None
