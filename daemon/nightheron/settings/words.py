"""Validate one table and say what is wrong with it in plain words."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from nightheron.settings.faults import Faults
from nightheron.settings.tables import ChamberTable, ProbeTable, SiteTable, TankTable, ValveTable

Model = TypeVar("Model", bound=BaseModel)

_KINDS = {
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": "must be text in quotes",
    "list_type": "must be a list in brackets",
    "dict_type": "must be a table",
    "finite_number": "must be a finite number",
    "missing": "is missing and has no default",
    "string_pattern_mismatch": "is not written in a form that can be used",
    "int_parsing_size": "is far too large",
}
_HOMES = (
    (SiteTable.model_fields.keys() - {"name"}, "[site]"),
    (ChamberTable.model_fields.keys() - {"name"}, "[chamber]"),
    (ProbeTable.model_fields.keys() - {"driver"}, "[chamber.probe]"),
    (ValveTable.model_fields.keys() - {"driver"}, "[chamber.valve]"),
    (TankTable.model_fields.keys() - {"name"}, "[tank]"),
)
"""Where a key that stands in the wrong table belongs."""
_NAMES = {
    bool: "true or false",
    int: "a number",
    float: "a number",
    str: "text",
    list: "a list",
    dict: "a table",
}


def validate(
    model: type[Model], raw: object, key: str, faults: Faults, *, beside: Iterable[str] = (), table: str
) -> Model | None:
    """An instance of ``model``, or None after noting every fault under ``key``.

    ``beside`` are further known names, for telling the nearest one; ``table`` is how the file writes it.
    """
    if not isinstance(raw, Mapping):
        faults.add(key, f"must be a table: {table}")
        return None
    known = {field.alias or name for name, field in model.model_fields.items()}
    sound = True
    for name in raw:
        if name not in known:
            faults.add(f"{key}.{name}", unknown(name, known | set(beside), table))
            sound = False
    for name, value in raw.items():
        if isinstance(value, str) and "\0" in value:
            faults.add(f"{key}.{name}", "must not hold the character NUL")
            sound = False
    for path in _not_finite(raw):
        faults.add(f"{key}.{path}", "must be a finite number")
        sound = False
    try:
        instance = model.model_validate({k: v for k, v in raw.items() if k in known}, strict=True)
    except ValidationError as error:
        for one in error.errors(include_url=False):
            place, why = _place(one["loc"], known), _say(one)
            if one["type"] == "missing" and len(one["loc"]) == 1:
                why += _meaning(model, str(one["loc"][0]))
            faults.add(f"{key}.{place or _mentioned(why, known) or ''}".rstrip("."), why)
        return None
    except Exception as error:  # a third party's driver may raise anything while it validates
        faults.add(key, f"the driver could not judge these keys ({type(error).__name__})")
        return None
    return instance if sound else None


def unknown(name: str, known: Iterable[str], table: str) -> str:
    """The sentence for a key nobody reads."""
    if "password" in name.casefold():
        return "secrets do not belong in this file: use password_file, or NIGHTHERON_MQTT_PASSWORD"
    home = next((where for fields, where in _HOMES if name in fields and where not in table), None)
    if home:
        return f"is not a key of {table}; it belongs in {home}"
    near = difflib.get_close_matches(name, sorted(known), n=1, cutoff=0.5)
    hint = f'; did you mean "{near[0]}"?' if near else f"; known are {', '.join(sorted(known))}"
    return f"is not a key of {table}{hint}"


def _meaning(model: type[BaseModel], name: str) -> str:
    """What the key is for, from the model, as the reference has it; empty when the model does not say."""
    field = model.model_fields.get(name)
    text = (field.description or "") if field is not None else ""
    said = text.partition(". ")[0].rstrip(".")
    return f": {said[:1].lower()}{said[1:]}" if said else ""


def _place(loc: tuple[int | str, ...], known: set[str]) -> str:
    """The dotted key; list positions count from 1."""
    parts = [str(p) for p in loc[:1] if p in known]
    parts += [f"{p + 1}" if isinstance(p, int) else str(p) for p in loc[1:]] if parts else []
    return ".".join(parts)


def _mentioned(why: str, known: set[str]) -> str | None:
    """The key a whole-table complaint speaks of: the one named first."""
    found = [(why.find(name), -len(name), name) for name in known if name in why]
    return min(found)[2] if found else None


def _not_finite(raw: Mapping[str, Any]) -> Iterator[str]:
    for name, value in raw.items():
        if isinstance(value, float) and not math.isfinite(value):
            yield name
        elif isinstance(value, Mapping):
            yield from (f"{name}.{path}" for path in _not_finite(value))
        elif isinstance(value, list) and any(isinstance(v, float) and not math.isfinite(v) for v in value):
            yield name


def _say(error: Any) -> str:
    """Our words for one of pydantic's errors. The value is shown only when it is a number."""
    kind, context, value = error["type"], error.get("ctx", {}), error.get("input")
    shown = f" (it is {value})" if isinstance(value, int | float) and not isinstance(value, bool) else ""
    match kind:
        case "greater_than_equal":
            return f"must be at least {_number(context['ge'])}{shown}"
        case "greater_than":
            return f"must be above {_number(context['gt'])}{shown}"
        case "less_than_equal":
            return f"must be at most {_number(context['le'])}{shown}"
        case "less_than":
            return f"must be below {_number(context['lt'])}{shown}"
        case "literal_error" | "enum":
            return f"must be {context['expected']}".replace("'", '"')
        case "string_too_short" | "too_short":
            return "must not be empty"
        case "string_too_long" | "too_long":
            return f"is too long; at most {context.get('max_length')}"
        case "value_error" | "assertion_error":
            return _sentence(str(context.get("error", "is not allowed")))
    if kind in _KINDS:
        other = _NAMES.get(type(value))
        return _KINDS[kind] + (f", not {other}" if kind.endswith("_type") and other else "")
    return _sentence(str(error["msg"]))


def _sentence(text: str) -> str:
    """One line, and not as if it began a paragraph."""
    line = " ".join(text.split())
    return line[:1].lower() + line[1:] if line[1:2].islower() else line


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) and abs(value) < 1e5 else str(value)
