"""A push service on this machine that behaves as its path says: well, or as badly as services do."""

from __future__ import annotations

import json
import socket
import struct
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self

SLOW_S = 60.0


class Endpoint:
    """Serves on 127.0.0.1. ``got`` is what was posted and accepted, ``asked`` every path asked for."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.asked: list[str] = []
        self.refuse = False
        """Answer 500 wherever it would be accepted."""
        self.ending = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                outer.answer(self)

            def do_GET(self) -> None:
                outer.answer(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]

    def __enter__(self) -> Self:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.ending.set()
        self._server.shutdown()
        self._server.server_close()

    def url(self, path: str = "ok") -> str:
        return f"json://127.0.0.1:{self.port}/{path}"

    def titles(self) -> list[str]:
        return [str(one["title"]) for one in self.got]

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        length = int(request.headers.get("Content-Length") or 0)
        body = request.rfile.read(length)
        if len(body) < length:
            return  # it hung up in the middle of the message
        path = request.path.strip("/")
        self.asked.append(f"{request.command} {path}")
        match path:
            case "slow":
                self.ending.wait(SLOW_S)
            case "never":
                self.ending.wait()
            case "reset":
                linger = struct.pack("ii", 1, 0)
                request.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                request.connection.close()
                return
            case "redirect":
                request.send_response(302)
                request.send_header("Location", "/login")
                request.end_headers()
                return
            case "drip":
                request.send_response(200)
                request.end_headers()
                while not self.ending.wait(0.2):
                    try:
                        request.wfile.write(b".")
                    except OSError:
                        return
        try:
            self._say(request, path, body)
        except OSError:
            return  # it hung up meanwhile

    def _say(self, request: BaseHTTPRequestHandler, path: str, body: bytes) -> None:
        heavy = path == "words" and b'"attachments": []' not in body
        bad = path == "500" or self.refuse or heavy
        request.send_response(500 if bad else 200)
        request.end_headers()
        for _ in range({"large": 10, "endless": 10_000}.get(path, 0)):
            request.wfile.write(b"x" * 1_000_000)
        if not bad and request.command == "POST":
            self.got.append(json.loads(body))
