"""From the parsed TOML to one validated model a table, noting every fault on the way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel

from nightheron.model import Signal
from nightheron.settings import drivers
from nightheron.settings.faults import Faults
from nightheron.settings.kinds import usable_name
from nightheron.settings.parsed import Device, ParsedChamber, ParsedSense, ParsedTank
from nightheron.settings.senses import TABLES
from nightheron.settings.tables import (
    AlertsTable,
    ButtonTable,
    ChamberTable,
    LadderTable,
    ProbeTable,
    SenseProbeTable,
    TankTable,
    ValveTable,
)
from nightheron.settings.words import unknown, validate

Common = TypeVar("Common", ProbeTable, ValveTable, ButtonTable, SenseProbeTable)
Model = TypeVar("Model", bound=BaseModel)

DEVICES = ("probe", "probes", "valve", "valves", "button", "buttons")
BESIDE = (*DEVICES, *(signal.value for signal in TABLES))
"""What stands in tables of its own within a chamber."""
TOP = ("site", "mqtt", "chamber", "tank", "alerts")
LADDER_MOST = 3
MOST = {"probes": (3, "one to three probes vote on a chamber"), "valves": (2, "one valve, or two in series")}


def top_level(document: Mapping[str, Any], faults: Faults) -> None:
    """Note tables and keys that do not exist."""
    for name in document:
        if name not in TOP:
            faults.add(name, unknown(name, TOP, "the file"))


def chambers(document: Mapping[str, Any], faults: Faults) -> list[ParsedChamber]:
    """Every [[chamber]], in order."""
    found = []
    for key, raw in _tables(document, "chamber", faults):
        own = {k: v for k, v in raw.items() if k not in BESIDE}
        table = validate(ChamberTable, own, key, faults, beside=BESIDE, table="[chamber]")
        found.append(
            ParsedChamber(
                key,
                table,
                _devices(ProbeTable, drivers.PROBES, raw, "probe", key, faults),
                _devices(ValveTable, drivers.VALVES, raw, "valve", key, faults),
                [
                    _sense(signal, raw[signal.value], f"{key}.{signal.value}", faults)
                    for signal in TABLES
                    if signal.value in raw
                ],
                _buttons(raw, key, faults),
            )
        )
    if not document.get("chamber"):
        faults.add("chamber", "there is no [[chamber]]; at least one is needed")
    return found


def tanks(document: Mapping[str, Any], faults: Faults) -> list[ParsedTank]:
    """Every [[tank]], in order."""
    found = []
    for key, raw in _tables(document, "tank", faults):
        own = {k: v for k, v in raw.items() if k != "probe"}
        table = validate(TankTable, own, key, faults, beside=("probe",), table="[tank]")
        probe_raw = raw.get("probe")
        if probe_raw is None:
            faults.add(f"{key}.probe", "is missing: a [[tank]] needs a [tank.probe]")
        probe = _device(ProbeTable, drivers.PROBES, probe_raw, f"{key}.probe", "[tank.probe]", faults)
        found.append(ParsedTank(key, table, probe))
    return found


def alerts(
    document: Mapping[str, Any], faults: Faults
) -> tuple[AlertsTable | None, list[tuple[str, LadderTable]]]:
    """[alerts], and every [[alerts.ladder]] with its key; they have their defaults when not there."""
    raw = document.get("alerts", {})
    if not isinstance(raw, Mapping):
        return validate(AlertsTable, raw, "alerts", faults, table="[alerts]"), []
    own = {key: value for key, value in raw.items() if key != "ladder"}
    table = validate(AlertsTable, own, "alerts", faults, beside=("ladder",), table="[alerts]")
    written = raw.get("ladder", [])
    if not isinstance(written, list) or not all(isinstance(one, Mapping) for one in written):
        faults.add("alerts.ladder", "write [[alerts.ladder]] with two brackets, once for each person")
        return table, []
    if len(written) > LADDER_MOST:
        faults.add("alerts.ladder", f"has {len(written)} steps; a wake is told again {LADDER_MOST} times")
    steps = []
    for number, one in enumerate(written, 1):
        key = f"alerts.ladder[{number}]"
        step = validate(LadderTable, one, key, faults, table="[[alerts.ladder]]")
        if step is not None:
            steps.append((key, step))
    return table, steps


def table_of(model: type[Model], document: Mapping[str, Any], name: str, faults: Faults) -> Model | None:
    """One plain table such as [site]; its defaults when it is not there."""
    return validate(model, document.get(name, {}), name, faults, table=f"[{name}]")


def _tables(document: Mapping[str, Any], kind: str, faults: Faults) -> list[tuple[str, dict[str, Any]]]:
    written = document.get(kind, [])
    if isinstance(written, dict):
        faults.add(kind, f"write [[{kind}]] with two brackets, once for each {kind}")
        return []
    if not isinstance(written, list) or not all(isinstance(t, dict) for t in written):
        faults.add(kind, f"must be tables: [[{kind}]]")
        return []
    found: list[tuple[str, dict[str, Any]]] = []
    seen: dict[str, str] = {}
    for number, raw in enumerate(written, 1):
        name = raw.get("name")
        key = f"{kind}.{name}" if usable_name(name) else f"{kind}[{number}]"
        folded = str(name).casefold()
        if usable_name(name) and folded in seen:
            key = f"{kind}[{number}]"
            faults.add(f"{kind}.{seen[folded]}.name", f"two {kind}s have this name; each needs its own")
        seen.setdefault(folded, str(name))
        found.append((key, raw))
    return found


def _devices(
    model: type[Common], group: str, raw: Mapping[str, Any], one: str, key: str, faults: Faults
) -> list[Device[Common]] | None:
    """The probes or valves of a chamber, however they are written; None when any of them was refused."""
    many = one + "s"
    most, why = MOST[many]
    if one in raw and many in raw:
        faults.add(f"{key}.{many}", f"give either [chamber.{one}] or [[chamber.{many}]], not both")
        return None
    if isinstance(raw.get(one), list) or (many in raw and not isinstance(raw[many], list)):
        faults.add(f"{key}.{one}", f"write [chamber.{one}], or [[chamber.{many}]] with two brackets")
        return None
    written = [raw[one]] if one in raw else raw.get(many, [])
    if not written:
        faults.add(f"{key}.{one}", f"is missing: a [[chamber]] needs a [chamber.{one}]")
        return None
    if len(written) > most:
        faults.add(f"{key}.{many}", f"{why}; here are {len(written)}")
        return None
    if len(written) == 1:
        found = [_device(model, group, written[0], f"{key}.{one}", f"[chamber.{one}]", faults)]
    else:
        found = [
            _device(model, group, each, f"{key}.{many}[{number}]", f"[[chamber.{many}]]", faults)
            for number, each in enumerate(written, 1)
        ]
    sound = [device for device in found if device is not None]
    return sound if len(sound) == len(written) else None


def _sense(signal: Signal, raw: object, key: str, faults: Faults) -> ParsedSense:
    """One signal's table, and its probe."""
    table = f"[chamber.{signal.value}]"
    if not isinstance(raw, Mapping):
        faults.add(key, f"must be a table: {table}")
        return ParsedSense(key, signal, None, None)
    own = {k: v for k, v in raw.items() if k != "probe"}
    limits = validate(TABLES[signal], own, key, faults, beside=("probe",), table=table)
    if "probe" not in raw:
        faults.add(f"{key}.probe", f"is missing: {table} needs a [chamber.{signal.value}.probe]")
    where = f"[chamber.{signal.value}.probe]"
    probe = _device(SenseProbeTable, drivers.PROBES, raw.get("probe"), f"{key}.probe", where, faults)
    return ParsedSense(key, signal, limits, probe)


def _buttons(raw: Mapping[str, Any], key: str, faults: Faults) -> tuple[Device[ButtonTable], ...]:
    """The buttons of a chamber: none, one, or several."""
    if "button" in raw and "buttons" in raw:
        faults.add(f"{key}.buttons", "give either [chamber.button] or [[chamber.buttons]], not both")
        return ()
    if isinstance(raw.get("button"), list) or not isinstance(raw.get("buttons", []), list):
        faults.add(f"{key}.button", "write [chamber.button], or [[chamber.buttons]] with two brackets")
        return ()
    many = list(raw.get("buttons", []))
    written = [(f"{key}.buttons[{number}]", one) for number, one in enumerate(many, 1)]
    written += [(f"{key}.button", raw["button"])] if "button" in raw else []
    found = [
        _device(ButtonTable, drivers.PROBES, one, where, "[chamber.button]", faults) for where, one in written
    ]
    return tuple(one for one in found if one is not None)


def _device(
    model: type[Common], group: str, raw: object, key: str, table: str, faults: Faults
) -> Device[Common] | None:
    if raw is None:
        return None
    if not isinstance(raw, Mapping):
        faults.add(key, f"must be a table: {table}")
        return None
    common = {k: v for k, v in raw.items() if k in model.model_fields}
    base = validate(model, common, key, faults, table=table)
    name = raw.get("driver")
    if not isinstance(name, str):
        return None
    try:
        driver = drivers.load_driver(group, name)
    except drivers.NoDriverError as error:
        faults.add(f"{key}.driver", str(error))
        return None
    rest = {k: v for k, v in raw.items() if k not in model.model_fields}
    where = f'{table} with driver "{name}"'
    options = validate(driver.Options, rest, key, faults, beside=model.model_fields, table=where)
    if base is None or options is None:
        return None
    return Device(key, name, driver, base, options, drivers.needs_broker(driver, name))
