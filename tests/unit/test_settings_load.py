"""A sound configuration gives the limits and plans it says."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from nightheron.guard.limits import ProbeLimits
from nightheron.model import Signal
from nightheron.settings import BadConfiguration, data_dir_fault, data_dir_of, load

from tests.support.configuration import GOOD, SECRET, changed, write

EXAMPLE = Path(__file__).parents[2] / "config" / "example.toml"


def test_unwritten_keys_have_the_documented_defaults(tmp_path: Path) -> None:
    """A chamber that says nothing but name, probe and valve is guarded by the documented numbers."""
    east = load(write(tmp_path), {}).limits()[1]

    assert (east.floor_ph, east.resume_ph, east.deep_low_margin_ph) == (6.60, 6.70, 0.30)
    assert (east.min_rest_s, east.settle_s, east.longest_opening_s) == (120, 30, 21_600)
    assert (east.trial_opening_s, east.trial_pause_s) == (600, 1800)
    assert (east.probe_lag_s, east.tail_s, east.starts_per_hour) == (60, 90, 10)
    assert (east.valve.lease_s, east.valve.travel_s, east.valve.feedback) == (5, 2, False)
    assert (east.probes[0].period_s, east.probes[0].stale_s) == (1, 5)
    assert not east.commissioning_required


def test_the_tank_reaches_the_chambers_that_feed_it(tmp_path: Path) -> None:
    """Each chamber named by a tank is guarded by that tank's limits."""
    west, east = load(write(tmp_path), {}).limits()

    assert west.tank == east.tank
    assert west.tank is not None
    assert (west.tank.name, west.tank.low_ph, west.tank.clear_ph) == ("display", 7.70, 7.80)
    assert west.tank.probe.stale_s == 60


def test_plans_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Probes and valves have fixed ids, chambers first, and say whom they serve."""
    site = load(write(tmp_path), {})

    assert [(p.id, p.signal, p.chambers) for p in site.probes()] == [
        ("chamber/west/0", Signal.CHAMBER_PH, ("west",)),
        ("chamber/east/0", Signal.CHAMBER_PH, ("east",)),
        ("tank/display/0", Signal.TANK_PH, ("west", "east")),
    ]
    assert [(v.id, v.chamber, v.index, v.driver) for v in site.valves()] == [
        ("west/0", "west", 0, "serial"),
        ("east/0", "east", 0, "mqtt"),
    ]
    assert site.valves()[0].bus != site.valves()[1].bus


def test_lists_of_one_probe_and_valve_are_the_same_as_single_tables(tmp_path: Path) -> None:
    """[[chamber.probes]] with one entry means what [chamber.probe] means."""
    text = changed(("[chamber.probe]", "[[chamber.probes]]"), ("[chamber.valve]", "[[chamber.valves]]"))

    assert load(write(tmp_path, text), {}).limits() == load(write(tmp_path), {}).limits()


def test_stale_follows_the_interval(tmp_path: Path) -> None:
    """An unwritten stale_s is five seconds, or three intervals where that is longer."""
    text = changed(('topic = "greenhouse/east/ph"', 'topic = "greenhouse/east/ph"\nperiod_s = 4'))

    probe = load(write(tmp_path, text), {}).limits()[1].probes[0]

    assert isinstance(probe, ProbeLimits)
    assert probe.stale_s == 12


def test_a_short_longest_opening_shortens_the_trial_with_it(tmp_path: Path) -> None:
    """A longest opening below the default trial is no fault while no trial was written."""
    text = changed(("floor_ph = 6.60", "floor_ph = 6.60\nlongest_opening_s = 300"))

    assert load(write(tmp_path, text), {}).limits()[0].trial_opening_s == 300


def test_whole_numbers_stand_for_decimals(tmp_path: Path) -> None:
    """An integer where a decimal is meant is taken."""
    text = changed(("floor_ph = 6.60", "floor_ph = 6"))

    assert load(write(tmp_path, text), {}).limits()[0].floor_ph == 6.0


def test_relative_paths_count_from_the_file(tmp_path: Path) -> None:
    """data_dir beside the file is found wherever the command is started."""
    path = write(tmp_path)

    assert load(path, {}).data_dir == tmp_path / "data" == data_dir_of(path, {})


def test_the_fingerprint_follows_what_decides_and_not_the_password(tmp_path: Path) -> None:
    """Another floor is another configuration; another password is the same."""
    path = write(tmp_path)
    first = load(path, {}).fingerprint()
    (tmp_path / "broker.password").write_text("another")

    assert load(path, {}).fingerprint() == first
    path.write_text(changed(("floor_ph = 6.60", "floor_ph = 6.61")))
    assert load(path, {}).fingerprint() != first
    assert len(first) == 64


def test_the_effective_configuration_is_json_without_secrets(tmp_path: Path) -> None:
    """What is shown of the configuration is plain JSON and holds no password."""
    site = load(write(tmp_path), {})

    assert SECRET not in json.dumps(site.effective(), allow_nan=False)
    assert SECRET not in repr(site)
    assert site.mqtt is not None
    assert site.mqtt.broker.password == SECRET


def test_the_example_is_sound_and_asks_for_commissioning() -> None:
    """The example we ship loads, and keeps gas shut until commissioning is finished."""
    site = load(EXAMPLE, {})

    assert [limits.commissioning_required for limits in site.limits()] == [True]


def test_the_data_directory_is_found_without_the_heavy_parts(tmp_path: Path) -> None:
    """Commands that only need the control socket import no pydantic and no driver."""
    code = (
        "import sys; from pathlib import Path; from nightheron.settings import data_dir_of;"
        "print(data_dir_of(Path(sys.argv[1]), {}));"
        "sys.exit(any(m in sys.modules for m in ('pydantic', 'paho', 'serial')))"
    )

    done = subprocess.run(  # noqa: S603 - our own interpreter
        [sys.executable, "-c", code, str(write(tmp_path))], capture_output=True, text=True, check=False
    )

    assert (done.returncode, done.stdout.strip()) == (0, str(tmp_path / "data"))


def test_a_data_directory_too_long_for_the_control_socket_is_refused(tmp_path: Path) -> None:
    """A path that would not hold a Unix socket is named before the service needs it."""
    path = write(tmp_path, changed(('data_dir = "data"', f'data_dir = "{"d" * 100}"')))

    with pytest.raises(BadConfiguration, match=r"site\.data_dir: too long"):
        data_dir_of(path, {})


def test_an_unusable_data_directory_is_named(tmp_path: Path) -> None:
    """A directory below a plain file can never be made, and that is said without making anything."""
    (tmp_path / "file").write_text("")

    fault = data_dir_fault(tmp_path / "file" / "below")

    assert fault is not None
    assert fault.key == "site.data_dir"
    assert data_dir_fault(tmp_path / "new" / "deeper") is None
    assert not (tmp_path / "new").exists()


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    """Three faults in three tables are three faults in one answer."""
    text = changed(
        ("floor_ph = 6.60", "floor_ph = 99"), ("port = 1883", "port = 0"), ("delay_s = 60", "delay = 60")
    )

    with pytest.raises(BadConfiguration) as caught:
        load(write(tmp_path, text), {})

    assert {f.key for f in caught.value.faults} == {"chamber.west.floor_ph", "mqtt.port", "alerts.delay"}


@pytest.mark.parametrize("data", [b"\xff\xfe", b"\0\0", b"[" * 5000, b"a = 1\n" * 3 + b"\x80"])
def test_bytes_that_are_no_toml_are_refused_in_one_sentence(tmp_path: Path, data: bytes) -> None:
    """Whatever bytes the file holds, the answer is one fault with the key config."""
    path = tmp_path / "nightheron.toml"
    path.write_bytes(data)

    with pytest.raises(BadConfiguration) as caught:
        load(path, {})

    assert [f.key for f in caught.value.faults] == ["config"]
    assert "\n" not in caught.value.faults[0].why


def test_a_directory_and_a_missing_file_are_told_apart(tmp_path: Path) -> None:
    """A path that is no file is named as what it is."""
    with pytest.raises(BadConfiguration, match="is a directory"):
        load(tmp_path, {})
    with pytest.raises(BadConfiguration, match="there is no file"):
        load(tmp_path / "gone.toml", {})
    with pytest.raises(BadConfiguration, match="not a regular file"):
        load(Path("/dev/zero"), {})


def test_the_sound_text_is_what_the_spoilt_ones_start_from(tmp_path: Path) -> None:
    """Without a spoiling change there is no fault, so each fault found elsewhere has its one cause."""
    assert [c.name for c in load(write(tmp_path, GOOD), {}).chambers] == ["west", "east"]


def test_buttons_reach_the_plans(tmp_path: Path) -> None:
    """A chamber may have buttons, two chambers may share a topic, and each is told apart by its id."""
    button = '[chamber.button]\ndriver = "mqtt"\ntopic = "hands"\n'
    more = '[[chamber.buttons]]\ndriver = "mqtt"\ntopic = "hands"\nrest_text = "0"\nremind_s = 90\n'
    text = changed(
        ('[[chamber]]\nname = "east"', f'{button}[[chamber]]\nname = "east"'), ("[[tank]]", f"{more}[[tank]]")
    )
    site = load(write(tmp_path, text), {})
    assert [(b.id, b.chamber, b.rest_text, b.remind_s) for b in site.buttons()] == [
        ("button/west/0", "west", None, 3600.0),
        ("button/east/0", "east", "0", 90.0),
    ]
