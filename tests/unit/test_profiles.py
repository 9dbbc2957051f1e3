"""The ready profiles of config/: each is what it says, and bounds what its build can bound."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest
from nightheron.cli import check
from nightheron.settings import budget, load, warnings
from nightheron.settings.site import Site
from nightheron_drivers import gpio_board

CONFIG = Path(__file__).parents[2] / "config"
USB, NETWORK, PIN = "usb-relay-with-timer.toml", "network-relay-with-timer.toml", "board-pin.toml"
LOST = ("valve_unreachable", "broker_lost", "host_lost")


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the board under the tests says of its own pins must not decide."""
    monkeypatch.setattr(gpio_board, "SYS", tmp_path)


def bounds(site: Site) -> dict[str, float | None]:
    """Seconds until gas is shut, by cause."""
    return {row.cause: row.seconds for row in budget(site)}


@pytest.mark.parametrize(
    ("name", "probe", "valve"),
    [(USB, "serial", "serial"), (NETWORK, "mqtt", "mqtt"), (PIN, "serial", "gpio")],
)
def test_a_profile_is_the_build_it_says(name: str, probe: str, valve: str) -> None:
    """One chamber, with the drivers of its build."""
    (chamber,) = load(CONFIG / name, {}).chambers

    assert [p.driver for p in chamber.probes] == [probe]
    assert [v.driver for v in chamber.valves] == [valve]


@pytest.mark.parametrize("name", [USB, NETWORK])
def test_a_timer_outside_the_board_bounds_every_loss(name: str) -> None:
    """With the lease in the order the relay shuts after it, rounded up, and its travel: 5 + 2 s."""
    site = load(CONFIG / name, {})

    assert None not in bounds(site).values()
    assert {bounds(site)[cause] for cause in LOST} <= {0.0, 7.0}
    assert not [w for w in warnings(site) if "NOT BOUNDED" in w.why]


def test_the_pin_promises_nothing_until_its_watchdog_was_seen() -> None:
    """As shipped a hung board is not bounded; with the line it shows it would be."""
    site = load(CONFIG / PIN, {})
    assert bounds(site)["host_lost"] is None
    assert any("NOT BOUNDED" in w.why and "host_lost" in w.why for w in warnings(site))


def test_the_line_the_pin_profile_shows_is_a_sound_one(tmp_path: Path) -> None:
    """Taking the # away bounds a hung board by watchdog and travel."""
    shown = (CONFIG / PIN).read_text()
    assert "# watchdog_s = 15 " in shown
    path = tmp_path / "pin.toml"
    path.write_text(shown.replace("# watchdog_s = 15 ", "watchdog_s = 15 "))

    assert bounds(load(path, {}))["host_lost"] == 17


@pytest.mark.parametrize("name", [USB, NETWORK, PIN])
def test_a_profile_says_what_can_hurt_and_how_to_go_on(name: str) -> None:
    """Gas, room air, mains and licensed practice stand at the top; at commissioning stands how to go on."""
    text = (CONFIG / name).read_text()
    head = text[: text.index("[site]")]

    for word in (
        "pressure",
        "hand valve",
        "CO2 in a closed room",
        "detector",
        "Mains",
        "licensed",
        "wiring.md",
    ):
        assert word in head
    assert '"advise"' in text[text.index("resume_ph") : text.index("[chamber.probe]")]


def test_the_guide_names_every_profile_and_each_profile_its_build() -> None:
    """Guide and profiles point at each other by names that exist."""
    guide = (CONFIG / "wiring.md").read_text()

    for number, name in enumerate((USB, NETWORK, PIN), 1):
        assert f"`{name}`" in guide
        assert f"## Build {number}" in guide
        assert f"# Build {number}:" in (CONFIG / name).read_text()


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        (USB, "its own timer told by each order, does not report its position"),
        (NETWORK, "its own timer told by each order, reports its position"),
        (PIN, "gpio /dev/gpiochip0 line 17, lease 5 s, no timer of its own configured, does not report"),
    ],
)
def test_check_shows_the_valve_of_each_build(
    name: str, shown: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Shown are the valve's place, what shuts it without orders, and whether it says where it stands."""
    path = tmp_path / name
    path.write_text((CONFIG / name).read_text().replace("[site]\n", '[site]\ndata_dir = "data"\n'))
    check.run(argparse.Namespace(config=path, json=False))

    assert shown in capsys.readouterr().out
