"""``nightheron rehearse`` as an owner, or a pull request, runs it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from nightheron.rig.greenhouse import CONFIGURATION

from tests.support import short_night

CONFIG = Path(__file__).parents[2] / "config"
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTHERON_")}
FEW = ("--fault", "probe_silent", "--fault", "host_lost", "--fault", "pushes_fail")


def rehearse(path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command, with faults played for two hours."""
    command = [sys.executable, "-m", "nightheron.cli.main", "rehearse", "--config", str(path), "--hours", "2"]
    return subprocess.run(  # noqa: S603 - our own interpreter
        [*command, *words], capture_output=True, text=True, check=False, timeout=280.0, env=CLEAN
    )


def untimed(folder: Path) -> Path:
    """The serial profile with a relay that has no timer: a lost board leaves gas as it was."""
    text = (CONFIG / "usb-relay-with-timer.toml").read_text()
    path = folder / "untimed.toml"
    path.write_text(text.replace('"ON {lease_s}"', '"ON"'))
    assert path.read_text() != text
    return path


def test_harm_ends_in_one_and_the_setting_that_spares_it_comes_first(tmp_path: Path) -> None:
    """No timer on the device and the board lost: the end is 1, and a timer would have helped."""
    done = rehearse(untimed(tmp_path), *FEW, "--json")

    assert (done.returncode, done.stderr) == (1, "")
    found = json.loads(done.stdout)
    (west,) = found["chambers"]
    assert (found["ok"], found["simulated"], west["ok"], west["hours"]) == (False, True, False, 2.0)
    harm = {one["fault"]: (one["guard"]["harm_s"], one["thermostat"]["harm_s"]) for one in west["faults"]}
    assert harm["host_lost"][0] > 300.0
    assert (harm["probe_silent"][0], harm["probe_silent"][1] > 300.0) == (0.0, True)
    assert [one["fault"] for one in west["not_played"]] == ["pushes_fail"]
    first = west["would_help"][0]
    assert (first["harm_s_after"], first["harm_s_before"]) == (
        0.0,
        pytest.approx(harm["host_lost"][0], abs=0.1),
    )
    assert "device_timer" in {one["change"] for one in west["would_help"] if not one["harm_s_after"]}


def test_harm_that_was_accepted_does_not_end_in_one(tmp_path: Path) -> None:
    """--accept names a harm that is known; it is still shown, with a mark."""
    done = rehearse(untimed(tmp_path), "--fault", "host_lost", "--accept", "host_lost", "--no-advice")

    assert (done.returncode, done.stderr) == (0, "")
    assert "host_lost*" in done.stdout
    assert "none of 1 faults leads to harm that was not accepted" in done.stdout


@pytest.mark.parametrize("name", ["usb-relay-with-timer.toml", "network-relay-with-timer.toml"])
def test_a_timer_outside_the_board_lets_it_end_in_nought(name: str) -> None:
    """The profiles with a timer outlive a lost board and a silent probe, which harm without a guard."""
    done = rehearse(CONFIG / name, *FEW)

    assert (done.returncode, done.stderr) == (0, "")
    for word in ("SIMULATION", "none of 2 faults leads to harm", "Harm only without the guard", "1.9 L"):
        assert word in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_the_demos_chambers_can_be_rehearsed(tmp_path: Path) -> None:
    """Each chamber has its own part, and a fault file of one's own is played."""
    (tmp_path / "demo.toml").write_text(CONFIGURATION)
    (tmp_path / "own.toml").write_text(
        '[[fault]]\nname = "my_needle"\nbreaks = "needle"\nsays = "Mine."\nnotice = "Bubbles."\n'
        'set.supply.needle = 1.5\nwater = ["falls faster"]\nprobe = ["true"]\n'
    )
    done = rehearse(
        tmp_path / "demo.toml", "--fault-file", str(tmp_path / "own.toml"), "--fault", "my_needle", "--json"
    )

    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert [one["faults"][0]["says"] for one in found["chambers"]] == ["Mine."] * len(found["chambers"])
    assert len(found["chambers"]) == CONFIGURATION.count("[[chamber]]")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fault", "gremlin"), "there is no fault 'gremlin'; there is host_lost"),
        (("--fault", "valve_stuk_open"), "there is valve_stuck_open"),
        (("--chamber", "attic"), "there is no chamber 'attic'; there are west"),
        (("--answer", "soon"), "--answer soon is no span"),
        (("--hours", "900"), "--hours 900 is not between"),
        (("--fault-file", "nowhere.toml"), "nowhere.toml cannot be read"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(words: tuple[str, ...], said: str) -> None:
    """A slip of the pen ends in 2 with a sentence, and nothing is played."""
    done = rehearse(CONFIG / "usb-relay-with-timer.toml", *words)

    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_bad_configuration_ends_in_two(tmp_path: Path) -> None:
    """Its keys are named as check names them."""
    (tmp_path / "bad.toml").write_text('[site]\nname = "x"\n[[chamber]]\nname = "west"\nfloor_ph = 9\n')
    done = rehearse(tmp_path / "bad.toml")

    assert done.returncode == 2
    assert "chamber.west.floor_ph" in done.stderr


def test_a_recorded_night_is_fitted_and_a_fault_put_in(tmp_path: Path) -> None:
    """What a probe's silence would have cost that night is reckoned on a chamber that reads as it did."""
    config = short_night.play(tmp_path)
    words = ("--from", short_night.FROM, "--to", "2026-03-14T23:14:00Z", "--fault", "probe_silent")
    done = rehearse(config, *words, "--json")

    assert (done.returncode, done.stderr) == (0, "")
    (fern,) = json.loads(done.stdout)["chambers"]
    assert fern["night"]["since"].startswith("2026-03-14T22:00")
    assert fern["night"]["fit"]["rms_ph"] < 0.03
    assert fern["night"]["fit"]["gas_ml_min"] == pytest.approx(4.04, rel=0.25)
    assert fern["faults"][0]["guard"]["harm_s"] == 0.0
    assert "fitted to the recorded night" in " ".join(fern["assumed"])


def test_a_night_without_a_journal_is_a_sentence(tmp_path: Path) -> None:
    """No journal, no recorded night: the end is 2."""
    (tmp_path / "demo.toml").write_text(CONFIGURATION)
    done = rehearse(tmp_path / "demo.toml", "--night", "2026-03-15")

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
