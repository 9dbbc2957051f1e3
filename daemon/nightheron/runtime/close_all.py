"""Close every valve of the last accepted configuration: ``python -m nightheron.runtime.close_all DATA_DIR``.

For the moment after the service has ended, whatever ended it. Needs neither the configuration nor the
journal, only ``valves.json``; takes at most LONGEST_S. Exit 0 when every valve acknowledged, else 1.
"""

from __future__ import annotations

import dataclasses
import importlib
import json
import os
import select
import signal
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightheron.model import NS, Gas
from nightheron.runtime.clock import Clock
from nightheron.runtime.resolver import look_up

FILE_NAME = "valves.json"
WAIT_S = 3.5
"""How long the valves may take together to acknowledge."""
RESOLVE_S = 1.0
LONGEST_S = 5.0
"""Nothing, not even a driver that hangs, makes it longer."""


def remember(plans: Mapping[str, Any], path: Path, password_file: str | None = None) -> None:
    """Keep what ``close_all`` needs: mode 0600, whole or not at all, on disk when this returns.

    ``plans`` is what the keepers get, by bus. The password is left out; only the path of its file is
    kept. Raises OSError.
    """
    buses = {}
    for bus, plan in plans.items():
        body = dataclasses.asdict(plan)
        if body.get("broker"):
            body["broker"] = {**body["broker"], "password": None, "password_file": password_file}
        buses[bus] = body
    new = path.with_name(path.name + ".new")
    fd = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(fd, "w", encoding="utf-8") as file:
        os.fchmod(file.fileno(), 0o600)
        json.dump({"buses": buses}, file)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    directory = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


def close_all(buses: Mapping[str, Any], wait_s: float = WAIT_S) -> dict[str, str]:
    """Close every valve; those not acknowledged in time, and why."""
    now_ns = Clock().now_ns
    open_still: dict[str, str] = {}
    valves: list[tuple[str, Any]] = []
    for bus in buses.values():
        ids = [str(plan["id"]) for plan in bus["plans"]]
        open_still.update(dict.fromkeys(ids, "no acknowledgement in time"))
        try:
            module, _, function = bus["holder"].partition(":")
            hold = getattr(importlib.import_module(module), function)
            valves += zip(ids, hold(bus["plans"], _reachable(bus.get("broker")), "last"), strict=True)
        except Exception as error:
            open_still.update(dict.fromkeys(ids, str(error) or type(error).__name__))
    end_ns = now_ns() + int(wait_s * NS)
    while open_still and valves and now_ns() < end_ns:
        _wait([valve for _, valve in valves])
        for id_, valve in valves:
            _serve(id_, valve, now_ns(), open_still)
    for _, valve in valves:
        valve.finish(now_ns())
    return open_still


def _wait(valves: Sequence[Any]) -> None:
    poll = select.poll()
    for valve in valves:
        if valve.fileno() is not None:
            poll.register(valve.fileno(), select.POLLIN | (select.POLLOUT if valve.wants_write() else 0))
    poll.poll(20)


def _serve(id_: str, valve: Any, now_ns: int, open_still: dict[str, str]) -> None:
    try:
        for said in valve.ready(now_ns):
            if said.what == "acked" and said.gas is Gas.CLOSED:
                open_still.pop(id_, None)
            elif said.what == "link_down" and id_ in open_still:
                open_still[id_] = said.text
    except Exception as error:
        open_still[id_] = str(error) or type(error).__name__


def _reachable(broker: dict[str, Any] | None) -> dict[str, Any] | None:
    """The broker with an address for its host and the password from the environment, else from its file."""
    if broker is None:
        return None
    password = os.environ.get("NIGHTHERON_MQTT_PASSWORD")
    if password is None and broker.get("password_file"):
        password = Path(broker["password_file"]).read_text(encoding="utf-8").strip()
    found: list[str] = []
    thread = threading.Thread(target=_resolve, args=(broker["host"], found), daemon=True)
    thread.start()
    thread.join(RESOLVE_S)
    if not found:
        raise OSError(f"the broker's name {broker['host']} has no address")
    return {**broker, "host": found[0], "name": broker["host"], "password": password}


def _resolve(host: str, found: list[str]) -> None:
    address = look_up(host)
    if address is not None:
        found.append(address)


def _too_long(_number: int, _frame: object) -> None:
    raise TimeoutError("a driver hung")


def main(arguments: Sequence[str]) -> int:
    """0 when every valve acknowledged CLOSE; 1 otherwise; 2 on wrong usage."""
    if len(arguments) != 1:
        print("usage: python -m nightheron.runtime.close_all DATA_DIR", file=sys.stderr)
        return 2
    path = Path(arguments[0]) / FILE_NAME
    signal.signal(signal.SIGALRM, _too_long)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        open_still = close_all(json.loads(path.read_text(encoding="utf-8"))["buses"])
    except FileNotFoundError:
        return 0  # no configuration was ever accepted, so no valve was ever opened
    except (OSError, ValueError, KeyError, TypeError) as error:
        print(f"cannot close from {path}: {error}; shut the hand valve on the cylinder", file=sys.stderr)
        return 1
    for valve, why in sorted(open_still.items()):
        print(f"{valve}: not known to be closed ({why}); look at the valve", file=sys.stderr)
    return 1 if open_still else 0


if __name__ == "__main__":
    status = main(sys.argv[1:])
    sys.stderr.flush()
    os._exit(status)  # a look-up that hangs in its thread must not hold us
