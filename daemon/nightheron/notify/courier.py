"""The courier: a short-lived child that hands one batch to one push service, and ends.

    python -m nightheron.notify.courier        one JSON object on stdin, one on stdout

It is killed at its deadline by whoever started it, kills itself a little later should that one be gone,
and ends when its stdin does. Its stderr goes nowhere: a library may put a token into what it prints.
Only here is the push library loaded, so that it can hang or break nothing but itself.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import threading
from typing import Any

DEADLINE_S = 30
MEMORY_MOST = 128 << 20
"""Beyond this it fails by itself: the kernel's way of ending it would end the whole service with it."""
LINE_MOST = 1 << 20
HEARTBEAT_S = 10.0
PICTURE_MOST_BYTES = 300_000


def main() -> int:
    """0 when the service accepted everything, 1 when it did not, 2 when nothing could be tried."""
    signal.setitimer(signal.ITIMER_REAL, DEADLINE_S + 2)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_MOST, MEMORY_MOST))
    try:
        job = json.loads(sys.stdin.buffer.readline(LINE_MOST))
        url, messages = str(job["url"]), list(job["messages"])
    except (ValueError, KeyError, TypeError):
        return 2
    threading.Thread(target=_end_with_stdin, daemon=True).start()
    # What a service or a library prints must not be taken for the answer.
    answer_fd = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        why_not = beat(url) if job.get("heartbeat") else tell(url, messages)
    except (
        Exception
    ) as fault:  # whatever a service's part of the library raises; its text may hold the address
        why_not = f"it failed ({type(fault).__name__})"
    os.write(answer_fd, json.dumps({"why_not": why_not}).encode())
    return 1 if why_not else 0


def tell(url: str, messages: list[dict[str, Any]]) -> str:
    """Hand each message over; empty when the service accepted all, else why not, without the address."""
    import logging

    logging.disable(logging.CRITICAL)
    import apprise
    import requests

    _refuse_changed_redirects(requests)
    service = apprise.Apprise()
    if service.add(url) is not True or len(service) != 1:
        return "the push library does not know this kind of address"
    for one in messages:
        kind = apprise.NotifyType.FAILURE if one.get("wakes") else apprise.NotifyType.INFO
        words: dict[str, Any] = {
            "title": str(one["title"]),
            "body": str(one["body"]) or "-",
            "notify_type": kind,
        }
        picture = _picture(one.get("attach")) if service[0].attachment_support else None
        # An object that is true also when one of several failed.
        said = service.notify(**words, attach=picture)
        if picture is not None and said.status is not apprise.AppriseResultStatus.SUCCESS:
            said = service.notify(**words)  # the words matter more
        if said.status is not apprise.AppriseResultStatus.SUCCESS:
            return "the service did not accept it"
    return ""


def _picture(path: object) -> str | None:
    """A file that may go along: there, and small enough for any service."""
    try:
        if isinstance(path, str) and 0 < os.stat(path).st_size <= PICTURE_MOST_BYTES:  # noqa: PTH116 - given as text
            return path
    except OSError:
        pass  # it goes without
    return None


def beat(url: str) -> str:
    """Ask the heartbeat's address; any answer of the 200s is one."""
    from urllib.request import urlopen

    with urlopen(url, timeout=HEARTBEAT_S) as answer:  # noqa: S310 - http and https only, by the settings
        return "" if 200 <= answer.status < 300 else f"answer {answer.status}"


def _refuse_changed_redirects(requests: Any) -> None:
    """A redirect that turns our message into a mere question delivers nothing, whatever is answered then:
    a login page of a network says 200 to everything."""
    real = requests.Session.rebuild_method

    def rebuild_method(self: Any, prepared: Any, response: Any) -> None:
        before = prepared.method
        real(self, prepared, response)
        if prepared.method != before:
            raise requests.TooManyRedirects("a redirect that would drop the message")

    requests.Session.rebuild_method = rebuild_method


def _end_with_stdin() -> None:
    """The guard holds the other end while it lives."""
    # Not through sys.stdin: its lock would still be held here when main ends, and Python aborts on that.
    while os.read(0, 4096):
        pass
    os._exit(1)


if __name__ == "__main__":
    sys.exit(main())
