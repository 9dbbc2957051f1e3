"""A serial probe on a real pseudo-terminal that misbehaves."""

from __future__ import annotations

import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
from nightheron_drivers.probe_serial import SerialOptions, SerialProbe
from nightheron_drivers.protocols import MOST_WAIT_S, RAW_MOST

from tests.support.probe_ear import ProbeEar
from tests.support.pty_port import PtyPort

PATTERN = r"(?P<value>-?\d+\.\d+)"
PROBE = "chamber/west/0"


def source_on(path: Path, pattern: str = PATTERN) -> Any:
    """A source with one probe on this port."""
    options = SerialOptions(port=str(path), pattern=pattern)
    return SerialProbe.sources({PROBE: options}, {PROBE: 5.0}, None, "site")[0]


@contextmanager
def listening(port: PtyPort, pattern: str = PATTERN) -> Iterator[ProbeEar]:
    """A running source that has heard its first whole line."""
    with ProbeEar(source_on(port.path, pattern)) as ear:
        synchronise(port, ear)
        yield ear


def synchronise(port: PtyPort, ear: ProbeEar) -> None:
    """Send lines until one is read, as a probe does that talks all the time."""
    mark = 7.77
    before = len(ear.heard)
    end = time.monotonic() + 30
    while not any(one.value == mark for one in ear.heard[before:]):
        if time.monotonic() > end:
            raise TimeoutError(f"nothing is read; trouble: {ear.source.trouble!r}")  # type: ignore[attr-defined] # every line source has it
        port.write(b"\n7.77\n")
        time.sleep(0.1)
    time.sleep(0.3)  # lines still on their way
    ear.heard.clear()


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_each_line_end_works(tmp_path: Path, end: bytes) -> None:
    """A device may end its lines with CR alone, LF or both, and each line is one reading."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        for text in (b"7.01", b" 7.02\t", b"14.2"):
            port.write(text + end)
        ear.wait_for_value(14.2)
        assert [one.value for one in ear.heard] == [7.01, 7.02, 14.2]


def test_dripping_half_and_glued_lines(tmp_path: Path) -> None:
    """Lines that come byte by byte, in halves or several at once are the same readings."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        for byte in b"7.01\r\n":
            port.write(bytes([byte]))
            time.sleep(0.05)
        port.write(b"7.0")
        time.sleep(0.5)
        assert [one.value for one in ear.heard] == [7.01]
        port.write(b"2\n7.03\n7.04\n")
        ear.wait_for_value(7.04)
        assert [one.value for one in ear.heard] == [7.01, 7.02, 7.03, 7.04]


def test_half_a_line_before_a_silence_is_not_continued(tmp_path: Path) -> None:
    """Half a number and, seconds later, another one do not make a third."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        port.write(b"7")
        time.sleep(4)
        port.write(b"6.95\n6.96\n")
        ear.wait_for_value(6.96)
        assert [(one.value, one.refused) for one in ear.heard] == [(None, "partial"), (6.96, None)]


@pytest.mark.parametrize(
    ("line", "refused"),
    [
        (b"nan", "no_match"),
        (b"inf", "no_match"),
        (b"pH 7.00", "no_match"),
        (b"7.00 7.01", "no_match"),
        (b"7,00", "no_match"),
        (b"\x00\xff\xfe\x80", "no_match"),
        ("\u0667.\u0662".encode(), "not_a_number"),
        (b"7." + b"0" * 40, "not_a_number"),
        (b"9" * 300, "too_long"),
    ],
)
def test_what_is_no_reading_is_kept_and_refused(tmp_path: Path, line: bytes, refused: str) -> None:
    """Letters, nan, inf, binary and endless numbers are kept and refused, and the next line is read."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        port.write(line + b"\r\n6.90\r\n")
        ear.wait_for_value(6.90)
        bad = ear.heard[0]
        assert (bad.value, bad.refused) == (None, refused)
        assert bad.raw.isascii()
        assert bad.raw.isprintable()
        assert 0 < len(bad.raw) <= RAW_MOST


def test_empty_lines_are_nothing(tmp_path: Path) -> None:
    """Empty and blank lines are neither readings nor refusals."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        port.write(b"\r\n\r\n   \r\n\t\n7.00\n")
        ear.wait_for_value(7.0)
        assert len(ear.heard) == 1


def test_a_megabyte_without_a_line_end(tmp_path: Path) -> None:
    """A million bytes without a line end are one refused line, and the source goes on saying None."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        port.write(b"7" * 1_000_000 + b"\n7.05\n6.95\n", within_s=60)
        ear.wait_for(lambda one: one.value is not None)
        time.sleep(0.5)
        refused = [one.refused for one in ear.heard if one.refused is not None]
        assert refused.count("too_long") == 1
        assert ear.longest_silence_s < MOST_WAIT_S + 4


def test_a_backlog_is_neither_many_readings_nor_a_low_value_lost(tmp_path: Path) -> None:
    """Of 300 lines that waited during a stall, few are readings, and the one low value is among them."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        ear.hold.set()
        assert ear.stalled.wait(10)
        lines = [b"7.00\n"] * 300
        lines[150], lines[299] = b"6.10\n", b"7.09\n"
        port.write(b"".join(lines))
        time.sleep(0.5)
        ear.hold.clear()
        ear.wait_for_value(7.09)
        values = [one.value for one in ear.heard if one.value is not None]
        assert 6.10 in values
        assert values[-1] == 7.09
        assert len(values) <= 10
        assert sum(one.refused == "backlog" for one in ear.heard) >= 1


def test_what_waited_before_the_port_was_opened_is_not_read(tmp_path: Path) -> None:
    """Lines from before the port was opened, and the first line after, are no readings."""
    with PtyPort(tmp_path) as port:
        port.write(b"6.00\n" * 100 + b"6.")
        with ProbeEar(source_on(port.path)) as ear:
            ear.wait_until(lambda: ear.longest_silence_s > 0)
            port.write(b"01\n7.01\n")
            ear.wait_for_value(7.01)
            assert [(one.value, one.refused) for one in ear.heard] == [(None, "partial"), (7.01, None)]


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    """After each unplugging the readings resume from whatever device now has the name."""
    with PtyPort(tmp_path) as port, listening(port) as ear:
        for turn in range(3):
            port.unplug()
            time.sleep(0.2 + turn)
            heard = len(ear.heard)
            assert all(one.value is None for one in ear.heard[:heard])
            port.plug()
            synchronise(port, ear)
        assert ear.longest_silence_s < MOST_WAIT_S + 4


@pytest.mark.parametrize("call", ["read", "in_waiting", "reset_input_buffer", "close", "open"])
@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException("device reports readiness to read but returned no data"),
        OSError(5, "Input/output error"),
        termios.error(5, "Input/output error"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
        ValueError("file descriptor cannot be a negative integer (-1)"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_every_call_may_find_the_device_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: Exception
) -> None:
    """Whichever call meets the pulled plug, and whatever it raises, the source reopens and reads on."""
    real = getattr(serial.Serial, call)
    pulled: list[bool] = []

    def once(*args: Any) -> Any:
        if not pulled:
            port.unplug()
            pulled.append(True)
            raise error
        if isinstance(real, property):
            return real.__get__(args[0])
        return real(*args)

    with PtyPort(tmp_path) as port, ProbeEar(source_on(port.path)) as ear:
        synchronise(port, ear)
        monkeypatch.setattr(serial.Serial, call, property(once) if isinstance(real, property) else once)
        if call in ("close", "open", "reset_input_buffer"):
            port.unplug()
            if call == "reset_input_buffer":  # which comes after a port was opened
                port.plug()
        else:
            port.write(b"7.00\n")
        ear.wait_until(lambda: bool(pulled))
        port.plug()
        synchronise(port, ear)


def test_a_port_that_is_missing_or_taken_is_waited_for(tmp_path: Path) -> None:
    """A port that does not exist, or that another program holds, is told as trouble and tried again."""
    path = tmp_path / "probe"
    source = source_on(path)
    with ProbeEar(source) as ear:
        ear.wait_until(lambda: "No such file" in source.trouble)
        with PtyPort(tmp_path) as port:
            synchronise(port, ear)
    with PtyPort(tmp_path) as port:
        holder = serial.Serial(str(port.path), exclusive=True)
        source = source_on(port.path)
        with ProbeEar(source) as ear:
            ear.wait_until(lambda: "exclusively lock" in source.trouble)
            holder.close()
            synchronise(port, ear)


def test_two_probes_on_one_line(tmp_path: Path) -> None:
    """Two probes on one port each hear their own lines, and a line of neither is refused for both."""
    with PtyPort(tmp_path) as port:
        probes = {
            name: SerialOptions(port=str(port.path), pattern=rf"{name}(?P<value>\d+\.\d+)") for name in "AB"
        }
        (source,) = SerialProbe.sources(probes, {"A": 5.0, "B": 5.0}, None, "site")
        with ProbeEar(source) as ear:
            ear.wait_until(lambda: ear.longest_silence_s > 0)
            port.write(b"\nA7.01\nB7.02\nC7.03\n")
            ear.wait_for(lambda one: one.probe == "B" and one.refused == "no_match")
            good = [(one.probe, one.value) for one in ear.heard if one.value is not None]
            assert good == [("A", 7.01), ("B", 7.02)]


def test_close_ends_a_source_at_any_moment(tmp_path: Path) -> None:
    """A source that is closed while it reads ends within its longest wait, every time."""
    with PtyPort(tmp_path) as port:
        for turn in range(20):
            with ProbeEar(source_on(port.path)) as ear:
                port.write(b"7.00\n" * (turn % 5))
                time.sleep(0.01 * (turn % 7))
            assert ear.raised is None
