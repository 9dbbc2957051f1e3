"""Secrets come by file or environment and are never shown."""

from __future__ import annotations

import logging
import traceback
from pathlib import Path

import pytest
from nightheron.settings import BadConfiguration, load, warnings

from tests.support.bad_configurations import KINDS
from tests.support.configuration import GOOD, SECRET, changed, write

PASSWORD = "NIGHTHERON_MQTT_PASSWORD"  # noqa: S105 - the variable's name
URLS = "NIGHTHERON_PUSH_URLS"


def refusal(path: Path, environ: dict[str, str]) -> BadConfiguration:
    """The exception that loading ends in."""
    with pytest.raises(BadConfiguration) as caught:
        load(path, environ)
    return caught.value


def test_the_environment_wins_over_the_file_and_says_so(tmp_path: Path) -> None:
    """With both given, the variable's password is used and a warning names the file's key."""
    site = load(write(tmp_path), {PASSWORD: "other"})

    assert site.mqtt is not None
    assert site.mqtt.broker.password == "other"  # noqa: S105 - an invented word
    assert any(w.key == "mqtt.password_file" and PASSWORD in w.why for w in warnings(site))


@pytest.mark.parametrize("bad", KINDS, ids=lambda bad: bad.kind)
def test_no_refusal_shows_a_secret(tmp_path: Path, bad: object, caplog: pytest.LogCaptureFixture) -> None:
    """Whatever else is wrong, neither the message nor a traceback holds a password or a push address."""
    caplog.set_level(logging.DEBUG)
    text: str = getattr(bad, "text", GOOD)
    text = text.replace("[alerts]", f'[alerts]\nheartbeat_url = "x://{SECRET}"\nurls = ["{SECRET}"]')
    caught = refusal(write(tmp_path, text), {PASSWORD: SECRET, "NIGHTHERON_TYPO": SECRET})

    shown = "".join(traceback.format_exception(caught)) + repr(caught.faults) + caplog.text
    assert SECRET not in shown


@pytest.mark.parametrize(
    "line",
    [f'password = "{SECRET}"', f'port = "{SECRET}"', f'tls = "{SECRET}"', f'ca_file = ["{SECRET}"]'],
)
def test_a_secret_in_the_wrong_place_is_refused_and_not_repeated(tmp_path: Path, line: str) -> None:
    """A password pasted into the file is a fault that does not print it."""
    caught = refusal(write(tmp_path, changed(("port = 1883", line))), {})

    assert SECRET not in str(caught)


def test_an_empty_or_unreadable_secret_is_a_fault(tmp_path: Path) -> None:
    """A password file that holds nothing, or is no text, is named by its key."""
    path = write(tmp_path)
    for data in (b"", b"\n", b"\xff\xfe"):
        (tmp_path / "broker.password").write_bytes(data)
        assert [f.key for f in refusal(path, {}).faults] == ["mqtt.password_file"]
    assert PASSWORD in [f.key for f in refusal(write(tmp_path), {PASSWORD: ""}).faults]


def test_a_password_nobody_uses_is_a_fault(tmp_path: Path) -> None:
    """A password without a username would be dropped in silence, so it is refused."""
    caught = refusal(write(tmp_path, changed(('username = "nightheron"\n', ""))), {})

    assert [f.key for f in caught.faults] == ["mqtt.username"]


def test_push_addresses_come_from_file_or_environment(tmp_path: Path) -> None:
    """One address a line, notes aside; the environment wins; none of them is shown."""
    (tmp_path / "push.urls").write_text(f"# the phone\njson://{SECRET}/a\n\njson://{SECRET}/b\n")
    path = write(tmp_path, changed(("delay_s = 60", 'urls_file = "push.urls"')))

    assert len(load(path, {}).alerts.urls) == 2
    site = load(path, {URLS: f"json://{SECRET}/c"})
    assert [u.get_secret_value() for u in site.alerts.urls] == [f"json://{SECRET}/c"]
    assert SECRET not in repr(site) + repr(warnings(site)) + repr(site.effective())


def test_a_ladder_names_people_and_hides_where_they_are_reached(tmp_path: Path) -> None:
    """Each step has its person's addresses, by file or in place, and shows none of them."""
    (tmp_path / "rui.urls").write_text(f"json://{SECRET}/rui\n")
    steps = f"""delay_s = 60
quiet_hours = "22:00-07:00"
[[alerts.ladder]]
name = "Rui"
urls_file = "rui.urls"
[[alerts.ladder]]
name = "Ana"
urls = ["json://{SECRET}/ana"]"""
    site = load(write(tmp_path, changed(("delay_s = 60", steps))), {})

    told = [(step.name, [url.get_secret_value() for url in step.urls]) for step in site.alerts.ladder]
    assert told == [("Rui", [f"json://{SECRET}/rui"]), ("Ana", [f"json://{SECRET}/ana"])]
    assert site.alerts.quiet_hours == "22:00-07:00"
    assert SECRET not in repr(site) + repr(warnings(site)) + repr(site.effective())
    warned = [w.key for w in warnings(site)]
    assert {"alerts.urls", "alerts.urls_file", "alerts.heartbeat_url"} <= set(warned)
    assert ("alerts.ladder[1].urls_file" in warned) is bool((tmp_path / "rui.urls").stat().st_mode & 0o4)


def test_a_push_address_without_scheme_is_refused_without_being_shown(tmp_path: Path) -> None:
    """A line that is no address is counted, not printed."""
    caught = refusal(write(tmp_path), {URLS: f"json://fine {SECRET}"})

    assert [(f.key, f.why) for f in caught.faults] == [(URLS, "address 2 does not begin like scheme://")]


def test_a_secret_file_open_to_all_is_warned_of(tmp_path: Path) -> None:
    """A password that every user of the board can read is worth a warning."""
    path = write(tmp_path)
    assert "mqtt.password_file" not in [w.key for w in warnings(load(path, {}))]
    (tmp_path / "broker.password").chmod(0o644)
    assert "mqtt.password_file" in [w.key for w in warnings(load(path, {}))]
