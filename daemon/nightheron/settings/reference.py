"""Writes ``config/reference.toml`` and ``config/nightheron.schema.json`` anew from the models.

    python -m nightheron.settings.reference [FOLDER] [--check]

The reference has every key with what it is for, its kind, its bounds and its default, and is a sound
configuration itself. ``--check`` writes nothing and exits 1 when a file is not what it would be.
"""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from nightheron.settings.schema import Schema, schema
from nightheron.settings.senses import TABLES
from nightheron.settings.tables import ButtonTable

FOLDER = Path("config")
SCHEMA_FILE, REFERENCE_FILE = "nightheron.schema.json", "reference.toml"
WIDTH = 100
WORTH_SAYING = 500
"""A longer text is longer than anybody writes."""
SAMPLE = "west"
"""The chamber that the models' examples speak of."""
GIVEN = {"commissioning": "require"}
"""What a shipped file says beside what it must."""
SENSES = tuple(signal.value for signal in TABLES)
BESIDE = ("probe", "probes", "valve", "valves", "button", "buttons", *SENSES)

HEAD = f"""\
#:schema ./{SCHEMA_FILE}
# Every key of a nightheron configuration. Made by `python -m nightheron.settings.reference` from the models
# that read it: do not change it by hand, copy from it. Start from a ready profile beside it.
#
#     key = value           must be given; the value is invented
#     #key = value          may be left out; the value is its default
#     # key = value         may be left out and has no default; the value is an example
#
# A key that is not here is an error. Secrets stand in files of their own, or come by NIGHTHERON_MQTT_PASSWORD
# and NIGHTHERON_PUSH_URLS. Times are seconds, pH is on the NBS scale.
"""
CHAMBER = """\
# One chamber: a vessel of media with its probe and its gas valve. Write it as often as you have chambers.
# commissioning = "require" keeps gas shut, and there is no command yet that finishes commissioning: once
# probe, valve and detector were seen to work, write "advise".
"""
LADDER = """\
# Who is told when nobody has seen a wake: after 5, 15 and 30 minutes the next in the order written here, at
# most three. Without a ladder the addresses above are told again."""
BUTTON = """\
# A push-button, or whatever speaks on a topic or a line: it can shut the gas and hold it shut, and nothing
# it says ends that. None is needed; [[chamber.buttons]] takes several. It is heard by the driver of a probe.
[chamber.button]
driver = "mqtt"
topic = "greenhouse/west/hands"
"""
DRIVERS = """\
# The other drivers. Whatever a chamber, probe or valve has above, it may have here too.
"""
SIGNALS = """\
# Several probes of one chamber: [[chamber.probes]] written two or three times instead of [chamber.probe]. The
# lower of two decides; of three the median, and one that is far off is set aside. Two valves in series:
# [[chamber.valves]] written twice; both shut on any doubt.
#
# Other signals of a chamber, each optional, by any probe driver: a number in the unit of its keys, or a
# switch that says 1 and 0. One beyond its limit shuts gas.
[[chamber]]
name = "with-signals"
commissioning = "require"

[chamber.probe]
driver = "mqtt"
topic = "greenhouse/with-signals/ph"

[chamber.valve]
driver = "mqtt"
order_topic = "greenhouse/with-signals/gas/order"
"""


def reference(whole: Schema) -> str:
    """The commented file with every key, from the schema."""
    parts = whole["$defs"]
    lines = [HEAD, *_table("[site]", parts["site"])]
    lines += ["# Where anything goes through a broker, probes, valves or reports: the one broker."]
    lines += _table("[mqtt]", parts["mqtt"])
    lines += [CHAMBER + "[[chamber]]", *_keys(parts["chamber"], beside=BESIDE)]
    names = _names(parts)
    lines += _device("probe", names[0], parts) + _device("valve", names[0], parts)
    own = ButtonTable.model_fields.keys() - {"driver"}
    lines += [BUTTON, *_keys(parts["button_mqtt"], beside=parts["button_mqtt"]["properties"].keys() - own)]
    lines += [DRIVERS]
    for name in names[1:]:
        chamber = f"with-{name}"
        lines += [f'[[chamber]]\nname = "{chamber}"']
        lines += [f'commissioning = "{GIVEN["commissioning"]}"', ""]
        lines += _device("probe", name, parts, chamber) + _device("valve", name, parts, chamber)
    lines += [SIGNALS, *_senses(parts)]
    lines += ["# The water the effluent goes to; it may be left out, and written more than once."]
    lines += _table("[[tank]]", parts["tank"], beside=BESIDE)
    lines += ["[tank.probe]                            # as any other probe", 'driver = "mqtt"']
    lines += ['topic = "greenhouse/display/ph"', "stale_s = 60.0", ""]
    lines += [
        "# Who is told, and when.",
        *_table("[alerts]", parts["alerts"], beside=("ladder",)),
    ]
    lines += [LADDER, *(_off(line) for line in _table("[[alerts.ladder]]", parts["ladder"]))]
    return "\n".join(lines).rstrip() + "\n"


def _off(line: str) -> str:
    """A line of a table that is left out as a whole."""
    return f"# {line.lstrip('# ')}" if line else line


def _senses(parts: Schema) -> list[str]:
    """Every signal's table, each with a probe on the broker."""
    lines: list[str] = []
    for name in SENSES:
        lines += _table(f"[chamber.{name}]", parts[f"sense_{name}"], beside=["probe"])
        lines += [f'[chamber.{name}.probe]\ndriver = "mqtt"']
        lines += [f'topic = "greenhouse/with-signals/{name}"', ""]
    return lines


def _names(parts: Schema) -> list[str]:
    """Every driver's name, the one that is explained in full first."""
    found = {name.partition("_")[2] for name in parts if name.startswith(("probe_", "valve_"))}
    return ["serial", *sorted(found - {"serial"})]


def _table(head: str, part: Schema, beside: Sequence[str] = ()) -> list[str]:
    return [head, *_keys(part, beside=beside)]


def _device(kind: str, name: str, parts: Schema, chamber: str = SAMPLE) -> list[str]:
    """One probe or valve; the keys that all have only in the first chamber."""
    stands_in = {"probe": "serial", "valve": "mqtt"}[kind]
    driver = name if f"{kind}_{name}" in parts else stands_in
    part = parts[f"{kind}_{driver}"]
    head = f'[chamber.{kind}]\ndriver = "{driver}"'
    if driver != name:
        return [head, *_only_needed(part, chamber), ""]
    other = next(p for n, p in parts.items() if n.startswith(f"{kind}_") and p is not part)
    shared = [n for n in part["properties"] if part["properties"][n] == other["properties"].get(n)]
    own = [] if chamber == SAMPLE else shared
    return [head, "", *_keys(part, beside=["driver", *own], chamber=chamber)]


def _only_needed(part: Schema, chamber: str) -> Iterator[str]:
    for name in part["required"]:
        if name != "driver":
            yield f"{name} = {_toml(_example(name, part['properties'][name], chamber))}"


def _keys(part: Schema, beside: Collection[str] = (), chamber: str = SAMPLE) -> list[str]:
    lines: list[str] = []
    for name, key in part["properties"].items():
        if name not in beside:
            lines += [*_entry(name, key, name in part["required"], chamber), ""]
    return lines


def _entry(name: str, key: Schema, required: bool, chamber: str) -> list[str]:
    text = " ".join(filter(None, [key["description"], _kind(key)]))
    if name in GIVEN:
        text += f" Default: {_toml(key['default'])}."
        line = f"{name} = {_toml(GIVEN[name])}"
    elif required:
        line = f"{name} = {_toml(_example(name, key, chamber))}"
    elif "default" in key or key.get("type") == "array":
        line = f"#{name} = {_toml(key.get('default', []))}"
    else:
        line = f"# {name} = {_toml(_example(name, key, chamber))}"
    return [*(f"# {row}" for row in textwrap.wrap(text, WIDTH, break_on_hyphens=False)), line]


def _example(name: str, key: Schema, chamber: str) -> Any:
    found = key.get("examples")
    if not found:
        raise ValueError(
            f"the key {name} has neither a default nor an example; give its Field examples=[...]"
        )
    return found[0].replace(SAMPLE, chamber) if isinstance(found[0], str) else found[0]


def _kind(key: Schema) -> str:
    """The kind of value and its bounds, in words."""
    if "anyOf" in key:
        return "Or: ".join(_kind(one) + " " for one in key["anyOf"]).strip()
    if "enum" in key:
        return f"One of {', '.join(_toml(value) for value in key['enum'])}."
    kind = key.get("type")
    if kind in ("number", "integer"):
        what = "A number" if kind == "number" else "A whole number"
        return f"{what}, {_short(key['minimum'])} to {_short(key['maximum'])}."
    if kind == "string":
        most = key.get("maxLength")
        return f"Text, at most {most} characters." if most and most <= WORTH_SAYING else "Text."
    return {"boolean": "Either true or false.", "array": "A list in brackets."}.get(str(kind), "")


def _short(number: float) -> str:
    return str(int(number)) if number == int(number) else str(number)


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_toml(one) for one in value)}]"
    if isinstance(value, str) and "\\" in value and "'" not in value:
        return f"'{value}'"
    return json.dumps(value, ensure_ascii=False)


def files() -> dict[str, str]:
    """The made files by name."""
    whole = schema()
    return {SCHEMA_FILE: json.dumps(whole, indent=2) + "\n", REFERENCE_FILE: reference(whole)}


def stale(folder: Path, made: Mapping[str, str]) -> list[str]:
    """Names of the files that are not what they would be."""
    return [
        name
        for name, text in made.items()
        if not (folder / name).exists() or (folder / name).read_text("utf-8") != text
    ]


def main(arguments: Sequence[str]) -> int:
    """0 when the files are as they would be, or were written; 1 when ``--check`` found one that is not."""
    words = [word for word in arguments if word != "--check"]
    folder = Path(words[0]) if words else FOLDER
    if len(words) > 1 or not folder.is_dir():
        print("usage: python -m nightheron.settings.reference [FOLDER] [--check]", file=sys.stderr)
        return 2
    made = files()
    old = stale(folder, made)
    if "--check" in arguments:
        for name in old:
            print(f"{folder / name} is stale; run python -m nightheron.settings.reference", file=sys.stderr)
        return 1 if old else 0
    for name in old:
        (folder / name).write_text(made[name], "utf-8")
        print(f"wrote {folder / name}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
