"""The made files of config/ are fresh, true and usable: the reference with every key, and the JSON Schema."""

from __future__ import annotations

import json
import re
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings, strategies as st
from nightheron.settings import BadConfiguration, drivers, load
from nightheron.settings.parse import TOP
from nightheron.settings.reference import REFERENCE_FILE, SCHEMA_FILE, files, main, stale
from nightheron.settings.schema import schema
from nightheron_drivers import gpio_board

from tests.support.configuration import GOOD, changed, write

TOP_FOLDER = Path(__file__).parents[2]
CONFIG = TOP_FOLDER / "config"
SHIPPED = sorted(CONFIG.glob("*.toml"))
DEFAULT_LINE = re.compile(r"^#(?=\w+ = )", re.MULTILINE)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the board under the tests says of its own pins must not decide."""
    monkeypatch.setattr(gpio_board, "SYS", tmp_path_factory.mktemp("sys"))


def validator() -> jsonschema.Draft202012Validator:
    """The schema as it is shipped."""
    return jsonschema.Draft202012Validator(json.loads((CONFIG / SCHEMA_FILE).read_text()))


def document(text: str) -> dict[str, Any]:
    """TOML as a JSON validator sees it."""
    found: dict[str, Any] = json.loads(json.dumps(tomllib.loads(text)))
    return found


def test_the_made_files_are_fresh() -> None:
    """Reference and schema are what the models of today make; run python -m nightheron.settings.reference."""
    assert stale(CONFIG, files()) == []


def test_stale_files_are_found_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The generator says which file is stale, writes what is missing or changed, and then finds nothing."""
    assert main([str(tmp_path), "--check"]) == 1
    assert "nightheron.settings.reference" in capsys.readouterr().err
    assert main([str(tmp_path)]) == 0
    (tmp_path / REFERENCE_FILE).write_text("floor_ph = 6.5\n")
    assert stale(tmp_path, files()) == [REFERENCE_FILE]
    assert main([str(tmp_path)]) == 0
    assert main([str(tmp_path), "--check"]) == 0
    assert main([str(tmp_path / "none")]) == 2
    assert main(["a", "b"]) == 2


def test_the_reference_is_a_sound_configuration() -> None:
    """The file with every key can be started from as it lies there, and gas stays shut."""
    site = load(CONFIG / REFERENCE_FILE, {})

    assert {v.driver for v in site.valves()} == set(drivers.shipped(drivers.VALVES))
    assert {p.driver for p in site.probes()} == set(drivers.shipped(drivers.PROBES))
    assert all(c.table.commissioning == "require" for c in site.chambers)


def test_the_defaults_it_shows_are_the_defaults(tmp_path: Path) -> None:
    """With every default written out the site is the very same."""
    text = (CONFIG / REFERENCE_FILE).read_text()
    written, count = DEFAULT_LINE.subn("", text)
    copy = tmp_path / "all.toml"
    copy.write_text(written)

    assert count > 30
    assert load(copy, {}).fingerprint() == load(CONFIG / REFERENCE_FILE, {}).fingerprint()


def test_every_key_is_in_the_reference_with_what_it_is_for() -> None:
    """No key of any table or shipped driver is without its description and its line."""
    text = (CONFIG / REFERENCE_FILE).read_text()
    prose = " ".join(re.sub(r"^# ?", "", line) for line in text.splitlines())

    for name, part in schema()["$defs"].items():
        for key, about in part["properties"].items():
            if "$ref" in about or key in ("driver", "probes", "valves", "buttons", "ladder"):
                continue
            assert about["description"] in prose, f"{name}.{key}"
            assert re.search(rf"^#? ?{key} = ", text, re.MULTILINE), f"{name}.{key}"


def test_the_schema_is_one() -> None:
    """The schema keeps the rules of draft 2020-12 and knows the same tables as the loader."""
    whole = json.loads((CONFIG / SCHEMA_FILE).read_text())

    jsonschema.Draft202012Validator.check_schema(whole)
    assert tuple(whole["properties"]) == TOP
    refs = set(re.findall(r'"#/\$defs/([^"]+)"', json.dumps(whole)))
    assert refs == set(whole["$defs"])


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.name)
def test_every_shipped_file_is_sound_and_fits_the_schema(path: Path) -> None:
    """What we ship loads, fits the schema, and keeps gas shut until somebody decides otherwise."""
    validator().validate(document(path.read_text()))

    assert all(c.table.commissioning == "require" for c in load(path, {}).chambers)


def test_the_readme_fits_the_schema() -> None:
    """The configuration shown in the README fits the schema."""
    (block,) = re.findall(r"```toml\n(.*?)```", (TOP_FOLDER / "README.md").read_text(), re.DOTALL)

    validator().validate(document(block))


FLOOR = "floor_ph = 6.60"


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("[alerts]", "[alarms]", ""),
        (FLOOR, f"{FLOOR}\nfloor = 6.5", "chamber/0"),
        (FLOOR, "floor_ph = 66", "chamber/0/floor_ph"),
        (FLOOR, 'floor_ph = "6.6"', "chamber/0/floor_ph"),
        ('name = "west"', 'name = "we/st"', "chamber/0/name"),
        ('name = "west"\n', "", "chamber/0"),
        ("[chamber.valve]", "[chamber.tap]", "chamber/0"),
        ('driver = "serial"', "driver = 7", "chamber/0/probe/driver"),
        ('port = "/dev/made-up-probe"', 'port = "/dev/made-up-probe"\nparity = "none"', "chamber/0/probe"),
        ('open_line = "OPEN"', 'open_line = ""', "chamber/0/valve/open_line"),
        ('order_topic = "greenhouse/east/gas/order"', "", "chamber/1/valve"),
        ('chambers = ["west", "east"]', "chambers = []", "tank/0/chambers"),
        ("delay_s = 60", 'digest_at = "25:00"', "alerts/digest_at"),
    ],
)
def test_the_schema_refuses(tmp_path: Path, old: str, new: str, place: str) -> None:
    """What one key alone gets wrong is found by the schema, at its place, and by the loader too."""
    validator().validate(document(GOOD))
    text = changed((old, new))

    found = {"/".join(map(str, error.absolute_path)) for error in validator().iter_errors(document(text))}
    assert place in found
    with pytest.raises(BadConfiguration):
        load(write(tmp_path, text), {})


def test_a_driver_of_somebody_else_is_left_to_the_loader() -> None:
    """The schema knows shipped drivers; the keys of any other are open."""
    text = changed(('driver = "serial"', 'driver = "somebody-elses"\nparity = "none"'))

    validator().validate(document(text))


PLACES: dict[str, tuple[str | int, ...]] = {
    "site": ("site",),
    "mqtt": ("mqtt",),
    "chamber": ("chamber", 0),
    "probe_serial": ("chamber", 0, "probe"),
    "valve_serial": ("chamber", 0, "valve"),
    "tank": ("tank", 0),
    "alerts": ("alerts",),
    "ladder": ("alerts", "ladder", 0),
}
"""Where in the sound configuration each part of the schema stands."""


def values_of(key: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Values that the schema lets a key have; its bounds among them."""
    if "enum" in key:
        return st.sampled_from(key["enum"])
    if key.get("type") in ("number", "integer"):
        least, most = key["minimum"], key["maximum"]
        inner = st.integers(int(least) + 1, int(most)) if key["type"] == "integer" else st.floats(least, most)
        return st.sampled_from([least, most]) | inner
    return st.booleans() if key.get("type") == "boolean" else st.nothing()


CHOICES = [
    st.tuples(st.just(PLACES[part]), st.just(name), values_of(key))
    for part, about in schema()["$defs"].items()
    if part in PLACES
    for name, key in about["properties"].items()
    if not values_of(key).is_empty
]


def toml(table: dict[str, Any], path: str = "") -> str:
    """A document of plain values, tables and tables in lists as TOML."""
    plain = {k: v for k, v in table.items() if not _tables(v)}
    text = "".join(f"{k} = {json.dumps(v)}\n" for k, v in plain.items())
    for name, below in table.items():
        inner = f"{path}.{name}" if path else name
        if isinstance(below, dict):
            text += f"[{inner}]\n{toml(below, inner)}"
        elif _tables(below):
            text += "".join(f"[[{inner}]]\n{toml(one, inner)}" for one in below)
    return text


def _tables(value: object) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and all(isinstance(v, dict) for v in value))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.one_of(CHOICES), min_size=1, max_size=2))
def test_schema_and_loader_agree_on_single_values(
    changes: list[tuple[tuple[str | int, ...], str, Any]],
) -> None:
    """What the schema allows a key is refused, if at all, only for how keys stand to each other."""
    made = tomllib.loads(GOOD)
    for path, name, value in changes:
        place: Any = made
        for step in path:
            place = place[step]
        place[name] = value
    validator().validate(document(toml(made)))
    with tempfile.TemporaryDirectory() as directory:
        try:
            load(write(Path(directory), toml(made)), {})
        except BadConfiguration as bad:
            assert all(re.search(ACROSS, fault.why) for fault in bad.faults), bad.faults


ACROSS = "above|at least three times|calibration|tls|TLS|certificate|differs"
"""Words of the faults that only show between keys."""
