"""The log: transitions in words, through a bounded queue, written by one thread.

Nothing that logs can be held up by whoever reads the log, nor fail because of it: a full pipe
costs lines, which are counted and owned up to when it drains.
"""

from __future__ import annotations

import sys
import threading
from collections import deque
from collections.abc import Mapping, MutableMapping, Sequence
from typing import Any, Protocol, TextIO, cast

import structlog
from structlog.tracebacks import ExceptionDictTransformer

QUEUE_MOST = 1000
HIDDEN = "(hidden)"
_SECRET_KEYS = ("password", "secret", "token", "urls", "authorization")


class Log(Protocol):
    """A logger bound to whatever it speaks about."""

    def info(self, event: str, **values: Any) -> Any: ...
    def warning(self, event: str, **values: Any) -> Any: ...
    def error(self, event: str, **values: Any) -> Any: ...
    def bind(self, **values: Any) -> Any: ...


class LineWriter:
    """A file-like end of the log: ``put`` never blocks and never raises; a thread writes."""

    def __init__(self, out: TextIO, most: int = QUEUE_MOST) -> None:
        self._out, self._most = out, most
        self._lines: deque[str] = deque()
        self._changed = threading.Condition()
        self._ending = False
        self._lost = 0
        self.dropped = 0
        """Lines lost to a full queue since the start."""
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def put(self, line: str) -> None:
        """Take one line; counts it when there is no room."""
        with self._changed:
            if len(self._lines) >= self._most:
                self._lost += 1
                self.dropped += 1
                return
            self._lines.append(line)
            self._changed.notify()

    def stop(self, deadline_s: float) -> None:
        """Write what waits, but no longer than this."""
        with self._changed:
            self._ending = True
            self._changed.notify()
        self._thread.join(deadline_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._lines or self._ending)
                if not self._lines:
                    return
                line = self._lines.popleft()
                lost, self._lost = self._lost, 0
            try:
                if lost:
                    self._out.write(
                        f"({lost} log lines were lost here: whoever reads the log was too slow)\n"
                    )
                self._out.write(line + "\n")
                self._out.flush()
            except (OSError, ValueError):
                continue  # nobody reads; the guard goes on


class _Printer:
    """What structlog calls at the end of its chain."""

    def __init__(self, writer: LineWriter) -> None:
        self._writer = writer

    def msg(self, line: str) -> None:
        self._writer.put(line)

    debug = info = warning = error = critical = exception = msg


def make_log(writer: LineWriter, *, terminal: bool, secrets: Sequence[str] = ()) -> Log:
    """A logger of our own; structlog's process-wide configuration is left alone."""
    hide = _Hide([text for text in secrets if text])
    last: Any = (
        structlog.processors.KeyValueRenderer(key_order=["timestamp", "level", "event"])
        if terminal
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    processors: list[Any] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.ExceptionRenderer(ExceptionDictTransformer(show_locals=False, max_frames=20)),
        hide,
        last,
    ]
    logger = structlog.wrap_logger(
        _Printer(writer), processors=processors, wrapper_class=_Careful, cache_logger_on_first_use=True
    )
    return cast("Log", logger)


class _Careful(structlog.BoundLogger):
    """Logging must never take down what it reports on."""

    def info(self, event: str, **values: Any) -> None:
        self._say("info", event, values)

    def warning(self, event: str, **values: Any) -> None:
        self._say("warning", event, values)

    def error(self, event: str, **values: Any) -> None:
        self._say("error", event, values)

    def _say(self, level: str, event: str, values: Mapping[str, Any]) -> None:
        try:
            self._proxy_to_logger(level, event, **values)
        except Exception as fault:  # a log line that cannot be rendered is not worth a guard
            print(f"log line lost: {type(fault).__name__}", file=sys.stderr) if sys.stderr.isatty() else None


class _Hide:
    """Takes known secrets, and whatever is named like one, out of every line; runs last but one."""

    def __init__(self, secrets: Sequence[str]) -> None:
        self._secrets = secrets

    def __call__(
        self, _log: object, _name: str, values: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        for key in list(values):
            values[key] = HIDDEN if self._is_secret(key) else self._clean(values[key])
        return values

    def _is_secret(self, key: object) -> bool:
        return isinstance(key, str) and any(word in key.lower() for word in _SECRET_KEYS)

    def _clean(self, value: Any) -> Any:
        if isinstance(value, dict):
            return {k: HIDDEN if self._is_secret(k) else self._clean(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [self._clean(v) for v in value]
        if isinstance(value, bool | int) or value is None:
            return value
        if isinstance(value, float):
            return value if value == value and abs(value) != float("inf") else str(value)
        text = str(value)
        for secret in self._secrets:
            text = text.replace(secret, HIDDEN)
        return text
