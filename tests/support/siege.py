"""A whole service under a fault: its configuration, its budget, its devices, and what must hold afterwards.

``besieged`` starts the service and at the end demands that no process of it is left 5 s after its death.
Times are held against what ``check --json`` prints for the same configuration and nothing else.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from tests.support.devices import Order, wait_until
from tests.support.keeping import ended
from tests.support.service import Service, command

KEEPER_MODULE = b"nightheron.runtime.keeper"
COMMIT_S = 15.0
"""A row that takes longer to reach the disk would shut the gas as not_recordable."""
END_S = 5.0
"""No process of a service lives longer than this after the guard's death."""
HELD_PH = 6.65
"""Between floor and resume: open gas stays open, closed gas stays closed."""
HIGH_PH = 6.90
Row = dict[str, Any]


class Valve(Protocol):
    """A device, as far as these tests look at it."""

    @property
    def gas(self) -> bool: ...

    @property
    def orders(self) -> list[Order]: ...

    def wait_order(self, text: str, after: float = 0.0, within_s: float = 20.0) -> Order: ...


@dataclass(frozen=True)
class Part:
    """The probe and valve tables of one chamber, ready to be written into a configuration."""

    name: str
    probe: str
    valve: str
    keys: dict[str, object] = field(default_factory=dict)


def serial_probe(port: Path, pattern: str = r"(?P<value>-?\d+\.\d+)") -> str:
    """A probe on a serial line, five readings a second."""
    return f'driver = "serial"\nport = "{port}"\npattern = \'{pattern}\'\nperiod_s = 0.2\nstale_s = 2.0\n'


def mqtt_probe(topic: str) -> str:
    """A probe on the broker, five readings a second."""
    return f'driver = "mqtt"\ntopic = "{topic}"\nperiod_s = 0.2\nstale_s = 2.0\n'


def mqtt_valve(topic: str, timer_s: float | None = None) -> str:
    """A valve on the broker; with ``timer_s`` its own timer closes it."""
    timer = "" if timer_s is None else f"device_timer_s = {timer_s}\n"
    return f'driver = "mqtt"\norder_topic = "{topic}"\nlease_s = 2.0\n{timer}'


def serial_valve(port: Path | str) -> str:
    """A valve on a serial line that answers nothing."""
    return f'driver = "serial"\nport = "{port}"\nopen_line = "OPEN"\nclose_line = "CLOSE"\nlease_s = 2.0\n'


def write_site(folder: Path, broker_port: int | None, parts: Sequence[Part], **site: object) -> Path:
    """The configuration file of a site with quick but lawful times."""
    lines = ["[site]", 'name = "test-house"', f"data_dir = {json.dumps(site.pop('data_dir', 'data'))}"]
    lines += [f"{key} = {json.dumps(value)}" for key, value in site.items()]
    if broker_port is not None:
        lines += ["[mqtt]", 'host = "127.0.0.1"', f"port = {broker_port}"]
    for part in parts:
        keys = {"floor_ph": 6.60, "resume_ph": 6.70, "min_rest_s": 1, "settle_s": 1} | part.keys
        lines += ["[[chamber]]", f'name = "{part.name}"']
        lines += [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
        lines += ["[chamber.probe]", part.probe, "[chamber.valve]", part.valve]
    config = folder / "nightheron.toml"
    config.write_text("\n".join(lines) + "\n")
    return config


class Siege:
    """One running service and what is asked of it."""

    def __init__(self, service: Service) -> None:
        self.service, self.config = service, service.config
        checked = json.loads(command(self.config, "check", "--json").stdout)
        if checked["ok"] is not True:
            raise RuntimeError(f"the test's own configuration is faulty: {checked}")
        self._budget = {(row["chamber"], row["cause"]): row["seconds"] for row in checked["budget"]}
        self.processes: set[int] = set()

    def budget_s(self, cause: str, chamber: str = "west") -> float | None:
        """What ``check`` printed for this cause; None where it printed NOT BOUNDED."""
        seconds: float | None = self._budget[chamber, cause]
        return seconds

    def closes(
        self, valve: Valve, cause: str, since: float, chamber: str = "west", more_s: float = 0.0
    ) -> float:
        """Wait for gas to be off at the device, and hold the time since the cause against the budget.

        ``more_s``: a waiting time that lies before the cause and is part of the rule itself.
        """
        budget_s = self.budget_s(cause, chamber)
        if budget_s is None:
            raise AssertionError(f"{cause} has no bound here; give the device a timer of its own")
        at = wait_until(lambda: not valve.gas, budget_s + more_s + 20.0, f"gas closed after {cause}")
        took_s = at - since
        if took_s > budget_s + more_s:
            raise AssertionError(
                f"{cause}: closed after {took_s:.2f} s, the budget is {budget_s + more_s:.2f} s"
            )
        return took_s

    def opens(self, valve: Valve, after: float = 0.0) -> None:
        """Wait for an OPEN after a time (monotonic); otherwise say what stands against it."""
        try:
            valve.wait_order("OPEN", after, within_s=90)
        except TimeoutError:
            raise AssertionError(f"no OPEN within 90 s: {self.why()}\n{self.service.log}") from None

    def why(self, chamber: str = "west") -> Row:
        """What ``why --json`` says of one chamber, asked as a person would."""
        done = command(self.config, "why", chamber, "--json")
        if done.returncode != 0:
            raise AssertionError(f"why: {done.returncode} {done.stderr}\n{self.service.log}")
        return next(one for one in json.loads(done.stdout) if one["name"] == chamber)

    def wait_why(self, true: Callable[[Row], bool], chamber: str = "west", within_s: float = 60.0) -> Row:
        """Ask ``why`` until it says so."""
        end = time.monotonic() + within_s
        while not true(said := self.why(chamber)):
            if time.monotonic() > end:
                raise AssertionError(f"why does not say so within {within_s} s: {said}\n{self.service.log}")
            time.sleep(0.1)
        return said

    def wait_first_reason(self, reason: str, chamber: str = "west") -> Row:
        """Gas is said to be closed, and for this reason first."""
        said = self.wait_why(lambda one: one["gas"] == "closed", chamber)
        if said["reason"] != reason:
            raise AssertionError(f"the first reason is {said['reason']}, not {reason}: {said}")
        return said

    def nothing_is_lost(self, before: Sequence[Row], reason: str, chamber: str = "west") -> list[Row]:
        """The chain verifies, every row from before stands unchanged, and the decision to close is there."""
        last = before[-1]["seq"] if before else 0
        end = time.monotonic() + COMMIT_S
        while True:
            rows = self.service.rows()
            told = [
                row
                for row in rows
                if row["seq"] > last and row["kind"] == "decision" and row["chamber"] == chamber
                if row["gas"] == "closed" and row["reason"] == reason
            ]
            if told or time.monotonic() > end:
                break
            time.sleep(0.1)
        kept = {row["seq"]: row["hash"] for row in rows}
        lost = [row["seq"] for row in before if kept.get(row["seq"]) != row["hash"]]
        verified = json.loads(command(self.config, "verify", "--json").stdout)
        if lost or not verified["ok"] or not told or sorted(kept) != list(range(1, len(rows) + 1)):
            raise AssertionError(
                f"lost {lost}, {verified}, closings for {reason}: {told}, rows {sorted(kept)}"
            )
        return rows

    def keepers(self) -> list[int]:
        """The guard's keepers and their spare, oldest first."""
        found = [pid for pid in children(self.service.pid) if KEEPER_MODULE in command_line(pid)]
        self.processes |= set(found)
        return sorted(found, key=started_ticks)

    def holder(self) -> int:
        """The one keeper that has a link to a broker."""
        holding = [pid for pid in self.keepers() if holds_link(pid)]
        if len(holding) != 1:
            raise AssertionError(f"{len(holding)} keepers hold a link: {holding}")
        return holding[0]

    def kill_guard(self) -> float:
        """SIGKILL; the time (monotonic). Its keepers are noted, so that their end can be waited for."""
        self.keepers()
        at = time.monotonic()
        self.service.signal(signal.SIGKILL)
        self.service.ends()
        return at

    def no_process_is_left(self, since: float) -> None:
        """Every keeper and spare ever seen has ended at most 5 s after the guard's death."""
        left_s = since + END_S - time.monotonic()
        wait_until(lambda: all(ended(pid) for pid in self.processes), max(0.0, left_s), "the keepers' end")


@contextmanager
def besieged(config: Path, service: Service | None = None) -> Iterator[Siege]:
    """The service for the length of a test; afterwards nothing of it is alive."""
    service = service or Service(config)
    siege = Siege(service)
    with service:
        try:
            yield siege
        finally:
            if alive(service):
                died = siege.kill_guard()
                siege.no_process_is_left(died)


def alive(service: Service) -> bool:
    """The guard's process has not ended."""
    return not ended(service.pid)


def children(pid: int) -> list[int]:
    """Processes whose parent this is."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue  # it has ended meanwhile
            if int(fields[1]) == pid and fields[0] != "Z":
                found.append(int(entry.name))
    return found


def command_line(pid: int) -> bytes:
    """How a process was started; empty when it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def started_ticks(pid: int) -> int:
    """When a process started, in clock ticks since boot; 0 when it is gone."""
    try:
        return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19])
    except OSError:
        return 0


def holds_link(pid: int) -> bool:
    """The process has an established TCP connection."""
    established = {
        fields[9]
        for line in Path("/proc/net/tcp").read_text().splitlines()[1:]
        if (fields := line.split())[3] == "01"
    }
    return any(name.removeprefix("socket:[").rstrip("]") in established for name in open_files(pid))


def opens_file(pid: int, path: str) -> bool:
    """The process has this file open."""
    return path in open_files(pid)


def open_files(pid: int) -> list[str]:
    """What the descriptors of a process lead to."""
    found = []
    for fd in Path(f"/proc/{pid}/fd").glob("*"):
        try:
            found.append(str(fd.readlink()))
        except OSError:
            continue  # closed meanwhile
    return found
