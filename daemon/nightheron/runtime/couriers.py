"""Starts couriers, kills them at their deadline, and tells the loop what became of each.

A batch is one child process and one thread that waits for it; the loop only starts the thread. How many
may be alive at once, and that a channel has one at most, is the outbox's affair.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress

from nightheron.model import JsonValue

DEADLINE_S = 30.0
ANSWER_MOST = 65_536
COURIER = "nightheron.notify.courier"
DIGEST = "nightheron.runtime.digest"
DIGEST_DEADLINE_S = 300.0
Done = Callable[[str, str], object]
"""Told the channel's label, and why not, or nothing when the service accepted the batch."""
Ready = Callable[[bytes], object]
"""Told what the child that composes the digest said; nothing when it failed."""


class Couriers:
    """Never blocks the caller and never raises; ``done`` is called in the courier's own thread."""

    def __init__(self, done: Done, deadline_s: float = DEADLINE_S) -> None:
        self._done, self._deadline_s = done, deadline_s
        self._alive: dict[str, subprocess.Popen[bytes]] = {}
        self._lock = threading.Lock()
        self._ending = False

    def send(self, label: str, url: str, messages: Sequence[Mapping[str, JsonValue]]) -> None:
        """Hand one batch to one service."""
        job: dict[str, JsonValue] = {"url": url, "messages": [dict(one) for one in messages]}
        self._start(label, self._run, label, job)

    def beat(self, label: str, url: str) -> None:
        """Ask the heartbeat's address once."""
        self._start(label, self._run, label, {"url": url, "messages": [], "heartbeat": True})

    def digest(self, job: Mapping[str, JsonValue], ready: Ready) -> None:
        """Have the morning's digest composed."""
        if not self._start("digest", self._compose, job, ready):
            ready(b"")

    def stop(self) -> None:
        """Kill what is on its way; it is told again by the next run."""
        with self._lock:
            self._ending = True
            for child in self._alive.values():
                child.kill()

    def _start(self, label: str, run: Callable[..., None], *given: object) -> bool:
        thread = threading.Thread(target=run, args=given, name=f"courier-{label}", daemon=True)
        try:
            thread.start()
        except RuntimeError:  # no more threads to be had
            if run == self._run:
                self._done(label, "no courier could be started")
            return False
        return True

    def _compose(self, job: Mapping[str, JsonValue], ready: Ready) -> None:
        answer = b""
        try:
            answer, _ = self._carry("digest", DIGEST, job, DIGEST_DEADLINE_S)
        except OSError:
            pass  # nothing is said for it
        finally:
            ready(answer)

    def _run(self, label: str, job: Mapping[str, JsonValue]) -> None:
        why_not = "no courier could be started"
        try:
            why_not = _why_not(*self._carry(label, COURIER, job, self._deadline_s), self._deadline_s)
        except OSError:
            pass  # said above
        finally:
            self._done(label, why_not)

    def _carry(
        self, label: str, module: str, job: Mapping[str, JsonValue], deadline_s: float
    ) -> tuple[bytes, int]:
        """Run one child to its end; what it said, and its exit code. Raises OSError."""
        with self._lock:
            if self._ending:
                raise OSError("the service stops")
            child = subprocess.Popen(  # noqa: S603 - our own program
                [sys.executable, "-m", module],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=_environment(),
            )
            self._alive[label] = child
        if child.stdin is None or child.stdout is None:
            raise OSError("a courier without its pipes")
        late = threading.Timer(deadline_s, child.kill)
        late.daemon = True
        late.start()
        try:
            # Its stdin stays open: a courier ends when the guard's end of it is gone.
            with suppress(BrokenPipeError):
                child.stdin.write(json.dumps(job).encode() + b"\n")
                child.stdin.flush()
            answer = child.stdout.read(ANSWER_MOST)
            child.wait()
        finally:
            late.cancel()
            child.kill()
            child.wait()
            child.stdout.close()
            with suppress(BrokenPipeError):
                child.stdin.close()
            with self._lock:
                self._alive.pop(label, None)
        return answer, child.returncode


def _why_not(answer: bytes, code: int, deadline_s: float) -> str:
    try:
        said = json.loads(answer)["why_not"]
    except (ValueError, KeyError, TypeError):
        said = None
    if isinstance(said, str):
        return said[:200]
    return f"no answer within {deadline_s:.0f} s" if code < 0 else f"the courier failed ({code})"


def _environment() -> dict[str, str]:
    """Ours without what is for us alone."""
    ours = ("NIGHTHERON_", "NOTIFY_SOCKET", "WATCHDOG_", "LISTEN_", "CREDENTIALS_DIRECTORY")
    return {name: value for name, value in os.environ.items() if not name.startswith(ours)}
