"""The log: bounded, harmless, and without secrets."""

from __future__ import annotations

import io
import json
import os
import time
from contextlib import suppress

from nightheron.runtime.logs import HIDDEN, LineWriter, Log, make_log

from tests.support.loops import Bench


def lines_of(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def logged(*secrets: str, terminal: bool = False) -> tuple[io.StringIO, LineWriter, Log]:
    out = io.StringIO()
    writer = LineWriter(out)
    return out, writer, make_log(writer, terminal=terminal, secrets=secrets)


def test_json_off_a_terminal_and_key_value_on_one() -> None:
    """Lines are JSON in a pipe and key-value on a terminal."""
    out, writer, log = logged()
    log.info("gas closed", chamber="west", ph=6.59)
    writer.stop(10)
    (line,) = lines_of(out.getvalue())
    assert (line["event"], line["chamber"], line["ph"], line["level"]) == ("gas closed", "west", 6.59, "info")
    out, writer, log = logged(terminal=True)
    log.info("gas closed", chamber="west")
    writer.stop(10)
    assert "chamber='west'" in out.getvalue()


def test_no_secret_and_no_local_variable_reaches_the_log() -> None:
    """Known secrets, keys named like one, and locals of a failing function are not written."""
    out, writer, log = logged("hunter2")

    def fails() -> None:
        canary = "canary-77"
        raise RuntimeError("bad" + canary[:0])

    try:
        fails()
    except RuntimeError:
        more = {"token": "t0", "x": ["hunter2"]}
        log.error("fault at hunter2", exc_info=True, password="open sesame", more=more)  # noqa: S106 - this is a canary
    writer.stop(10)
    text = out.getvalue()
    for secret in ("hunter2", "canary-77", "open sesame", "t0"):
        assert secret not in text
    assert HIDDEN in text
    assert "RuntimeError" in text


def test_what_cannot_be_rendered_does_not_raise() -> None:
    """Odd values, NaN and a clashing key cost at most the line."""
    out, writer, log = logged()

    class Odd:
        def __repr__(self) -> str:
            raise ValueError

        __str__ = __repr__

    log.info("odd", value=Odd())
    log.info("nan", value=float("nan"))
    writer.stop(10)
    assert lines_of(out.getvalue())[-1]["value"] == "nan"


def test_a_full_pipe_never_holds_the_loop_up() -> None:
    """With nobody reading the log, logging returns at once, drops and counts, and gas still closes."""
    reader, sender = os.pipe()
    with suppress(BrokenPipeError), os.fdopen(sender, "w") as out:
        writer = LineWriter(out, most=50)
        log = make_log(writer, terminal=False)
        bench = Bench().open_gas()
        began = time.monotonic()
        for _ in range(5000):
            log.info("x" * 100)
        bench.hear("west", 6.5)
        bench.step()
        assert time.monotonic() - began < 20
        assert bench.gas("west") == "closed"
        assert writer.dropped > 0
        os.close(reader)
        writer.stop(10)


def test_lost_lines_are_owned_up_to() -> None:
    """When the reader comes back, the log says how many lines are missing."""
    reader, sender = os.pipe()
    with os.fdopen(sender, "w") as out:
        writer = LineWriter(out, most=10)
        for _ in range(5000):
            writer.put("x" * 200)
        received = b""
        while b"lines were lost here" not in received:
            writer.put("more")
            received += os.read(reader, 65536)
        writer.stop(10)
        os.close(reader)  # last: closing the other end flushes, which nobody could read any more
    assert writer.dropped > 0
