"""A TCP connection, with or without TLS, made step by step: paho would block in both."""

from __future__ import annotations

import errno
import os
import socket
import ssl
from collections.abc import Mapping
from typing import Any

NS = 1_000_000_000
TCP_S = 0.5
"""The longest one attempt may wait for the TCP connection."""
TLS_S = 2.0
"""The longest the handshake may take after that."""


def tls_context(broker: Mapping[str, Any]) -> ssl.SSLContext | None:
    """The context for a broker with ``tls``, else None. Raises OSError on unreadable files."""
    if not broker.get("tls"):
        return None
    context = ssl.create_default_context(cafile=broker.get("ca_file"))
    if broker.get("cert_file"):
        context.load_cert_chain(broker["cert_file"], broker.get("key_file"))
    return context


class Dial:
    """One attempt. ``host`` is an address; ``name``, if given, is what the certificate must say."""

    def __init__(self, broker: Mapping[str, Any], tls: ssl.SSLContext | None, now_ns: int) -> None:
        self._name: str = broker.get("name") or broker["host"]
        self._tls = tls
        self._connected = False
        self.wants_write = True
        self.give_up_ns = now_ns + int(TCP_S * NS)
        family = socket.AF_INET6 if ":" in broker["host"] else socket.AF_INET
        self.sock = socket.socket(family, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        self.sock.setblocking(False)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._raise_for(self.sock.connect_ex((broker["host"], broker["port"])))

    def _raise_for(self, code: int) -> None:
        if code not in (0, errno.EINPROGRESS):
            self.sock.close()
            raise OSError(code, os.strerror(code))

    def step(self, now_ns: int) -> bool:
        """True once ``sock`` can be used. Raises OSError when it never will."""
        if not self._connected:
            self._raise_for(self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR))
            self._connected = self._has_peer()
            if self._connected:
                self.give_up_ns = now_ns + int(TLS_S * NS)
                if self._tls is not None:
                    self.sock = self._tls.wrap_socket(
                        self.sock, server_hostname=self._name, do_handshake_on_connect=False
                    )
        if self._connected and self._shaken():
            return True
        if now_ns >= self.give_up_ns:
            raise TimeoutError("nobody answered in time")
        return False

    def _has_peer(self) -> bool:
        try:
            self.sock.getpeername()
        except OSError:
            return False
        return True

    def _shaken(self) -> bool:
        if not isinstance(self.sock, ssl.SSLSocket):
            return True
        try:
            self.sock.do_handshake()
        except ssl.SSLWantReadError:
            self.wants_write = False
            return False
        except ssl.SSLWantWriteError:
            self.wants_write = True
            return False
        return True
