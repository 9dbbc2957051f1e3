"""The service under a real systemd, tried from inside the tree that real_systemd.sh boots. Not for pytest.

Each line printed is a promise and what was measured; exit 1 when one did not hold.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from tests.support.broker import Client, RunningBroker
from tests.support.devices import MqttDevice, SerialDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.service import Speaker

UNIT = "nightheron"
HERE = Path("/run/trial")
GROUP = Path("/sys/fs/cgroup/system.slice/nightheron.service/cgroup.procs")
CONFIG = r"""
[site]
name = "trial"
data_dir = "/var/lib/nightheron"
timezone = "Europe/Lisbon"
[mqtt]
host = "127.0.0.1"
[[chamber]]
name = "west"
floor_ph = 6.60
resume_ph = 6.70
commissioning = "advise"
min_rest_s = 2
settle_s = 3
[chamber.probe]
driver = "serial"
port = "/run/trial/west-probe"
pattern = '(?P<value>-?\d+\.\d+)'
period_s = 0.2
stale_s = 2.0
[chamber.valve]
driver = "mqtt"
order_topic = "trial/west/order"
lease_s = 2.0
[[chamber]]
name = "east"
floor_ph = 6.60
resume_ph = 6.70
commissioning = "advise"
min_rest_s = 2
settle_s = 3
[chamber.probe]
driver = "mqtt"
topic = "trial/east/ph"
period_s = 0.2
stale_s = 2.0
[chamber.valve]
driver = "serial"
port = "/run/trial/east-valve"
lease_s = 2.0
reply_pattern = "done"
"""


def out(*words: str) -> str:
    """What a command says on both streams, whatever its exit code."""
    done = subprocess.run(words, stdout=-1, stderr=-2, text=True, timeout=120, check=False)  # noqa: S603 - our own words
    return done.stdout.strip()


def shown(key: str) -> str:
    """One property of the unit."""
    return out("systemctl", "show", UNIT, "--property", key, "--value")


def guard() -> int:
    """The main process of the unit; 0 when there is none."""
    return int(shown("MainPID") or 0)


def keepers() -> list[int]:
    """The valve processes and the spare."""
    found = out("pgrep", "--full", "nightheron.runtime.keeper").split()
    return [int(pid) for pid in found]


def field(pid: int, name: str) -> str:
    """One line of /proc/PID/status."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(line.partition(":")[2].strip() for line in lines if line.startswith(name + ":"))


def nightheron(*words: str, user: str = "anna") -> subprocess.CompletedProcess[str]:
    """A command of the program, as another user."""
    return subprocess.run(  # noqa: S603 - our own program
        ["/sbin/runuser", "-u", user, "--", "/opt/nightheron/venv/bin/nightheron", *words],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


class Trial:
    """The devices, and what was found."""

    def __init__(self, west: MqttDevice, east: SerialDevice) -> None:
        self.west, self.east = west, east
        self.broken: list[str] = []

    def holds(self, promise: str, held: object, seen: object = "") -> None:
        """Print one promise; remember it if it did not hold."""
        print(f"{'ok ' if held else 'NOT'} {promise}{f': {seen}' if seen != '' else ''}", flush=True)
        if not held:
            self.broken.append(promise)

    def gas_opens(self) -> None:
        begin = time.monotonic()
        for name, device in (("west", self.west), ("east", self.east)):
            wait_until(lambda device=device: device.gas, 60, f"gas in {name}")  # type: ignore[misc]  # bound now
        print(f"    gas open in both {time.monotonic() - begin:.1f} s later", flush=True)

    def closes(self, promise: str, doing: Callable[[], object], within_s: float) -> float:
        """Do it, and see both valves told to close; when (monotonic) the later one was."""
        orders = len(self.west.orders), len(self.east.orders)
        begin = time.monotonic()
        doing()
        at = []
        for device, seen in zip((self.west, self.east), orders, strict=True):
            wait_until(lambda d=device, n=seen: "CLOSE" in d.texts()[n:], 40, "CLOSE")  # type: ignore[misc]  # bound now
            at.append(next(order.at for order in device.orders[seen:] if order.text == "CLOSE"))
        took = [one - begin for one in at]
        text = f"MQTT {took[0]:.2f} s, serial {took[1]:.2f} s"
        self.holds(f"{promise} closes both valves within {within_s:.0f} s", max(took) <= within_s, text)
        return max(at)


def starts(trial: Trial) -> None:
    """READY, its own user, the sandbox, locked memory."""
    begin = time.monotonic()
    done = subprocess.run(["systemctl", "start", UNIT], check=False)  # noqa: S603,S607 - systemd's own
    trial.holds("the unit starts and says READY", done.returncode == 0, f"{time.monotonic() - begin:.1f} s")
    trial.gas_opens()
    time.sleep(1)
    print(out("systemctl", "status", UNIT, "--no-pager", "--full", "--lines=4"), flush=True)
    pids = [guard(), *keepers()]
    uids = {field(pid, "Uid").split()[0] for pid in pids}
    trial.holds("guard, two keepers and a spare run", len(pids) == 4, pids)
    trial.holds("none of them as root", uids == {out("id", "-u", "nightheron")}, uids)
    trial.holds("no capability is left", {field(pid, "CapEff") for pid in pids} == {"0" * 16})
    trial.holds("a filter on calls is set", {field(pid, "Seccomp") for pid in pids} == {"2"})
    locked = [field(pid, "VmLck") for pid in pids[1:]]
    limits = Path(f"/proc/{pids[1]}/limits").read_text().splitlines()
    most = next(line.split()[4] for line in limits if line.startswith("Max locked memory"))
    if most == shown("LimitMEMLOCK"):
        trial.holds("keepers are locked into memory", all(int(one.split()[0]) > 0 for one in locked), locked)
    else:
        print(
            f"--- not tried: locked memory; this machine lets nobody have more than {most} bytes", flush=True
        )
    faults = [
        line
        for line in out("journalctl", "-u", UNIT, "--no-pager", "-o", "cat").splitlines()
        if "[error" in line or '"level": "error"' in line or "Traceback" in line
    ]
    trial.holds("nothing was logged as an error", not faults, faults[:3] or "")


def devices(trial: Trial) -> None:
    """What the unit's own group of processes may open, tried by a process put into it."""
    wanted = {"ttyUSB7": (188, True), "ttyACM7": (166, True), "ttyAMA7": (204, True), "sda": (8, False)}
    for name, (major, may) in wanted.items():
        kind = 0o060600 if name == "sda" else 0o020600
        path = Path("/dev") / name
        os.mknod(path, kind, os.makedev(major, 71 if major == 204 else 7))
        joined = f"import os; open({str(GROUP)!r}, 'w').write('0')"
        code = f"{joined}; os.open({str(path)!r}, os.O_RDWR | os.O_NONBLOCK)"
        said = out(sys.executable, "-c", code).splitlines()
        last = said[-1] if said else "opened"
        # The device is not there, so a door that is open ends with "No such device".
        trial.holds(
            f"{name} is {'open' if may else 'shut'} to the unit", ("not permitted" not in last) is may, last
        )
        path.unlink()


def members(trial: Trial, when: str) -> None:
    """People of the group ask without root; strangers cannot."""
    running = when == "while it runs"
    for words in (["log"], ["verify"], ["status"], ["why", "west"]):
        done = nightheron(*words)
        answered = done.returncode == (0 if running or words[0] in ("log", "verify") else 3)
        said = (done.stdout or done.stderr).strip().splitlines()
        trial.holds(f"a member's `{' '.join(words)}` {when}", answered, f"{done.returncode} {said[:1]}")
    stranger = nightheron("status", user="nobody")
    trial.holds("a stranger gets no answer", stranger.returncode != 0, stranger.stderr.strip()[:90])


def rows() -> list[dict[str, object]]:
    """The journal, oldest first."""
    return [json.loads(line) for line in nightheron("log", "--json").stdout.splitlines()]


def stops(trial: Trial, times: int) -> None:
    """A clean stop, more than once: the order in which signals reach the processes is not ours."""
    for turn in range(times):
        begin = time.monotonic()
        trial.closes("systemctl stop", lambda: out("systemctl", "stop", UNIT), 2)
        state = [shown(key) for key in ("ActiveState", "Result", "ExecMainStatus")]
        took = f"{time.monotonic() - begin:.1f} s {state}"
        trial.holds("the stop is clean", state == ["inactive", "success", "0"], took)
        written = rows()
        kinds = [str(row["kind"]) for row in written]
        since = written[len(kinds) - 1 - kinds[::-1].index("start") :]
        lost = [
            row
            for row in since
            if row["kind"] in ("decision", "alarm")
            and "keeper" in json.dumps(row.get("reasons", row.get("reason", "")))
        ]
        early = [row for row in lost if "starting" not in json.dumps(row.get("reasons", ""))]
        trial.holds("the last row says stop", kinds[-1] == "stop", kinds[-3:])
        trial.holds(
            "no keeper is journaled as lost", not early, [str(row.get("text"))[:90] for row in early] or ""
        )
        if turn == 0:
            members(trial, "while it is stopped")
        out("systemctl", "start", UNIT)
        trial.gas_opens()


def comes_back(trial: Trial, promise: str, before: int, closed: float | None = None) -> None:
    """systemd starts it anew by itself; ``why`` tells, and gas flows again when it may."""
    wait_until(lambda: guard() not in (0, before) and shown("ActiveState") == "active", 60, "a restart")
    trial.holds(f"{promise}: started again by itself", True, f"restarts {shown('NRestarts')}")
    if closed is not None:
        began_us = int(shown("ExecMainStartTimestampMonotonic"))
        trial.holds(
            "the closer closed before the new start",
            closed < began_us / 1e6,
            f"{began_us / 1e6 - closed:.1f} s before",
        )
    told = nightheron("why", "west").stdout.strip().replace("\n", " | ")
    print(f"    why west: {told[:300]}", flush=True)
    trial.gas_opens()


def faults(trial: Trial) -> None:
    """Frozen, killed, all killed, a keeper killed."""
    pid = guard()
    trial.closes("freezing the guard (kill -STOP)", lambda: os.kill(pid, signal.SIGSTOP), 3)
    wait_until(lambda: guard() != pid, 40, "the watchdog")
    comes_back(trial, "the watchdog ended it", pid)
    said = out("journalctl", "-u", UNIT, "--no-pager", "-o", "cat")
    trial.holds("systemd names the watchdog", "Watchdog timeout" in said and "result 'watchdog'" in said)
    pid = guard()
    trial.closes("kill -9 of the guard", lambda: os.kill(pid, signal.SIGKILL), 2)
    comes_back(trial, "kill -9 of the guard", pid)
    pid = guard()
    closed = trial.closes(
        "kill -9 of every process", lambda: out("systemctl", "kill", "--signal=KILL", UNIT), 2
    )
    comes_back(trial, "kill -9 of every process", pid, closed)
    pid, before = guard(), keepers()
    for one in before:
        os.kill(one, signal.SIGSTOP)
    trial.closes("freezing every keeper", lambda: None, 10)
    wait_until(lambda: len(keepers()) == 3 and not set(keepers()) & set(before), 60, "new keepers")
    trial.holds("frozen keepers are replaced, and the guard lives", guard() == pid, keepers())
    trial.gas_opens()
    before = keepers()

    def kill() -> None:
        for one in before:
            os.kill(one, signal.SIGKILL)

    trial.closes("kill -9 of every keeper", kill, 5)
    wait_until(lambda: len(keepers()) == 3 and not set(keepers()) & set(before), 60, "new keepers")
    trial.holds("keepers are replaced, and the guard lives", guard() == pid, keepers())
    trial.gas_opens()


def prepare() -> None:
    """The configuration, a member of the group, and folders for the devices."""
    HERE.mkdir()
    path = Path("/etc/nightheron/nightheron.toml")
    path.write_text(CONFIG)
    shutil.chown(path, "root", "nightheron")
    out("useradd", "--groups", "nightheron", "anna")
    out("systemctl", "restart", "mosquitto")


def as_udev_would(*ports: PtyPort) -> None:
    """Serial ports belong to dialout."""
    for port in ports:
        real = port.path.resolve()
        shutil.chown(real, "root", "dialout")
        real.chmod(0o660)


def main() -> int:
    """The whole trial."""
    begin = time.monotonic()
    prepare()
    broker = RunningBroker(HERE)
    broker.port = 1883
    with ExitStack() as stack:
        west_probe = stack.enter_context(PtyPort(HERE, "west-probe"))
        stack.enter_context(Speaker(west_probe, 6.95))
        west = stack.enter_context(MqttDevice(broker, "trial/west/order"))
        east = stack.enter_context(SerialDevice(HERE, "east-valve", {"OPEN": "done", "CLOSE": "done"}))
        as_udev_would(west_probe, east.port)
        client = stack.enter_context(Client(broker))
        ending = threading.Event()
        stack.callback(ending.set)

        def speak() -> None:
            while not ending.wait(0.2):
                client.publish("trial/east/ph", "6.95")

        threading.Thread(target=speak, daemon=True).start()
        trial = Trial(west, east)
        try:
            starts(trial)
            devices(trial)
            members(trial, "while it runs")
            stops(trial, 5)
            faults(trial)
        except TimeoutError as late:
            trial.holds(str(late), False)
        if trial.broken:
            print(out("journalctl", "-u", UNIT, "--no-pager", "-o", "short-precise", "-n", "120"))
            print(nightheron("log").stdout[-6000:])
    print(f"{len(trial.broken)} promises did not hold; {time.monotonic() - begin:.0f} s")
    return 1 if trial.broken else 0


if __name__ == "__main__":
    sys.exit(main())
