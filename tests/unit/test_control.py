"""The control socket."""

from __future__ import annotations

import errno
import json
import os
import pwd
import socket
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from nightheron.model import Act
from nightheron.runtime.clock import Clock
from nightheron.runtime.control import AGAIN_S, REQUEST_MOST, Control
from nightheron.runtime.inbox import ActFor, Inbox


class Served:
    """A control socket with a loop behind it that answers acts, or does not."""

    def __init__(self, directory: Path) -> None:
        self.path = directory / "control.sock"
        self.inbox = Inbox()
        self.acts: list[ActFor] = []
        self.refusal: str | None = None
        self.answers = True
        self.control = Control(directory, self.inbox, lambda: {"site": "test"}, Clock())
        self.control.start()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._loop, daemon=True)
        self._thread.start()

    def _loop(self) -> None:
        while not self._ending.wait(0.01):
            for item in self.inbox.take()[1]:
                if isinstance(item, ActFor):
                    self.acts.append(item)
                    if self.answers:
                        item.reply.give(self.refusal)

    def send(self, data: bytes) -> bytes:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(20)
            link.connect(str(self.path))
            link.sendall(data)
            parts = []
            while part := link.recv(65536):
                parts.append(part)
        return b"".join(parts)

    def ask(self, request: object) -> dict[str, Any]:
        answer = json.loads(self.send(json.dumps(request).encode() + b"\n"))
        assert isinstance(answer, dict)
        return answer

    def close(self) -> None:
        self._ending.set()
        self._thread.join(5)
        self.control.stop()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    one = Served(tmp_path)
    yield one
    one.close()


def test_only_user_and_group_may_use_it(served: Served) -> None:
    """The socket's mode is 0660."""
    assert stat.S_IMODE(served.path.stat().st_mode) == 0o660


def test_status_is_answered(served: Served) -> None:
    """A status request gets the status."""
    assert served.ask({"ask": "status"}) == {"ok": True, "status": {"site": "test"}}


def test_an_act_names_who_the_kernel_says(served: Served) -> None:
    """Who acted is the peer's user, whatever the request claims."""
    answer = served.ask({"act": "service_on", "chamber": "west", "why": "clean", "for_s": 60, "who": "root2"})
    assert answer["ok"]
    (item,) = served.acts
    assert item.act.who == pwd.getpwuid(os.getuid()).pw_name
    assert (item.act.act, item.act.why, item.act.for_s) == (Act.SERVICE_ON, "clean", 60.0)


def test_a_refusal_comes_back_with_its_reason(served: Served) -> None:
    """The loop's refusal is the answer."""
    served.refusal = "floor still holds"
    answer = served.ask({"act": "release", "chamber": "west"})
    assert (answer["ok"], answer["error"]) == (False, "floor still holds")


def test_a_loop_that_does_not_answer_is_not_waited_for_long(served: Served) -> None:
    """An unanswered act ends within its deadline and says so."""
    served.answers = False
    answer = served.ask({"act": "close", "chamber": "west"})
    assert not answer["ok"]
    assert "did not answer" in answer["error"]


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"\n",
        b"nonsense\n",
        b"[]\n",
        b"1\n",
        b'{"act":"open","chamber":"west"}\n',
        b'{"act":"release"}\n',
        b'{"act":"service_on","chamber":"west","for_s":NaN}\n',
        b'{"act":"service_on","chamber":"west","for_s":-1}\n',
        b'{"act":"service_on","chamber":"west","for_s":true}\n',
        b'{"act":"service_on","chamber":"west","why":7}\n',
        b"x" * (REQUEST_MOST + 10),
        b"\xff\xfe\n",
        b"[" * 4000 + b"\n",
    ],
)
def test_bad_requests_are_refused_and_do_nothing(served: Served, request_bytes: bytes) -> None:
    """Nothing malformed becomes an act, and the next request is answered."""
    try:
        answer = served.send(request_bytes)
        assert answer == b"" or json.loads(answer)["ok"] is False
    except ConnectionResetError:
        pass  # it hung up on a request that was too long
    assert served.acts == []
    assert served.ask({"ask": "status"})["ok"]


def test_a_dripping_client_does_not_keep_others_out(served: Served) -> None:
    """A client that sends a byte now and then loses its turn after the deadline."""
    ending = threading.Event()

    def drip() -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.connect(str(served.path))
            while not ending.wait(0.1):
                try:
                    link.sendall(b"x")
                except OSError:
                    return

    thread = threading.Thread(target=drip, daemon=True)
    thread.start()
    time.sleep(0.3)
    began = time.monotonic()
    assert served.ask({"ask": "status"})["ok"]
    assert time.monotonic() - began < 15
    ending.set()
    thread.join(10)


def test_text_that_is_no_utf8_closes_all_the_same(served: Served) -> None:
    """A word typed on a terminal of another encoding is kept escaped, and the act is done."""
    typed = "D\udcfcse"
    assert served.ask({"chamber": "west", "act": "close", "why": typed})["ok"]
    assert served.acts[0].act.why == "D\\udcfcse"


def test_a_name_that_is_no_utf8_ends_no_thread(served: Served) -> None:
    """Half a character in a request, or in an answer, costs no later client its answer."""
    served.refusal = 'there is no chamber "w\udcff"'
    assert served.ask({"chamber": "w\udcff", "act": "close"})["error"] == served.refusal
    assert served.ask({"ask": "status"})["ok"]


def test_a_want_of_descriptors_is_waited_out(tmp_path: Path) -> None:
    """While no client can be taken in, the thread rests between tries, and serves when it can again."""
    control = Control(tmp_path, Inbox(), lambda: {"site": "test"}, Clock())
    real, tries = control._socket, 0

    class Short:
        """A socket for which there is no descriptor at first."""

        def accept(self) -> tuple[socket.socket, object]:
            nonlocal tries
            tries += 1
            if tries < 3:
                raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
            return real.accept()

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

    control._socket = Short()  # type: ignore[assignment] # stands in for the real one
    began = time.monotonic()
    control.start()
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(20)
            link.connect(str(tmp_path / "control.sock"))
            link.sendall(b'{"ask": "status"}\n')
            assert json.loads(link.recv(65536))["ok"]
        assert time.monotonic() - began >= 2 * AGAIN_S * 0.9
    finally:
        control.stop()
