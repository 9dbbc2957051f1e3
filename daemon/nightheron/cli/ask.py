"""Ask the running service through its control socket. Light: the standard library only."""

from __future__ import annotations

import argparse
import json
import os
import socket
import sys
from typing import Any

UNREACHABLE = 3
USAGE = 2
FINDING = 1
PATIENCE_S = 4.0
ANSWER_MOST = 16 * 1024 * 1024


class CannotAsk(Exception):  # noqa: N818 - its text is the whole answer
    """The service cannot be reached or asked; ``code`` is the exit code."""

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


def ask(args: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
    """One request, one answer. Raises CannotAsk."""
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import data_dir_of

    try:
        path = str(data_dir_of(args.config, os.environ) / "control.sock")
    except BadConfiguration as fault:
        raise CannotAsk(str(fault), USAGE) from None
    try:
        answer = json.loads(_exchange(path, json.dumps(request).encode() + b"\n"))
    except PermissionError:
        raise CannotAsk(
            f"You may not use {path}: it is for the service's user and group; run this as one of them.",
            UNREACHABLE,
        ) from None
    except (FileNotFoundError, ConnectionRefusedError):
        raise CannotAsk(
            f"The service is not running here (nothing answers at {path}); whether gas is shut cannot "
            "be known from here: look at the valve. "
            "Start it with: systemctl start nightheron, or nightheron run",
            UNREACHABLE,
        ) from None
    except (OSError, ValueError) as fault:
        raise CannotAsk(
            f"The service did not answer at {path} ({fault}); look at its log, or restart it.", UNREACHABLE
        ) from None
    if not isinstance(answer, dict):
        raise CannotAsk(f"What answers at {path} is not the service.", UNREACHABLE)
    return answer


def _exchange(path: str, request: bytes) -> bytes:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(PATIENCE_S)
        link.connect(path)
        link.sendall(request)
        parts, size = [], 0
        while part := link.recv(1 << 16):
            parts.append(part)
            size += len(part)
            if size > ANSWER_MOST:
                raise ValueError("the answer is too long")
    return b"".join(parts)


def act(args: argparse.Namespace, request: dict[str, Any]) -> tuple[int, dict[str, Any] | None]:
    """Ask for an act and say on stderr why it was not done; (exit code, the chamber afterwards)."""
    try:
        answer = ask(args, request)
    except CannotAsk as fault:
        print(fault, file=sys.stderr)
        return fault.code, None
    if not answer.get("ok"):
        no_such = ("there is no chamber", "there is no alarm")
        unknown = str(answer.get("error", "")).startswith(no_such) or answer.get("usage")
        print(f"Not done: {answer.get('error')}.", file=sys.stderr)
        return USAGE if unknown else FINDING, None
    status = answer.get("status", {})
    named = (one for one in status.get("chambers", []) if one.get("name") == request.get("chamber"))
    return 0, {**next(named, {}), "timezone": status.get("timezone")}


def untaken_lines(chamber: dict[str, Any]) -> list[str]:
    """What to do when the valve has not taken the order to close; nothing when it has, or has had no time."""
    from nightheron.cli.order_text import urgent_text
    from nightheron.cli.times import times
    from nightheron.runtime.clock import Clock

    return urgent_text(chamber, times(chamber.get("timezone"), Clock().utc())) if "gas" in chamber else []
