"""Word to systemd."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from nightheron.model import NS
from nightheron.runtime.systemd import Notifier


class Listener:
    """systemd's end of the notify socket."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)

    def all(self) -> list[str]:
        found = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return found


@pytest.fixture
def listener(tmp_path: Path) -> Listener:
    return Listener(tmp_path / "notify")


def test_it_says_what_systemd_waits_for(listener: Listener) -> None:
    """Ready, status, alive and stopping arrive as systemd reads them."""
    notifier = Notifier({"NOTIFY_SOCKET": str(listener.path), "WATCHDOG_USEC": "3000000"})
    notifier.ready()
    notifier.status("2 chambers")
    notifier.status("2 chambers")
    notifier.alive(10 * NS)
    notifier.alive(10 * NS + NS // 2)
    notifier.alive(11 * NS)
    notifier.stopping()
    said = listener.all()
    assert said[:2] == ["READY=1", "STATUS=2 chambers"]
    assert said.count("WATCHDOG=1") == 2
    assert said[-1].startswith("STOPPING=1")


def test_no_child_inherits_the_socket(listener: Listener) -> None:
    """The variables are gone from the environment once read."""
    environ = {"NOTIFY_SOCKET": str(listener.path), "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "HOME": "/"}
    Notifier(environ)
    assert environ == {"HOME": "/"}


def test_a_full_socket_never_blocks(listener: Listener) -> None:
    """When nobody reads, sending goes on without blocking or failing."""
    notifier = Notifier({"NOTIFY_SOCKET": str(listener.path)})
    for number in range(5000):
        notifier.status(str(number))
    assert 0 < len(listener.all()) < 5000


def test_without_systemd_nothing_is_said() -> None:
    """Without a socket, or with one that is not there, every call is harmless."""
    for environ in ({}, {"NOTIFY_SOCKET": "/nowhere/notify", "WATCHDOG_USEC": "x"}):
        notifier = Notifier(dict(environ))
        notifier.ready()
        notifier.alive(NS)
        notifier.stopping()
