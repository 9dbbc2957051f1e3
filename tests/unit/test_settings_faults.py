"""Every kind of bad configuration is refused by its key and one plain sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.settings import BadConfiguration, load

from tests.support.bad_configurations import KINDS, Bad
from tests.support.configuration import changed, write


def test_a_text_with_nul_is_named(tmp_path: Path) -> None:
    """No system call takes a text that holds NUL; it is a fault of its key and no traceback."""
    text = changed(('port = "/dev/', 'port = "/dev/\\u0000'))
    with pytest.raises(BadConfiguration, match=r"\.port: must not hold the character NUL"):
        load(write(tmp_path, text), {})


@pytest.mark.parametrize("bad", KINDS, ids=lambda bad: bad.kind)
def test_the_key_is_named_with_why(tmp_path: Path, bad: Bad) -> None:
    """The fault names the key a person would look for, and says why in one line."""
    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, bad.text), dict([bad.variable] if bad.variable else []))

    faults = caught.value.faults
    assert any(f.key == bad.key and bad.why in f.why for f in faults), faults
    assert all("\n" not in f.why for f in faults)
    assert all(word not in str(caught.value) for word in ("pydantic", "Input should", "validation error"))


def two_on_a_port(first: str, second: str, kind: str) -> str:
    """Two chambers whose ``kind`` tables are these."""
    rest = {
        "probe": 'driver = "rig"\npath = "/tmp/r"\nchamber = "{0}"',
        "valve": 'driver = "rig"\npath = "/tmp/r"',
    }
    parts = ['[site]\nname = "s"\n']
    for name, own in (("west", first), ("east", second)):
        tables = {k: v.replace("{0}", name) for k, v in rest.items()} | {kind: own}
        parts.append(f'[[chamber]]\nname = "{name}"\n')
        parts += [f"[chamber.{k}]\n{v}\n" for k, v in tables.items()]
    return "".join(parts)


VALVE = 'driver = "serial"\nport = "/dev/made-up"\nopen_line = "A1"\nclose_line = "A0"'
PROBE = 'driver = "serial"\nport = "/dev/made-up"\npattern = "a(?P<value>[0-9.]+)"'


@pytest.mark.parametrize(
    ("kind", "first", "second", "key"),
    [
        ("valve", VALVE, VALVE.replace("A1", "B1"), "chamber.east.valve.close_line"),
        ("valve", VALVE, VALVE.replace("A", "B") + "\nbaud = 19200", "chamber.east.valve.baud"),
        ("probe", PROBE, PROBE, "chamber.east.probe.pattern"),
        ("probe", PROBE, PROBE.replace('"a', '"b') + "\nbaud = 19200", "chamber.east.probe.baud"),
    ],
)
def test_devices_that_cannot_share_a_port_are_refused(
    tmp_path: Path, kind: str, first: str, second: str, key: str
) -> None:
    """Two devices on one serial port that could not be told apart are a fault of the second."""
    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, two_on_a_port(first, second, kind)), {})

    assert [f.key for f in caught.value.faults] == [key]


@pytest.mark.parametrize(
    ("kind", "first", "second"),
    [("valve", VALVE, VALVE.replace("A", "B")), ("probe", PROBE, PROBE.replace('"a', '"b'))],
)
def test_devices_that_can_be_told_apart_share_a_port(
    tmp_path: Path, kind: str, first: str, second: str
) -> None:
    """Two valves with different lines, or two probes with different patterns, may share a port."""
    assert len(load(write(tmp_path, two_on_a_port(first, second, kind)), {}).chambers) == 2


def test_one_adapter_under_two_names_is_one_port(tmp_path: Path) -> None:
    """A probe and a valve on one adapter are found out though the file names it twice differently."""
    device = tmp_path / "tty"
    device.write_text("")
    (tmp_path / "by-id").symlink_to(device)
    text = changed(("/dev/made-up-probe", str(device)), ("/dev/made-up-valve", str(tmp_path / "by-id")))

    with pytest.raises(BadConfiguration, match=r"chamber\.west\.probe\.port"):
        load(write(tmp_path, text), {})


def test_two_chambers_cannot_share_one_simulated_chamber(tmp_path: Path) -> None:
    """Two rig probes that name the same simulated chamber are a copying slip."""
    rig = 'driver = "rig"\npath = "/tmp/r"\nchamber = "west"'

    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, two_on_a_port(rig, rig, "probe")), {})

    assert [f.key for f in caught.value.faults] == ["chamber.east.probe.chamber"]


def test_a_missing_key_is_told_with_what_it_is_for(tmp_path: Path) -> None:
    """The fault of a key that is missing carries the words the reference has for it."""
    text = changed(('name = "west"\n', ""), ("pattern = '(?P<value>-?\\d+\\.\\d+)'\n", ""))

    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, text), {})

    found = {f.key: f.why for f in caught.value.faults}
    assert found["chamber[1].name"] == "is missing and has no default: the name of the chamber"
    assert "a regular expression that must match the whole line" in found["chamber[1].probe.pattern"]
