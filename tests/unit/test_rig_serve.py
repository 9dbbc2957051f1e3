"""The rig on its socket, as the drivers and a person see it."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

PATIENCE_S = 20.0


def _connect(path: Path, first: str) -> socket.socket:
    line = socket.socket(socket.AF_UNIX)
    line.settimeout(PATIENCE_S)
    line.connect(str(path))
    line.sendall(first.encode() + b"\n")
    return line


def _ask(line: socket.socket, order: str = "") -> str:
    if order:
        line.sendall(order.encode() + b"\n")
    got = b""
    while not got.endswith(b"\n"):
        more = line.recv(100)
        if not more:
            break
        got += more
    return got.decode().strip()


def _say(path: Path, first: str) -> str:
    with _connect(path, first) as line:
        return _ask(line)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Path]:
    """A rig with two chambers, its water sixty times as fast."""
    path = tmp_path / "rig.sock"
    command = [sys.executable, "-m", "nightheron.rig.serve", "--path", str(path), "--speed", "60"]
    with subprocess.Popen([*command, "--chamber", "west", "--chamber", "east"]) as process:  # noqa: S603 - our own interpreter
        until = time.monotonic() + PATIENCE_S
        while not _listens(path) and time.monotonic() < until:
            time.sleep(0.02)
        yield path
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
    assert not path.exists()


def _listens(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as line:
        return line.connect_ex(str(path)) == 0


def _gas_becomes(path: Path, gas: str) -> bool:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if _say(path, "show west").endswith(gas):
            return True
        time.sleep(0.05)
    return False


def test_probe_speaks_by_itself(rig: Path) -> None:
    """A probe connection brings reading after reading without being asked."""
    with _connect(rig, "probe west") as line:
        assert [6.0 < float(_ask(line)) < 8.0 for _ in range(3)] == [True] * 3


def test_valve_answers_and_its_lease_ends(rig: Path) -> None:
    """An opening is answered, acts on this chamber alone, and ends by itself though the link stays up."""
    with _connect(rig, "valve west") as line:
        assert _ask(line, "OPEN 1") == "open"
        assert _say(rig, "show east").endswith("closed")
        assert _gas_becomes(rig, "closed")
        assert _ask(line, "OPEN 600") == "open"
        assert _say(rig, "show west").endswith("open")
        assert _ask(line, "CLOSE") == "closed"
        assert _say(rig, "show west").endswith("closed")


def test_lease_ends_without_its_connection(rig: Path) -> None:
    """A valve whose guard hung up closes at the end of its lease."""
    with _connect(rig, "valve west") as line:
        assert _ask(line, "OPEN 1") == "open"
    assert _gas_becomes(rig, "closed")


def test_faults_go_in_and_out(rig: Path) -> None:
    """A silent probe stops speaking on its open connection and speaks again when the fault is taken out."""
    with _connect(rig, "probe west") as line:
        _ask(line)
        assert _say(rig, "fault west probe_silent").startswith("ok: ")
        line.settimeout(2.5)
        with pytest.raises(TimeoutError):
            while True:
                _ask(line)
        line.settimeout(PATIENCE_S)
        assert _say(rig, "fault west none") == "ok: 1 mended"
        assert float(_ask(line)) > 6.0


def test_other_instruments_speak(rig: Path) -> None:
    """The tank's probe and every instrument of a chamber are heard by name, as numbers."""
    for first, least, most in (
        ("probe display", 7.9, 8.3),
        ("probe west flow", 24.9, 25.1),
        ("probe west circulation", 1.0, 1.0),
        ("probe west room_co2", 300.0, 900.0),
        ("probe west temperature", 24.0, 26.0),
        ("probe west outlet_pressure", 27.0, 29.0),
        ("probe west leak", 0.0, 0.0),
    ):
        with _connect(rig, first) as line:
            assert least <= float(_ask(line)) <= most, first


def test_everything_is_looked_at_and_mended(rig: Path) -> None:
    """One line tells of every chamber, the tank and what is wrong; all of it can be mended at once."""
    assert _say(rig, "fault first feed_stopped").startswith("ok: ")
    assert _say(rig, "fault east valve_stuck_shut").startswith("ok: ")
    looked = _say(rig, "look")
    for said in ("west: water", "east: water", "tank: water", "wrong at west: feed_stopped"):
        assert said in looked
    assert _say(rig, "mend all all") == "ok: 2 mended"
    assert "wrong" not in _say(rig, "look")


@pytest.mark.parametrize(
    "first",
    ["", "probe north", "probe west melting", "valve display", "fault west melted", "dance west", "show"],
)
def test_nonsense_gets_one_sentence(rig: Path, first: str) -> None:
    """A first line that means nothing is answered with an error, and the rig lives on."""
    assert _say(rig, first).startswith("error:")
    assert _say(rig, "show west").endswith("closed")


def test_refuses_a_path_that_is_a_file(tmp_path: Path) -> None:
    """The rig never replaces a file that is no socket."""
    path = tmp_path / "precious"
    path.write_text("mine")
    done = subprocess.run(  # noqa: S603 - our own interpreter
        [sys.executable, "-m", "nightheron.rig.serve", "--path", str(path), "--chamber", "west"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "is no socket" in done.stderr
    assert path.read_text() == "mine"
