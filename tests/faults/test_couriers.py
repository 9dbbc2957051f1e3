"""Couriers and services that misbehave: each ends in time, says what happened, and holds nobody up."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time

import pytest
from nightheron.model import JsonValue
from nightheron.runtime.couriers import COURIER, Couriers

from tests.support.devices import wait_until
from tests.support.endpoint import Endpoint

DEADLINE_S = 12.0
HANGING = ("slow", "never", "drip")
PROMPT = ("ok", "500", "reset", "redirect", "large", "endless")
MESSAGE: dict[str, JsonValue] = {"title": "west: a try", "body": "nothing\nwest-1 No. 1", "wakes": True}
SECRET = "canary-7c1d"  # noqa: S105 - an invented word that must never be printed


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
    return port


@pytest.fixture(scope="module")
def outcomes() -> dict[str, tuple[str, float]]:
    """What a courier says of each kind of service, and how long that took."""
    said: dict[str, tuple[str, float]] = {}
    begun = time.monotonic()

    def done(label: str, why_not: str) -> None:
        said[label] = (why_not, time.monotonic() - begun)

    with Endpoint() as endpoint:
        hanging, prompt = Couriers(done, DEADLINE_S), Couriers(done, 40.0)
        for path in HANGING:
            hanging.send(path, f"{endpoint.url(path)}?+X-Token={SECRET}", [MESSAGE])
        assert time.monotonic() - begun < 1.0, "starting couriers must not wait for them"
        urls = {path: f"{endpoint.url(path)}?+X-Token={SECRET}" for path in PROMPT}
        urls["refused"] = f"json://127.0.0.1:{free_port()}/{SECRET}"
        urls["unknown"] = f"nosuchservice://{SECRET}"
        for path, url in urls.items():
            prompt.send(path, url, [MESSAGE])
            wait_until(lambda path=path: path in said, 60, f"the courier to {path} back")  # type: ignore[misc]  # bound now
        wait_until(lambda: said.keys() >= {*HANGING}, 60, f"every courier back ({said})")
        said["login was asked"] = (str("GET login" in endpoint.asked), 0.0)
        said["posted"] = (str(len(endpoint.got)), 0.0)
    return said


@pytest.mark.parametrize("kind", ["ok", "large"])
def test_what_a_service_accepts_is_accepted(outcomes: dict[str, tuple[str, float]], kind: str) -> None:
    """A plain answer, and one of ten megabytes, are acceptance."""
    assert outcomes[kind][0] == ""


@pytest.mark.parametrize(
    "kind", ["500", "reset", "redirect", "endless", "refused", "slow", "never", "drip", "unknown"]
)
def test_what_a_service_does_not_accept_is_not(outcomes: dict[str, tuple[str, float]], kind: str) -> None:
    """Anything but acceptance within the deadline is said to be none, without the address."""
    why_not, took_s = outcomes[kind]
    assert why_not
    assert SECRET not in why_not
    assert kind not in HANGING or took_s < DEADLINE_S + 4.0


def test_a_redirect_to_a_login_page_delivers_nothing(outcomes: dict[str, tuple[str, float]]) -> None:
    """A page that says 200 to everything is never asked in place of the service."""
    assert outcomes["login was asked"][0] == "False"


def test_a_heartbeat_is_asked_and_a_refusal_is_none() -> None:
    """The address is asked once by GET; an answer of the 500s is no beat."""
    said: dict[str, str] = {}
    with Endpoint() as endpoint:
        couriers = Couriers(lambda label, why: said.update({label: why}), 40.0)
        for path in ("alive", "500"):
            couriers.beat(path, f"http://127.0.0.1:{endpoint.port}/{path}")
        wait_until(lambda: len(said) == 2, 60, f"both answers ({said})")
        assert sorted(endpoint.asked) == ["GET 500", "GET alive"]
    assert said["alive"] == ""
    assert "HTTPError" in said["500"]


def test_a_courier_ends_with_its_guard() -> None:
    """A courier that waits for a service that never answers is gone within 5 s of its guard's death."""
    with Endpoint() as endpoint:
        script = (
            "import sys, time; from nightheron.runtime.couriers import Couriers; "
            f"Couriers(print).send('a', {endpoint.url('never')!r}, [{{'title': 't', 'body': 'b'}}]); "
            "time.sleep(60)"
        )
        guard = subprocess.Popen([sys.executable, "-c", script])  # noqa: S603 - our own program
        wait_until(lambda: "POST never" in endpoint.asked, 30, "the courier asked")
        children = subprocess.run(  # noqa: S603 - fixed words and a number
            ["ps", "-o", "pid=,args=", "--ppid", str(guard.pid)],  # noqa: S607 - wherever it is
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        (courier,) = [int(line.split()[0]) for line in children.splitlines() if COURIER in line]
        guard.send_signal(signal.SIGKILL)
        guard.wait(10)
        wait_until(lambda: not _lives(courier), 5, "the courier's end")


def test_a_courier_ends_in_good_order() -> None:
    """After its answer it exits with 0, says nothing more and is not aborted, its stdin still open."""
    with Endpoint() as endpoint:
        courier = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-m", COURIER],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert courier.stdin is not None and courier.stdout is not None and courier.stderr is not None
        courier.stdin.write(json.dumps({"url": endpoint.url(), "messages": [MESSAGE]}).encode() + b"\n")
        courier.stdin.flush()
        said = courier.stdout.read(), courier.stderr.read()
        assert (courier.wait(30), *said) == (0, b'{"why_not": ""}', b"")
        courier.stdin.close()
    assert len(endpoint.got) == 1


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
        with open(f"/proc/{pid}/stat") as stat:  # noqa: PTH123 - a file of the kernel
            return stat.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
