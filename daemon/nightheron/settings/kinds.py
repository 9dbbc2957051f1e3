"""The kinds of value a key of the file may hold: names, topics, times of day, zones, addresses, files."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field, SecretStr, WithJsonSchema

NAME_MOST = 64
CLOCK = "([01][0-9]|2[0-3]):[0-5][0-9]"


def _name(text: str) -> str:
    if not text or text != text.strip():
        raise ValueError("must not be empty or begin or end with a blank")
    if len(text) > NAME_MOST:
        raise ValueError(f"must not be longer than {NAME_MOST} characters")
    bad = next((c for c in text if c in "/+#$" or not c.isprintable()), None)
    if bad is not None or text in (".", ".."):
        raise ValueError(f"must not contain {bad or text!r}: names become parts of topics and file names")
    return text


def usable_name(name: object) -> bool:
    """Whether ``name`` can be a name of a chamber or tank."""
    try:
        return isinstance(name, str) and bool(_name(name))
    except ValueError:
        return False


def _prefix(text: str) -> str:
    wild = any(c in "+#" or not c.isprintable() for c in text)
    if wild or text.startswith("$") or not all(text.split("/")):
        raise ValueError("must be a topic without wildcards, empty parts, or a leading $")
    return text


def _clock(text: str) -> str:
    if not re.fullmatch(CLOCK, text):
        raise ValueError('must be a time of day such as "07:30"')
    return text


def _span(text: str) -> str:
    first, dash, last = text.partition("-")
    if text and not (dash and re.fullmatch(CLOCK, first) and re.fullmatch(CLOCK, last) and first != last):
        raise ValueError('must be two times of day such as "22:00-07:00"')
    return text


def _zone(text: str) -> str:
    if text == "UTC":
        return text
    from zoneinfo import ZoneInfo, available_timezones

    try:
        ZoneInfo(text)
    except (OSError, ValueError, LookupError):
        import difflib

        near = difflib.get_close_matches(text, sorted(available_timezones()), n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ', e.g. "Europe/Lisbon"'
        raise ValueError(f"is not a time zone this system knows{hint}") from None
    return text


def _web(secret: SecretStr) -> SecretStr:
    text = secret.get_secret_value()
    if text and not re.match(r"https?://[^/\s]", text):
        raise ValueError("must begin with https:// or http://")
    return secret


Name = Annotated[
    str,
    AfterValidator(_name),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": NAME_MOST, "pattern": "^[^/+#$]*$"}),
]
Prefix = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_prefix)]
TimeOfDay = Annotated[
    str, AfterValidator(_clock), WithJsonSchema({"type": "string", "pattern": f"^{CLOCK}$"})
]
QuietHours = Annotated[
    str, AfterValidator(_span), WithJsonSchema({"type": "string", "pattern": f"^({CLOCK}-{CLOCK})?$"})
]
Zone = Annotated[str, AfterValidator(_zone)]
WebAddress = Annotated[SecretStr, AfterValidator(_web)]
FilePath = Annotated[str, Field(min_length=1, max_length=4096, pattern=r"^[^~\x00][^\x00]*$")]
