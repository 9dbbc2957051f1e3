"""Names of brokers to addresses, in a thread: a name server may take as long as it likes.

Whoever asks gets the last known answer at once, or None while there is none. A process that holds
valves never looks up a name; it is handed an address.
"""

from __future__ import annotations

import ipaddress
import socket
import threading

FRESH_S = 30.0
AGAIN_S = 2.0


class Resolver:
    """``address(host)`` answers at once. The thread starts with the first name that is no address."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[str, str | None] = {}
        self._ending = threading.Event()
        self._asked = threading.Event()
        self._thread: threading.Thread | None = None

    def address(self, host: str) -> str | None:
        """The latest address of ``host``, or None when it is not known yet."""
        if _is_address(host):
            return host
        with self._lock:
            if host not in self._known:
                self._known[host] = None
                self._asked.set()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="names", daemon=True)
                self._thread.start()
            return self._known[host]

    def stop(self) -> None:
        """Look nothing up any more; waits for nothing."""
        self._ending.set()
        self._asked.set()

    def _run(self) -> None:
        while not self._ending.is_set():
            self._asked.clear()
            with self._lock:
                hosts = list(self._known)
            missing = False
            for host in hosts:
                found = look_up(host)
                missing = missing or found is None
                if found is not None:
                    with self._lock:
                        self._known[host] = found
            self._asked.wait(AGAIN_S if missing else FRESH_S)


def look_up(host: str) -> str | None:
    """An address of ``host``, asked of the system, which may take its time; None when it has none.

    IPv4 before IPv6: ``localhost`` has both, and a broker kept to this machine often listens on 127.0.0.1
    alone. A keeper is given one address and does not try the next.
    """
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        return None
    found.sort(key=lambda one: one[0] != socket.AF_INET)
    return str(found[0][4][0]) if found else None


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
