"""The control socket: one request, one answer, one thread, and the loop is never waited on for long.

Whoever may write to the socket (its group) may ask and act; who it was is taken from the kernel and
written down. A slow or silent client costs itself its two seconds and nobody else anything that
matters: the loop does not know that this thread exists.
"""

from __future__ import annotations

import json
import os
import pwd
import socket
import struct
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from nightheron.model import NS, Act, Acted, JsonValue, Work
from nightheron.runtime.clock import ClockPort
from nightheron.runtime.inbox import ActFor, AlarmAct, Inbox, Reply

SOCKET = "control.sock"
REQUEST_MOST = 4096
PATIENCE_S = 2.0
AGAIN_S = 0.5
TEXT_MOST = 400
FOR_MOST_S = 14 * 86400.0
ALARM_ACTS = ("ack", "shelve", "out_of_service", "drill")
NOT_YOURS = "only the service's own user or root may archive the journal"
Answer = dict[str, JsonValue]


class BadRequest(Exception):  # noqa: N818 - named for what it says
    """The request cannot be understood; the message says why."""


class Control:
    """Serves ``<data_dir>/control.sock`` until ``stop``."""

    def __init__(
        self,
        data_dir: Path,
        inbox: Inbox,
        status: Callable[[], Answer],
        clock: ClockPort,
        seal: Callable[[Mapping[str, Any], str], str | None] | None = None,
    ) -> None:
        self._path, self._inbox, self._status, self._clock = data_dir / SOCKET, inbox, status, clock
        self._seal = seal
        self._ending = threading.Event()
        self._path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        self._thread = threading.Thread(target=self._run, name="control", daemon=True)

    def start(self) -> None:
        """Take the name and begin to answer."""
        before = os.umask(0o117)
        try:
            self._socket.bind(str(self._path))
        finally:
            os.umask(before)
        self._socket.listen(16)
        self._socket.settimeout(0.5)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """The thread runs."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """Take the name away and stop answering; waits for nobody."""
        self._ending.set()
        self._path.unlink(missing_ok=True)
        self._socket.close()

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                peer, _ = self._socket.accept()
            except TimeoutError:
                continue
            except OSError:
                # Out of descriptors, say: asking again at once would take the time the loop needs.
                self._ending.wait(AGAIN_S)
                continue
            with peer:
                self._serve(peer)

    def _serve(self, peer: socket.socket) -> None:
        try:
            answer = self._answer(_read(peer, self._clock), _who(peer), _uid(peer))
        except BadRequest as fault:
            answer = {"ok": False, "error": str(fault), "usage": True}
        except (OSError, ValueError, RecursionError):
            return  # it went away, or spoke nothing we know: it gets no answer
        except Exception as fault:  # a request must not end the thread that answers the next one
            answer = {"ok": False, "error": f"the service could not answer ({type(fault).__name__})"}
        try:
            peer.settimeout(PATIENCE_S)
            peer.sendall(json.dumps(answer).encode() + b"\n")
        except OSError:
            return

    def _answer(self, request: Mapping[str, Any], who: str, uid: int) -> Answer:
        if request.get("ask") == "status":
            return {"ok": True, "status": self._status()}
        if request.get("ask") == "seal" and self._seal is not None:
            # It lets entries go: only for those who could remove the file itself.
            refused = self._seal(request, who) if uid in (0, os.geteuid()) else NOT_YOURS
            return {"ok": refused is None, "error": refused}
        reply = Reply()
        item = _alarm_act(request, who, reply) or _chamber_act(request, who, reply)
        if not self._inbox.post(item):
            return {"ok": False, "error": "the service is too busy; nothing was changed, try again"}
        answered, refused = reply.wait(PATIENCE_S)
        if not answered:
            return {
                "ok": False,
                "error": "the service did not answer within 2 s; look at status before trying again",
            }
        return {"ok": refused is None, "error": refused, "status": self._status()}


def _chamber_act(request: Mapping[str, Any], who: str, reply: Reply) -> ActFor:
    chamber, act = request.get("chamber"), _act(request, who)
    if not isinstance(chamber, str):
        raise BadRequest("the request names no chamber")
    return ActFor(chamber, act, reply)


def _alarm_act(request: Mapping[str, Any], who: str, reply: Reply) -> AlarmAct | None:
    """None when it is about a chamber."""
    act, names, why = request.get("act"), request.get("alarms"), request.get("why", "")
    if act not in ALARM_ACTS:
        return None
    wanted = names is None and act in ("ack", "drill")
    if not wanted and not (isinstance(names, list) and names and all(isinstance(one, str) for one in names)):
        raise BadRequest("the request names no alarm")
    if not isinstance(why, str) or len(why) > TEXT_MOST:
        raise BadRequest(f"why must be text of at most {TEXT_MOST} characters")
    for_s = _for_s(request.get("for_s"))
    if act in ("shelve", "out_of_service") and (for_s is None or not why.strip()):
        raise BadRequest("to set an alarm aside takes a time and a reason")
    found = None if names is None else tuple(_writable(one) for one in names)
    return AlarmAct(str(act), found, who, reply, why, for_s)


def _for_s(asked: object) -> float | None:
    if asked is None:
        return None
    if isinstance(asked, bool) or not isinstance(asked, int | float) or not 0 < asked <= FOR_MOST_S:
        raise BadRequest("the time asked for must lie between now and 14 days ahead")
    return float(asked)


def _act(request: Mapping[str, Any], who: str) -> Acted:
    try:
        act = Act(str(request.get("act")))
    except ValueError:
        raise BadRequest("the request asks for nothing this service knows") from None
    why, for_s = request.get("why", ""), request.get("for_s")
    if not isinstance(why, str) or len(why) > TEXT_MOST:
        raise BadRequest(f"why must be text of at most {TEXT_MOST} characters")
    return Acted(0, act, who, why, _for_s(for_s), _work(request.get("work")))


def _work(named: object) -> Work | None:
    try:
        return None if named is None else Work(str(named))
    except ValueError:
        raise BadRequest(f"work is one of {', '.join(Work)}") from None


def _read(peer: socket.socket, clock: ClockPort) -> Mapping[str, Any]:
    data, until_ns = b"", clock.now_ns() + round(PATIENCE_S * NS)
    while not data.endswith(b"\n"):
        # The whole request has one deadline: a client that drips must not keep the others out.
        peer.settimeout(max(0.001, (until_ns - clock.now_ns()) / NS))
        part = peer.recv(REQUEST_MOST)
        data += part
        if not part or len(data) > REQUEST_MOST:
            break
    if len(data) > REQUEST_MOST:
        raise BadRequest(f"a request has at most {REQUEST_MOST} bytes")
    try:
        request = json.loads(data)
    except ValueError:
        raise BadRequest("a request is one line of JSON") from None
    if not isinstance(request, dict):
        raise BadRequest("a request is one JSON object")
    return {key: _writable(value) if isinstance(value, str) else value for key, value in request.items()}


def _writable(text: str) -> str:
    """Half a character, as a terminal of another encoding sends, has no UTF-8: it is shown escaped."""
    return text.encode("utf-8", "backslashreplace").decode()


def _who(peer: socket.socket) -> str:
    """Name of the user at the other end, as the kernel knows it."""
    uid = _uid(peer)
    try:
        return _writable(pwd.getpwuid(uid).pw_name)
    except KeyError:
        return f"uid {uid}"


def _uid(peer: socket.socket) -> int:
    """User id at the other end, as the kernel knows it."""
    packed = peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", packed)
    return int(uid)
