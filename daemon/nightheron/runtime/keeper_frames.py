"""What goes over the socket between guard and keeper, and what is refused there.

``take`` carries its broker and plans in a memory file beside the frame, so that a frame stays small
whatever the number of valves and the length of a password, and none stands on a command line.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
from collections.abc import Sequence
from typing import Any

FRAME_MOST = 512
"""The longest frame, in bytes."""
PLANS_MOST = 4 * 1024 * 1024
"""The longest broker and list of plans, in bytes."""

LEASE_MOST_S = 3600

FRAMES_MOST = 4096
"""The most frames taken before they are acted upon."""


class BadFrameError(Exception):
    """A frame that no sound guard sends."""


def drain(guard: socket.socket, valves: int) -> tuple[list[tuple[int, str, list[Any]]], bool]:
    """All frames that wait, and whether the other end is gone. Raises BadFrameError."""
    frames: list[tuple[int, str, list[Any]]] = []
    with contextlib.suppress(BlockingIOError):
        while len(frames) < FRAMES_MOST:
            try:
                data, fds, flags, _ = socket.recv_fds(guard, FRAME_MOST + 1, 1)
            except ConnectionError:
                data, fds, flags = b"", [], 0
            if not data:
                return frames, True
            if len(data) > FRAME_MOST or flags & (socket.MSG_CTRUNC | socket.MSG_TRUNC):
                raise BadFrameError("a frame is too long, or brings more than one descriptor")
            frames.append(parse(data, fds, valves))
    return frames, False


def parse(data: bytes, fds: Sequence[int], valves: int) -> tuple[int, str, list[Any]]:
    """Number, verb and arguments of one frame. Raises BadFrameError. Closes every descriptor it was given."""
    beside: list[Any] = []
    try:
        frame = json.loads(data)
        if not isinstance(frame, list) or len(frame) < 2:
            raise ValueError("not an array of a number and a verb")
        number, verb, *args = frame
        if verb == "take" and len(fds) == 1:
            beside = _read_plans(fds[0])
        elif fds:
            raise ValueError("a descriptor that no verb asks for")
    except (ValueError, RecursionError) as error:
        raise BadFrameError(f"not a frame: {error}"[:200]) from None
    finally:
        for fd in fds:
            os.close(fd)
    if type(number) is not int or number < 1 or not isinstance(verb, str):
        raise BadFrameError("a frame begins with a number above 0 and a verb")
    args += beside
    _check(verb, args, valves)
    return number, verb[:40], args


def _read_plans(fd: int) -> list[Any]:
    data = os.pread(fd, PLANS_MOST + 1, 0)
    both = json.loads(data) if len(data) <= PLANS_MOST else None
    if not isinstance(both, list) or len(both) != 2:
        raise ValueError("a broker and plans go together")
    plans = both[1]
    if not isinstance(plans, list) or not plans or not all(_is_plan(plan) for plan in plans):
        raise ValueError("plans are a list of objects with id and lease_s")
    return both


def _is_plan(plan: Any) -> bool:
    if not isinstance(plan, dict) or not isinstance(plan.get("id"), str):
        return False
    lease_s = plan.get("lease_s")
    return isinstance(lease_s, int | float) and 0 < lease_s <= LEASE_MOST_S


def _check(verb: str, args: list[Any], valves: int) -> None:
    """The shape of the arguments; an unknown verb is left to the table of verbs."""
    shapes: dict[str, tuple[tuple[type, ...], ...]] = {
        "take": ((str,), (str,), (dict, type(None)), (list,)),
        "open_until": ((int,), (int,)),
        "close": ((int,),),
        "end": (),
    }
    shape = shapes.get(verb)
    if shape is None:
        return
    if len(args) != len(shape) or any(type(arg) not in types for arg, types in zip(args, shape, strict=True)):
        raise BadFrameError(f"wrong arguments for {verb}")
    # While waiting there are no valves; the wrong phase is then the better answer.
    if verb in ("open_until", "close") and valves and not 0 <= args[0] < valves:
        raise BadFrameError(f"there is no valve {args[0]}")
