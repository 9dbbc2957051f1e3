"""`nightheron rig` as a newcomer uses it: played in one terminal, guarded in another, broken from a third."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.support.broker import Client, RunningBroker

PATIENCE_S = 60.0
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTHERON_")}
NIGHTHERON = [sys.executable, "-m", "nightheron.cli.main"]
INSTRUMENTS = (
    *("flow", "circulation", "feed", "outlet_pressure", "vessel_pressure"),
    *("temperature", "room_co2", "leak"),
)
OWN = """
[[fault]]
name = "stranger_at_once"
breaks = "order of the house"
says = "Something else orders the valve open every second."
notice = "It clicks."
set.valve.foreign_every_s = 1.0
water = ["usual"]
probe = ["true"]
"""


def _nightheron(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own interpreter
        [*NIGHTHERON, *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        env=CLEAN,
        cwd=cwd,
    )


@contextmanager
def _process(*words: str, out: Path | None = None) -> Iterator[subprocess.Popen[str]]:
    with (out or Path(os.devnull)).open("w") as to:
        command = [*NIGHTHERON, *words]
        with subprocess.Popen(command, stdout=to, stderr=to, env=CLEAN, text=True) as process:  # noqa: S603 - our own interpreter
            try:
                yield process
            finally:
                process.send_signal(signal.SIGTERM)
                process.wait(PATIENCE_S)


def _until(true: Callable[[], bool]) -> bool:
    end = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.1)
    return True


class Site:
    """A rig that plays, what it printed, and the service's configuration with short times."""

    def __init__(self, folder: Path, broker: RunningBroker) -> None:
        self.broker = broker
        self.folder, self.printed = folder, folder / "printed"
        self.made, self.config = folder / "r" / "nightheron.toml", folder / "quick.toml"

    def rig(self, *words: str) -> subprocess.CompletedProcess[str]:
        """One command to the rig that plays."""
        return _nightheron("rig", *words, "--dir", str(self.folder / "r"))

    def status(self) -> dict[str, dict[str, Any]]:
        """Each chamber as the service sees it; empty while it does not answer."""
        done = _nightheron("status", "--json", "--config", str(self.config))
        if done.returncode != 0:
            return {}
        return {one["name"]: one for one in json.loads(done.stdout)["chambers"]}

    def becomes(self, name: str, key: str, value: object) -> bool:
        """Wait until one chamber's ``key`` is, or holds, ``value``."""

        def there() -> bool:
            found = self.status().get(name, {}).get(key)
            return value in found if isinstance(found, list) else found == value

        return _until(there)


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    """A broker, and a rig on it and on its serial lines; short names, since sockets have no long ones."""
    with tempfile.TemporaryDirectory(prefix="nh") as name:
        broker = RunningBroker(Path(name))
        site = Site(Path(name), broker)
        (site.folder / "own.toml").write_text(OWN)
        broker.start()
        words = ["rig", "--dir", str(site.folder / "r"), "--broker", f"{broker.host}:{broker.port}"]
        words += ["--fault-file", str(site.folder / "own.toml")]
        try:
            with _process(*words, out=site.printed):
                assert _until(lambda: "Playing until" in site.printed.read_text())
                quick = "floor_ph = 6.60\nmin_rest_s = 1\nsettle_s = 2\n"
                made = site.made.read_text().replace("floor_ph = 6.60\n", quick)
                site.config.write_text(made.replace("hold_s = 60", "hold_s = 1"))
                yield site
            assert sorted(path.name for path in (site.folder / "r").iterdir()) == ["data", "nightheron.toml"]
        finally:
            broker.kill()


def test_it_prints_a_configuration_that_is_sound(site: Site) -> None:
    """The block to paste is the file beside the lines, and check finds no error in it."""
    text = site.made.read_text()
    assert text in site.printed.read_text()
    assert 'commissioning = "advise"' in text
    done = _nightheron("check", "--config", str(site.made))
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("chamber", "probe"),
    [("west", "chamber/west/0"), ("east", "chamber/east/0"), ("display", "tank/display/0")],
)
def test_every_probe_is_heard(site: Site, chamber: str, probe: str) -> None:
    """The serial probe, the one on the broker and the tank's are read as they are configured."""
    done = _nightheron("listen", chamber, "--seconds", "3", "--json", "--config", str(site.made))
    assert done.returncode == 0, done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    values = [row["value"] for row in rows if row.get("probe") == probe and row["value"] is not None]
    assert len(values) >= 1
    assert all(6.0 < value < 8.5 for value in values)


def test_instruments_are_on_the_broker(site: Site) -> None:
    """Flow, circulation, pressures, temperature, room and leak of both chambers are published as numbers."""
    with Client(site.broker, "rig/#") as client:
        wanted = {f"rig/{name}/{signal}" for name in ("west", "east") for signal in INSTRUMENTS}
        assert _until(lambda: wanted <= {message.topic for message in client.messages})
        last = {
            message.topic: float(message.payload) for message in client.messages if message.topic in wanted
        }
    assert last["rig/west/flow"] == pytest.approx(25.0)
    assert (last["rig/east/circulation"], last["rig/east/leak"]) == (1.0, 0.0)
    assert 300.0 < last["rig/west/room_co2"] < 1000.0


def test_the_service_guards_it_and_faults_are_seen(site: Site) -> None:
    """Both chambers get gas; a silent probe shuts one until it is mended; a stranger latches the other."""
    with _process("run", "--config", str(site.config)):
        for name in ("west", "east"):
            assert site.becomes(name, "gas", "open")
        said = site.rig("fault", "probe_silent")
        assert (said.returncode, "cable is out" in said.stdout) == (0, True)
        assert site.becomes("west", "reasons", "chamber_ph_lost")
        looked = site.rig("look").stdout
        assert "wrong at west: probe_silent" in looked
        assert "west: water 6." in looked
        assert site.rig("mend", "probe_silent").stdout == "1 mended\n"
        assert site.becomes("west", "gas", "open")
        assert site.rig("fault", "probe_in_cup_4", "--chamber", "east").returncode == 0
        assert site.becomes("east", "gas", "closed")
        assert site.rig("fault", "stranger_at_once", "--chamber", "east").returncode == 0
        assert site.becomes("east", "reasons", "foreign_order")
        assert site.rig("mend").stdout == "2 mended\n"
    assert "probe_silent put in" in site.printed.read_text()


def test_what_cannot_be_done_is_one_sentence(site: Site, tmp_path: Path) -> None:
    """Unknown faults, no rig, no broker, a second rig and a bad file: each a sentence and its code."""
    (tmp_path / "bad.toml").write_text("[[fault]]\n")
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "nightheron.toml").write_text("[site]\n")
    theirs = str(tmp_path / "theirs")
    tried = [
        (1, site.rig("fault", "no_such_fault")),
        (1, site.rig("fault", "probe_silent", "--chamber", "north")),
        (2, site.rig("fault")),
        (1, site.rig()),
        (3, _nightheron("rig", "look", cwd=tmp_path)),
        (3, _nightheron("rig", "--broker", "127.0.0.1:1", "--dir", str(tmp_path / "n"))),
        (2, _nightheron("rig", "--broker", "here:there", cwd=tmp_path)),
        (2, _nightheron("rig", "--speed", "0", cwd=tmp_path)),
        (2, _nightheron("rig", "faults", "--fault-file", str(tmp_path / "bad.toml"))),
        (2, _nightheron("rig", "play", "probe_silent", cwd=tmp_path)),
        (2, _nightheron("rig", "--dir", theirs)),
        (2, _nightheron("rig", "--dir", str(tmp_path / ("long" * 30)))),
    ]
    for code, done in tried:
        assert (done.returncode, done.stdout) == (code, ""), done.args
        assert len(done.stderr.splitlines()) == 1, done.stderr
    assert (tmp_path / "theirs" / "nightheron.toml").read_text() == "[site]\n"


def test_the_library_can_be_read(tmp_path: Path) -> None:
    """The faults are listed with what breaks, one is told in full, and one that is none is a sentence."""
    listed = _nightheron("rig", "faults").stdout.splitlines()
    assert len(listed) > 60
    told = _nightheron("rig", "faults", "journal_stalls")
    assert (told.returncode, "To do by hand:" in told.stdout) == (0, True)
    refused = _nightheron("rig", "faults", "no_such_fault")
    assert (refused.returncode, len(refused.stderr.splitlines())) == (2, 1)
