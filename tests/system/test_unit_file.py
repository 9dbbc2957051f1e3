"""The unit and what is installed with it: valid, watched, closing at the end, hardened."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNIT = DEPLOY / "nightheron.service"
HARDENED = {
    "DevicePolicy": ["closed"],
    "DeviceAllow": ["char-188 rw", "char-166 rw", "char-204 rw", "char-gpiochip rw"],
    "NoNewPrivileges": ["yes"],
    "ProtectSystem": ["strict"],
    "ProtectHome": ["yes"],
    "MemoryDenyWriteExecute": ["yes"],
    "CapabilityBoundingSet": [""],
    "SocketBindDeny": ["any"],
    "RestrictAddressFamilies": ["AF_UNIX AF_INET AF_INET6"],
    "LimitMEMLOCK": ["64M"],
}


def _lines() -> dict[str, list[str]]:
    said: dict[str, list[str]] = {}
    for line in UNIT.read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            said.setdefault(key, []).append(value)
    return said


def _run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own arguments
        [str(word) for word in words], capture_output=True, text=True, timeout=90, check=False
    )


def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path) -> None:
    """systemd reads the unit without a warning once its programs are where it says."""
    programs = tmp_path / "opt/nightheron/venv/bin"
    programs.mkdir(parents=True)
    for name in ("nightheron", "python"):
        (programs / name).write_text("#!/bin/sh\n")
        (programs / name).chmod(0o755)
    unit = tmp_path / "nightheron.service"
    unit.write_text(UNIT.read_text().replace("/opt/nightheron", str(tmp_path / "opt/nightheron")))
    done = _run("systemd-analyze", "verify", "--man=no", "--recursive-errors=no", unit)
    ours = [line for line in done.stderr.splitlines() if "nightheron" in line]
    assert (done.returncode, ours) == (0, [])


def test_the_unit_is_exposed_by_at_most_one_and_a_half() -> None:
    """systemd's own reckoning of what the service could reach stays at or below 1.5 of 10."""
    done = _run("systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=15", UNIT)
    assert done.returncode == 0, done.stdout[-2000:]


def test_the_guard_is_watched_and_always_started_again() -> None:
    """A guard that stands still or dies is started again, however often, and gas is closed each time."""
    said = _lines()
    assert said["Type"] == ["notify"]
    assert 0 < int(said["WatchdogSec"][0]) <= 30
    assert said["Restart"] == ["always"]
    assert said["StartLimitIntervalSec"] == ["0"]
    assert said["OOMPolicy"] == ["stop"]
    assert 0 < int(said["TimeoutStopSec"][0]) <= 15


def test_whatever_ends_the_guard_the_closer_runs() -> None:
    """ExecStopPost names the closer, a module that exists, and the folder the unit keeps its state in."""
    said = _lines()
    (closer,) = said["ExecStopPost"]
    assert closer.endswith("-m nightheron.runtime.close_all /var/lib/nightheron")
    assert (DEPLOY.parent / "daemon/nightheron/runtime/close_all.py").is_file()
    assert said["StateDirectory"] == ["nightheron"]


def test_the_guard_does_not_wait_for_a_network() -> None:
    """Nothing the network does can keep the guard from starting."""
    assert "network-online.target" not in str(_lines())
    assert not {"Requires", "BindsTo", "Wants"} & set(_lines())


@pytest.mark.parametrize("key", HARDENED)
def test_the_unit_is_hardened(key: str) -> None:
    """A line of hardening that is taken out is missed."""
    assert _lines()[key] == HARDENED[key]


@pytest.mark.parametrize(
    "key", ["PrivateDevices", "PrivateNetwork", "PrivateUsers", "ProcSubset", "DynamicUser"]
)
def test_hardening_that_would_blind_the_service_is_left_out(key: str) -> None:
    """Ports, broker, boot id and the name of whoever asks stay visible to the service."""
    assert key not in _lines()


def test_a_dry_run_of_the_installer_changes_nothing(tmp_path: Path) -> None:
    """``deploy/install --dry-run`` says each step and leaves the disk as it was."""
    done = _run(DEPLOY / "install", "--dry-run", "--root", tmp_path)
    assert done.returncode == 0, done.stderr
    assert f"{tmp_path}/etc/systemd/system/nightheron.service" in done.stdout
    assert "verify_journal.py" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_installer_refuses_words_it_does_not_know() -> None:
    """A mistyped option changes nothing and exits 2 with one sentence."""
    done = _run(DEPLOY / "install", "--dryrun")
    assert done.returncode == 2
    assert "--dryrun" in done.stderr


def test_the_broker_takes_the_snippet(tmp_path: Path) -> None:
    """mosquitto starts with the shipped lines, only the port and its own user changed."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = tmp_path / "mosquitto.conf"
    user = pwd.getpwuid(os.getuid()).pw_name
    shipped = (DEPLOY / "mosquitto-nightheron.conf").read_text()
    config.write_text(shipped.replace("1883 127.0.0.1", f"{port} 127.0.0.1") + f"user {user}\n")
    binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    with subprocess.Popen([binary, "-c", config], stderr=subprocess.PIPE, text=True) as broker:  # noqa: S603 - our words
        try:
            assert _listens(port, broker), broker.stderr and broker.stderr.read()
        finally:
            broker.kill()


def _listens(port: int, broker: subprocess.Popen[str]) -> bool:
    end = time.monotonic() + 30
    while time.monotonic() < end and broker.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return True
    return False
