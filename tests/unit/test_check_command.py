"""``nightheron check`` says what is wrong, or shows what is in force."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest
from nightheron.cli import check
from nightheron.guard.interlock import TABLE
from nightheron.settings.reckon import CAUSES

from tests.support.configuration import GOOD, SECRET, changed, write


def run(path: Path, *, as_json: bool) -> int:
    """The command as main calls it."""
    return check.run(argparse.Namespace(config=path, json=as_json))


def test_a_sound_configuration_is_shown_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Wiring, every rule, every cause, the mechanical limit, warnings and cautions are all there."""
    assert run(write(tmp_path), as_json=False) == 0

    shown = capsys.readouterr().out
    for word in ("Chamber west", "/dev/made-up-probe", "greenhouse/east/gas/order", "tank    display"):
        assert word in shown
    assert all(rule.reason.value in shown for rule in TABLE)
    assert all(cause in shown for cause in CAUSES)
    for word in ("NOT BOUNDED", "Mechanical limit", "2 x normal", "10 x normal", "50 x normal", "Warnings"):
        assert word in shown
    for word in ("high pressure", "CO2 in a closed room", "mains", "not certified"):
        assert word in shown
    assert SECRET not in shown


def test_json_has_the_fixed_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A program finds ok, errors, warnings and budget, with null where nothing bounds."""
    assert run(write(tmp_path), as_json=True) == 0

    shown = json.loads(capsys.readouterr().out)
    assert (shown["ok"], shown["errors"]) == (True, [])
    assert set(shown["warnings"][0]) == {"key", "why"}
    row = next(r for r in shown["budget"] if r["chamber"] == "east" and r["cause"] == "valve_unreachable")
    assert set(row) == {"chamber", "cause", "seconds", "by", "water_s", "process_safety_s"}
    assert row["seconds"] is None
    assert [rule["reason"] for rule in shown["rules"]] == [rule.reason.value for rule in TABLE]


def test_faults_are_told_key_first_and_end_in_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each fault is one line on stderr that begins with its key; the exit code is 2."""
    assert run(write(tmp_path, changed(("port = 1883", "port = 0"))), as_json=False) == 2

    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines()[0] == "mqtt.port: must be at least 1 (it is 0)"


def test_faults_in_json_are_keys_and_whys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --json the faults are in the object, and the exit code is still 2."""
    assert run(write(tmp_path, changed(("floor_ph = 6.60", "floor_ph = nan"))), as_json=True) == 2

    shown = json.loads(capsys.readouterr().out)
    assert shown["ok"] is False
    assert shown["errors"] == [{"key": "chamber.west.floor_ph", "why": "must be a finite number"}]


def test_a_data_directory_that_cannot_be_made_is_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """check finds out before run does that the journal has nowhere to live."""
    (tmp_path / "file").write_text("")

    assert run(write(tmp_path, changed(('"data"', '"file/below"'))), as_json=False) == 2
    assert capsys.readouterr().err.startswith("site.data_dir: ")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('host = "127.0.0.1"', 'host = "192.0.2.7"', "mqtt.tls"),
        ("delay_s = 60", 'urls = ["json://example.org"]', "alerts.urls"),
        ("delay_s = 60", "delay_s = 60", "alerts.heartbeat_url"),
        ("delay_s = 60", "delay_s = 60", "alerts.urls_file"),
        ("water_l = 2.5\n", "", "chamber.east.water_l"),
        ("floor_ph = 6.60", "floor_ph = 6.60\nwater_l = 0.1\nlongest_opening_s = 600", "chamber.west"),
        ("floor_ph = 6.60", "floor_ph = 6.60", "chamber.west.commissioning"),
        ("floor_ph = 6.60", "floor_ph = 6.60", "chamber.west.probe.port"),
        ("floor_ph = 6.60", "floor_ph = 6.60", "chamber.west.valve.device_timer_s"),
        ("floor_ph = 6.60", "floor_ph = 6.60", "mqtt"),
    ],
)
def test_what_a_careful_person_would_ask_is_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, key: str
) -> None:
    """Each doubtful but usable choice is warned of by its key, and the exit code stays 0."""
    assert run(write(tmp_path, changed((old, new))), as_json=True) == 0
    assert key in [w["key"] for w in json.loads(capsys.readouterr().out)["warnings"]]


def test_what_was_put_right_is_not_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A finished choice silences its warning."""
    text = GOOD.replace('name = "west"', 'name = "west"\nwater_l = 1.9\ncommissioning = "require"', 1)
    text = changed(("delay_s = 60", 'heartbeat_url = "https://example.org/beat"'), text=text)
    assert run(write(tmp_path, text), as_json=True) == 0

    keys = [w["key"] for w in json.loads(capsys.readouterr().out)["warnings"]]
    for key in ("chamber.west.water_l", "chamber.west.commissioning", "alerts.heartbeat_url", "mqtt.tls"):
        assert key not in keys
