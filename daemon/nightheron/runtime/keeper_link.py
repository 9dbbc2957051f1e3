"""One keeper process as the guard sees it: frames out, answers in, and how long it has been silent."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from typing import Any

from nightheron.runtime.keeper_frames import FRAME_MOST

IN_FLIGHT_MOST = 64
"""Unanswered frames; more orders wait here, one a valve, the newest."""
SNDBUF_BYTES = 128 * 1024
"""Holds IN_FLIGHT_MOST frames with the kernel's own cost of each."""

ENDED = [0, "ended", ""]


class KeeperProcess:
    """Started as a spare. No call blocks; a keeper that does not take or answer frames is ``lost``."""

    def __init__(self, modules: Sequence[str], now_ns: int) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SNDBUF_BYTES)
        environment = {key: value for key, value in os.environ.items() if not key.startswith("NIGHTHERON_")}
        environment.pop("NOTIFY_SOCKET", None)
        with theirs:
            fd = theirs.fileno()
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                [sys.executable, "-m", "nightheron.runtime.keeper", str(fd), *modules],
                pass_fds=[fd],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                env=environment,
            )
        self.pid = self._process.pid
        self.born_ns = now_ns
        self.here = False
        """It has imported all it needs and waits for frames."""
        self.lost = ""
        self._socket: socket.socket | None = ours
        self._number = 0
        self._sent_ns: dict[int, int] = {}
        self._waiting: dict[int, tuple[int, ...]] = {}

    def fileno(self) -> int | None:
        """What to select on; None once it is lost."""
        return self._socket.fileno() if self._socket is not None else None

    def unanswered_since(self) -> int | None:
        """When the oldest frame without an answer was sent."""
        return min(self._sent_ns.values(), default=None)

    def take(self, holder: str, broker: Any, own: str, plans: Any, now_ns: int) -> None:
        """Make the spare the holder of these valves."""
        fd = os.memfd_create("plans", os.MFD_CLOEXEC)
        with os.fdopen(fd, "wb") as file:
            file.write(json.dumps([broker, plans]).encode())
            file.flush()
            self._send("take", (holder, own), now_ns, [file.fileno()])

    def open_until(self, valve: int, until_ns: int, now_ns: int) -> None:
        """Let one valve be open until then."""
        self._order(valve, (until_ns,), now_ns)

    def close(self, valve: int, now_ns: int) -> None:
        """Close one valve; also the question whether the keeper is there."""
        self._order(valve, (), now_ns)

    def end(self, now_ns: int) -> None:
        """Close all and leave."""
        self._waiting.clear()
        self._send("end", (), now_ns)

    def _order(self, valve: int, until: tuple[int, ...], now_ns: int) -> None:
        if until and len(self._sent_ns) >= IN_FLIGHT_MOST:
            self._waiting[valve] = until
            return
        # A CLOSE never waits: if the socket is full the keeper is lost, and its successor closes.
        self._waiting.pop(valve, None)
        self._send("open_until" if until else "close", (valve, *until), now_ns)

    def _send(self, verb: str, args: tuple[Any, ...], now_ns: int, fds: Sequence[int] = ()) -> None:
        if self._socket is None:
            return
        self._number += 1
        data = json.dumps([self._number, verb, *args]).encode()
        if len(data) > FRAME_MOST:
            raise ValueError(f"a {verb} frame of {len(data)} bytes is longer than {FRAME_MOST}")
        try:
            socket.send_fds(self._socket, [data], fds)
            self._sent_ns[self._number] = now_ns
        except OSError as error:
            self.lost = self.lost or f"it takes no orders: {error.strerror}"

    def hear(self, now_ns: int) -> list[list[Any]]:
        """The frames that arrived; at the end of the socket, ENDED."""
        frames: list[list[Any]] = []
        while self._socket is not None and len(frames) < 10 * IN_FLIGHT_MOST:
            try:
                data = self._socket.recv(4096)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                self.lost = self.lost or "it ended"
                frames.append(ENDED)
                break
            frame = json.loads(data)
            if frame[0]:
                self._sent_ns.pop(frame[0], None)
            elif frame[1] == "here":
                self.here = True
            frames.append(frame)
        while self._waiting and len(self._sent_ns) < IN_FLIGHT_MOST and not self.lost:
            valve = next(iter(self._waiting))
            self._order(valve, self._waiting.pop(valve), now_ns)
        return frames

    def kill(self) -> None:
        """SIGKILL, and close the socket; reaped by ``gone``."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def gone(self) -> bool:
        """True when the process has ended (and is reaped)."""
        return self._process.poll() is not None
