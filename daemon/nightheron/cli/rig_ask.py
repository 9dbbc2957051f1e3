"""Ask a rig that plays: one line to its socket, one line back."""

from __future__ import annotations

import socket
from pathlib import Path

PATIENCE_S = 3.0
ANSWER_MOST = 65_536


def ask(path: Path, line: str) -> str:
    """What the rig said. OSError when none answers in time."""
    with socket.socket(socket.AF_UNIX) as link:
        link.settimeout(PATIENCE_S)
        link.connect(str(path))
        link.sendall(line.encode("ascii", "replace") + b"\n")
        got = b""
        while not got.endswith(b"\n") and len(got) < ANSWER_MOST:
            more = link.recv(4096)
            if not more:
                break
            got += more
    if not got:
        raise ConnectionError("it hung up")
    return got.decode("ascii", "replace").strip()
