"""The fault library: what breaks, when, how fast, and what a person would notice, as data.

A library is a TOML file: ``faults.toml`` beside this module, and any of one's own in the same form.

    [[fault]]
    name = "needle_creeps_open"
    breaks = "needle valve"
    says = "The needle valve works itself open."
    notice = "More bubbles than you set; cuts come more often."
    over_s = 14400                  # bit by bit, over four hours
    set.supply.needle = 2.5         # a field of nightheron.rig.wrong
    water = ["falls faster"]        # what the water does, held by a plain thermostat
    probe = ["true"]                # what the probe shows of it

    [[combination]]
    name = "..."
    says = "..."
    notice = "..."
    faults = ["needle_creeps_open", { fault = "valve_leaks", after_s = 1800 }]
    water = ["falls faster"]
    probe = ["true"]
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from nightheron.model import Reason
from nightheron.rig import wrong

PARTS = wrong.OF_CHAMBER | wrong.OF_SITE
WATER_WORDS = (*("usual", "lower", "higher", "falls faster", "falls slower", "rises faster", "rises slower"),)
PROBE_WORDS = (
    *("true", "high", "low", "frozen", "silent", "gaps", "garbled", "noisy", "spikes", "late", "elsewhere"),
)
TIMES = ("after_s", "over_s", "for_s", "every_s")
TEXTS = ("name", "breaks", "says", "notice", "shows", "hands")
NAMING = ("names", "names_with")
REASONS = frozenset(Reason)
BESIDE = (
    *("circulation", "feed", "flow", "leak", "outlet_pressure", "room_co2", "temperature", "vessel_pressure"),
    *("tank", "tank_required", "feedback", "broker", "several"),
)
"""What a site may have by which a fault can be known."""
Value = float | bool | str


class BadFault(ValueError):  # noqa: N818 - it names the entry, as a fault of a configuration does
    """An entry of a fault file that cannot be used; one sentence."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field of ``wrong`` and what it becomes."""

    part: str
    field: str
    value: Value
    healthy: Value
    """The field when nothing is wrong."""


@dataclass(frozen=True, slots=True)
class Step:
    """One fault within an entry: changes, and their times after the entry is put in, in seconds."""

    changes: tuple[Change, ...]
    after_s: float = 0.0
    over_s: float = 0.0
    """How long numbers take from healthy to broken; 0 is at once."""
    for_s: float = 0.0
    """How long it lasts; 0 is until it is mended."""
    every_s: float = 0.0
    """It comes again this long after it last came; 0 is once."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One entry of the library. ``water`` and ``probe`` are words of WATER_WORDS and PROBE_WORDS."""

    name: str
    breaks: str
    says: str
    notice: str
    steps: tuple[Step, ...]
    water: tuple[str, ...]
    probe: tuple[str, ...]
    shows: str = ""
    """What another instrument shows, as "flow_ml_min < 1"."""
    hands: str = ""
    """What the simulated site cannot do, and a person or a test must."""
    names: tuple[str, ...] = ()
    """Reasons of the guard that name it right, where pH and the valve's answers alone can show it."""
    names_with: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """What a site may have beside them, of BESIDE, and the reasons that then name it right."""

    def right(self, has: Collection[str]) -> frozenset[str]:
        """The reasons that name it right on a site that ``has`` these; empty where it cannot be known."""
        more = [name for what, names in self.names_with if what in has for name in names]
        return frozenset((*self.names, *more))


def library(own: Path | None = None) -> dict[str, Fault]:
    """The faults that come with the program, and those of a file of one's own, which may replace some.

    BadFault with a sentence when an entry cannot be used; OSError when the file cannot be read.
    """
    found = parse(files("nightheron.rig").joinpath("faults.toml").read_text("utf-8"), {})
    return found if own is None else found | parse(own.read_text("utf-8"), found)


def parse(text: str, known: Mapping[str, Fault]) -> dict[str, Fault]:
    """The entries of one file; combinations may name any of ``known`` and of the file itself."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise BadFault(f"the fault file is no TOML: {fault}") from None
    strange = sorted(set(table) - {"fault", "combination"})
    if strange:
        raise BadFault(f"a fault file holds [[fault]] and [[combination]], not {strange[0]!r}")
    found: dict[str, Fault] = {}
    for entry in table.get("fault", []):
        _add(found, _fault(entry))
    for entry in table.get("combination", []):
        _add(found, _combination(entry, {**known, **found}))
    return found


def _add(found: dict[str, Fault], fault: Fault) -> None:
    if fault.name in found:
        raise BadFault(f"two faults are called {fault.name!r}; give each a name of its own")
    found[fault.name] = fault


def _fault(entry: Mapping[str, Any]) -> Fault:
    where = _name(entry)
    _only(entry, (*TEXTS, *TIMES, *NAMING, "set", "water", "probe"), where)
    times = {key: _number(entry[key], where, key) for key in TIMES if key in entry}
    if times.get("every_s", 0.0) and not 0.0 < times.get("for_s", 0.0) < times["every_s"]:
        raise BadFault(f"{where}: every_s needs a for_s above 0 and below it, or it would never end")
    changes = tuple(
        _change(part, key, value, where)
        for part, wanted in _table(entry.get("set", {}), where, "set").items()
        for key, value in _table(wanted, where, f"set.{part}").items()
    )
    if not changes:
        raise BadFault(f"{where}: set says what breaks, such as set.supply.needle = 2.0")
    return _made(entry, where, (Step(changes, **times),))


def _combination(entry: Mapping[str, Any], known: Mapping[str, Fault]) -> Fault:
    where = _name(entry)
    _only(entry, (*TEXTS, *NAMING, "faults", "water", "probe"), where)
    steps: list[Step] = []
    for one in entry.get("faults", []):
        name, later_s = (
            (one, 0.0) if isinstance(one, str) else (_table(one, where, "faults").get("fault"), 0.0)
        )
        if not isinstance(one, str):
            _only(one, ("fault", "after_s"), where)
            later_s = _number(one.get("after_s", 0.0), where, "after_s")
        if not isinstance(name, str) or name not in known:
            raise BadFault(f"{where}: there is no fault {name!r} to combine")
        steps += [_later(step, later_s) for step in known[name].steps]
    if not steps:
        raise BadFault(f"{where}: faults lists the faults it combines")
    return _made(entry, where, tuple(steps))


def _later(step: Step, by_s: float) -> Step:
    return Step(step.changes, step.after_s + by_s, step.over_s, step.for_s, step.every_s)


def _made(entry: Mapping[str, Any], where: str, steps: tuple[Step, ...]) -> Fault:
    texts = {key: entry.get(key, "") for key in TEXTS}
    if entry.get("faults"):
        texts["breaks"] = texts["breaks"] or "several"
    for key, text in texts.items():
        if not isinstance(text, str) or (not text and key not in ("shows", "hands")):
            raise BadFault(f"{where}: {key} is a text, and must be there")
    water = _words(entry, "water", WATER_WORDS, where)
    probe = _words(entry, "probe", PROBE_WORDS, where)
    beside = _table(entry.get("names_with", {}), where, "names_with")
    strange = sorted(set(beside) - set(BESIDE))
    if strange:
        raise BadFault(f"{where}: names_with knows {', '.join(BESIDE)}, not {strange[0]!r}")
    names = _reasons(entry.get("names", []), where, "names")
    names_with = tuple((what, _reasons(said, where, f"names_with.{what}")) for what, said in beside.items())
    return Fault(**texts, steps=steps, water=water, probe=probe, names=names, names_with=names_with)


def _reasons(said: object, where: str, key: str) -> tuple[str, ...]:
    if not isinstance(said, list) or not all(isinstance(one, str) and one in REASONS for one in said):
        raise BadFault(f"{where}: {key} is a list of reasons that the guard has, as nightheron check shows")
    return tuple(said)


def _name(entry: object) -> str:
    name = entry.get("name") if isinstance(entry, Mapping) else None
    if not isinstance(name, str) or not name or not name.replace("_", "").isalnum() or not name.isascii():
        raise BadFault(f"a fault needs a name of letters, digits and _, not {name!r}")
    return name


def _only(entry: Mapping[str, Any], keys: Iterable[str], where: str) -> None:
    strange = sorted(set(entry) - set(keys))
    if strange:
        raise BadFault(f"{where}: there is no key {strange[0]!r}; there are {', '.join(keys)}")


def _table(value: object, where: str, key: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise BadFault(f"{where}: {key} is a table")
    return value


def _number(value: object, where: str, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value < 1e8:
        raise BadFault(f"{where}: {key} is a number of 0 or more, in seconds")
    return float(value)


def _words(entry: Mapping[str, Any], key: str, words: tuple[str, ...], where: str) -> tuple[str, ...]:
    said = entry.get(key)
    if not isinstance(said, list) or not said or not set(said) <= set(words):
        raise BadFault(f"{where}: {key} is a list of these: {', '.join(words)}")
    return tuple(said)


def _change(part: str, key: str, value: object, where: str) -> Change:
    if part not in PARTS:
        raise BadFault(f"{where}: there is no part {part!r}; there are {', '.join(PARTS)}")
    names = [one.name for one in fields(PARTS[part])]
    if key not in names:
        raise BadFault(f"{where}: {part} has no {key!r}; it has {', '.join(names)}")
    healthy = getattr(PARTS[part](), key)
    kind = type(healthy)
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9:
        return Change(part, key, float(value), healthy)
    if type(value) is kind and isinstance(value, bool | str):
        return Change(part, key, value, healthy)
    raise BadFault(f"{where}: {part}.{key} is a {kind.__name__}, as {healthy!r} when healthy")
