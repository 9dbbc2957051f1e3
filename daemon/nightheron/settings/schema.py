"""The JSON Schema (draft 2020-12) of the file, from the very models that validate it.

For editors, and for whoever writes the file by program. It knows each key by itself: what only shows when
keys are held against each other, only `nightheron check` finds. Of drivers it knows those that are shipped;
the keys of any other are left open.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from nightheron.settings import drivers
from nightheron.settings.senses import TABLES
from nightheron.settings.tables import (
    AlertsTable,
    ButtonTable,
    ChamberTable,
    LadderTable,
    MqttTable,
    ProbeTable,
    SenseProbeTable,
    SiteTable,
    TankTable,
    ValveTable,
)

Schema = dict[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
PLURALS = {"probe": "probes", "valve": "valves"}
"""How several devices of a chamber are written, where one is not enough."""


def schema() -> Schema:
    """The whole schema, ready for ``json.dumps``."""
    definitions: Schema = {}
    for name, model in (("site", SiteTable), ("mqtt", MqttTable), ("alerts", AlertsTable)):
        definitions[name] = table(model, definitions)
    _devices("probe", drivers.PROBES, ProbeTable, definitions)
    _devices("valve", drivers.VALVES, ValveTable, definitions)
    _devices("button", drivers.PROBES, ButtonTable, definitions)
    _devices("sense_probe", drivers.PROBES, SenseProbeTable, definitions)
    definitions["chamber"] = _chamber(definitions)
    definitions["ladder"] = table(LadderTable, definitions)
    definitions["alerts"]["properties"]["ladder"] = {"type": "array", "maxItems": 3, "items": _ref("ladder")}
    definitions["tank"] = _with_devices(table(TankTable, definitions), {"probe": None})
    return {
        "$schema": DIALECT,
        "title": "nightheron",
        "description": "The configuration of one site.",
        "type": "object",
        "properties": {
            "site": _ref("site"),
            "mqtt": _ref("mqtt"),
            "chamber": {"type": "array", "minItems": 1, "items": _ref("chamber")},
            "tank": {"type": "array", "items": _ref("tank")},
            "alerts": _ref("alerts"),
        },
        "required": ["site", "chamber"],
        "additionalProperties": False,
        "$defs": dict(sorted(definitions.items())),
    }


def _chamber(definitions: Schema) -> Schema:
    chamber = _with_devices(table(ChamberTable, definitions), PLURALS)
    chamber["properties"]["button"] = _ref("button")
    chamber["properties"]["buttons"] = {"type": "array", "items": _ref("button")}
    chamber["allOf"].append({"not": {"required": ["button", "buttons"]}})
    for signal, kind in TABLES.items():
        sense = table(kind, definitions)
        sense["properties"]["probe"] = _ref("sense_probe")
        sense["required"] = [*sense["required"], "probe"]
        definitions[f"sense_{signal.value}"] = sense
        chamber["properties"][signal.value] = _ref(f"sense_{signal.value}")
    return chamber


def table(model: type[BaseModel], definitions: Schema) -> Schema:
    """One model as an object; what it refers to goes among the definitions."""
    made = model.model_json_schema(ref_template="#/$defs/{model}")
    definitions.update({name: _plain(part) for name, part in made.pop("$defs", {}).items()})
    return {
        "type": "object",
        "properties": {name: _plain(part) for name, part in made["properties"].items()},
        "required": made.get("required", []),
        "additionalProperties": False,
    }


def _devices(kind: str, group: str, common: type[BaseModel], definitions: Schema) -> None:
    """A probe or valve: by its driver's name one of the shipped ones, else of keys unknown here."""
    base = table(common, definitions)
    names = drivers.shipped(group)
    for name in names:
        own = table(drivers.load_driver(group, name).Options, definitions)
        own["properties"] = {**base["properties"], **own["properties"]}
        own["required"] = [*base["required"], *own["required"]]
        definitions[f"{kind}_{name}"] = own
    driver = {**base["properties"]["driver"], "anyOf": [{"enum": list(names)}, {"type": "string"}]}
    del driver["type"]
    definitions[kind] = {
        "type": "object",
        "properties": {"driver": driver},
        "required": ["driver"],
        "allOf": [
            {
                "if": {"properties": {"driver": {"const": name}}, "required": ["driver"]},
                "then": _ref(f"{kind}_{name}"),
            }
            for name in names
        ],
    }


def _with_devices(part: Schema, kinds: Mapping[str, str | None]) -> Schema:
    """Add what stands in tables of their own, each once by its name, or several times by the plural."""
    for one, many in kinds.items():
        part["properties"][one] = _ref(one)
        if many is None:
            part["required"] = [*part["required"], one]
            continue
        part["properties"][many] = {"type": "array", "minItems": 1, "items": _ref(one)}
        part.setdefault("allOf", []).append({"oneOf": [{"required": [one]}, {"required": [many]}]})
    return part


def _ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def _plain(part: Any) -> Any:
    """Without titles, and without null, which TOML cannot write: such a key is simply left out."""
    if not isinstance(part, dict):
        return part
    made = {key: value for key, value in part.items() if key != "title"}
    if made.get("default", ...) is None:
        del made["default"]
    others = [one for one in made.get("anyOf", []) if one != {"type": "null"}]
    if len(others) == 1:
        del made["anyOf"]
        made = {**_plain(others[0]), **made}
    return made
