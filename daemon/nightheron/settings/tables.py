"""The tables of the file, one model each: types, bounds and defaults, nothing across tables.

Every bound is finite and every timer above zero, so that no check can be configured away. Bounds
that the contract does not name were chosen wide: they catch a slip of the unit, not a taste.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, model_validator

NAME_MOST = 64
DAY_S = 86_400.0


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
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", text):
        raise ValueError('must be a time of day such as "07:30"')
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


Name = Annotated[str, AfterValidator(_name)]
FilePath = Annotated[str, Field(min_length=1, max_length=4096, pattern=r"^[^~\x00][^\x00]*$")]


class Table(BaseModel):
    """Unknown keys are errors, nothing is coerced, and no number may be infinite."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, hide_input_in_errors=True
    )


class SiteTable(Table):
    """[site]"""

    name: Name
    data_dir: str = "/var/lib/nightheron"
    timezone: Annotated[str, AfterValidator(_zone)] = "UTC"
    starts_per_hour: int = Field(10, ge=1, le=1000)


class MqttTable(Table):
    """[mqtt]. The password comes by file or environment, never from this table."""

    host: str = Field("127.0.0.1", min_length=1, max_length=253, pattern=r"^[^\s/]+$")
    port: int = Field(1883, ge=1, le=65535)
    username: str | None = Field(None, min_length=1, max_length=1024)
    password_file: FilePath | None = None
    tls: bool = False
    ca_file: FilePath | None = None
    cert_file: FilePath | None = None
    key_file: FilePath | None = None
    publish: bool = True
    prefix: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_prefix)] = "nightheron"


class ChamberTable(Table):
    """[[chamber]] without its probe and valve; pH on the NBS scale."""

    name: Name
    water_l: float = Field(1.9, ge=0.1, le=1000.0)
    floor_ph: float = Field(6.60, ge=5.0, le=8.5)
    resume_ph: float = Field(6.70, ge=5.0, le=8.8)
    min_rest_s: float = Field(120.0, ge=1.0, le=DAY_S)
    settle_s: float = Field(30.0, ge=1.0, le=3600.0)
    deep_low_margin_ph: float = Field(0.30, ge=0.05, le=0.9)
    spread_ph: float = Field(0.20, ge=0.02, le=1.0)
    longest_opening_s: float = Field(21_600.0, ge=1.0, le=DAY_S)
    trial_opening_s: float = Field(600.0, ge=1.0, le=DAY_S)
    trial_pause_s: float = Field(1_800.0, ge=1.0, le=DAY_S)
    probe_lag_s: float = Field(60.0, ge=1.0, le=3600.0)
    tail_s: float = Field(90.0, ge=1.0, le=3600.0)
    commissioning: Literal["advise", "require"] = "advise"

    @model_validator(mode="before")
    @classmethod
    def _fit_trial(cls, data: Any) -> Any:
        """A short longest_opening_s alone shortens the default trial with it."""
        if not isinstance(data, dict) or "trial_opening_s" in data:
            return data
        longest = data.get("longest_opening_s")
        if isinstance(longest, int | float) and not isinstance(longest, bool) and 1.0 <= longest < 600.0:
            return data | {"trial_opening_s": float(longest)}
        return data


class ProbeTable(Table):
    """What every probe has beside its driver's own keys. ``stale_s`` None: the default was asked for."""

    driver: str
    unit: Literal["ph", "mv"] = "ph"
    period_s: float = Field(1.0, ge=0.1, le=1200.0)
    stale_s: float | None = Field(None, ge=0.3, le=3600.0)


class ValveTable(Table):
    """What every valve has beside its driver's own keys."""

    driver: str
    lease_s: float = Field(5.0, ge=2.0, le=60.0)
    travel_s: float = Field(2.0, ge=0.1, le=60.0)
    device_timer_s: float | None = Field(None, ge=1.0, le=3600.0)


class TankTable(Table):
    """[[tank]] without its probe; pH on the NBS scale."""

    name: Name
    chambers: list[str] = Field(min_length=1)
    low_ph: float = Field(7.70, ge=5.0, le=8.8)
    clear_ph: float = Field(7.80, ge=5.0, le=8.9)
    required: bool = False


class AlertsTable(Table):
    """[alerts]"""

    urls_file: FilePath | None = None
    urls: list[SecretStr] = Field(default_factory=list, max_length=50)
    delay_s: float = Field(60.0, ge=0.0, le=DAY_S)
    digest_at: Annotated[str, AfterValidator(_clock)] = "07:30"
    heartbeat_url: Annotated[SecretStr, AfterValidator(_web)] = SecretStr("")
