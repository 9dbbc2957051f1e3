"""The tables of the file, one model each: types, bounds and defaults, nothing across tables.

Every bound is finite and every timer above zero, so that no check can be configured away. Bounds
that the contract does not name were chosen wide: they catch a slip of the unit, not a taste.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from nightheron.chemistry.safety import NORMAL_GAS_ML_MIN
from nightheron.settings.kinds import FilePath, Name, Prefix, QuietHours, TimeOfDay, WebAddress, Zone

DAY_S = 86_400.0


class Table(BaseModel):
    """Unknown keys are errors, nothing is coerced, and no number may be infinite."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, hide_input_in_errors=True
    )


class SiteTable(Table):
    """[site]"""

    name: Name = Field(description="The name of the installation.", examples=["north-greenhouse"])
    data_dir: str = Field(
        "/var/lib/nightheron",
        description="The folder of the journal and the control socket. A relative one counts from this file.",
    )
    timezone: Zone = Field("UTC", description='The time zone of what people read, such as "Europe/Lisbon".')
    starts_per_hour: int = Field(
        10, ge=1, le=1000, description="So many starts in an hour without a clean stop latch the gas shut."
    )
    keep_days: int = Field(
        90,
        ge=2,
        le=36500,
        description="So many days readings are kept as they came; then least, mean and most of each minute.",
    )


class MqttTable(Table):
    """[mqtt]. The password comes by file or environment, never from this table."""

    host: str = Field(
        "127.0.0.1",
        min_length=1,
        max_length=253,
        pattern=r"^[^\s/]+$",
        description="The broker's name or address.",
    )
    port: int = Field(1883, ge=1, le=65535, description="The broker's port; with TLS usually 8883.")
    username: str | None = Field(
        None,
        min_length=1,
        max_length=1024,
        description="The user the broker knows us as.",
        examples=["nightheron"],
    )
    password_file: FilePath | None = Field(
        None,
        description="The file with the password and nothing else; NIGHTHERON_MQTT_PASSWORD wins over it.",
        examples=["/etc/nightheron/mqtt.password"],
    )
    tls: bool = Field(False, description="Whether to speak TLS; wanted where the broker is not this board.")
    ca_file: FilePath | None = Field(
        None,
        description="The authority that signed the broker's certificate; left out: those the system trusts.",
        examples=["/etc/nightheron/ca.pem"],
    )
    cert_file: FilePath | None = Field(
        None,
        description="Our own certificate, where the broker asks for one.",
        examples=["/etc/nightheron/board.pem"],
    )
    key_file: FilePath | None = Field(
        None, description="The key of our own certificate.", examples=["/etc/nightheron/board.key"]
    )
    publish: bool = Field(True, description="Whether to publish reports, events and alarms.")
    prefix: Prefix = Field("nightheron", description="The first part of every topic we publish under.")


class ChamberTable(Table):
    """[[chamber]] without its probe and valve; pH on the NBS scale."""

    name: Name = Field(description="The name of the chamber.", examples=["west"])
    water_l: float = Field(
        1.9, ge=0.1, le=1000.0, description="Litres of water in the vessel: how fast gas can do harm."
    )
    gas_ml_min: float = Field(
        NORMAL_GAS_ML_MIN,
        ge=0.01,
        le=1000.0,
        description="Gas in mL a minute while the valve is open: bubbles you count in a minute x 0.05.",
    )
    floor_ph: float = Field(6.60, ge=5.0, le=8.5, description="Gas is shut below this pH.")
    resume_ph: float = Field(
        6.70, ge=5.0, le=8.8, description="Gas may flow again from this pH on; above floor_ph."
    )
    min_rest_s: float = Field(
        120.0, ge=1.0, le=DAY_S, description="Seconds that gas stays shut at least, once it was shut."
    )
    settle_s: float = Field(
        30.0,
        ge=1.0,
        le=3600.0,
        description="Seconds for which every reading must be at or above resume_ph before gas may flow.",
    )
    deep_low_margin_ph: float = Field(
        0.30, ge=0.05, le=0.9, description="So far below floor_ph a person must look before gas flows again."
    )
    spread_ph: float = Field(
        0.20, ge=0.02, le=1.0, description="Several probes of one chamber may differ by this much."
    )
    longest_opening_s: float = Field(
        21_600.0,
        ge=1.0,
        le=DAY_S,
        description="Seconds after which an opening ends in a rest, so that probe and valve show an answer.",
    )
    trial_opening_s: float = Field(
        600.0,
        ge=1.0,
        le=DAY_S,
        description="Seconds of the first opening after doubt, which ends it unless the pH answers; not "
        "above longest_opening_s, which shortens it when it is left out.",
    )
    trial_pause_s: float = Field(
        1_800.0,
        ge=1.0,
        le=DAY_S,
        description="Seconds in which the pH must rise after a trial opening that nothing answered.",
    )
    probe_lag_s: float = Field(
        60.0, ge=1.0, le=3600.0, description="Seconds the reading needs to follow the water."
    )
    tail_s: float = Field(
        90.0, ge=1.0, le=3600.0, description="Seconds for which gas left in the line still acts once shut."
    )
    surge_ph_per_min: float = Field(
        0.10,
        ge=0.01,
        le=5.0,
        description="With gas on, pH that falls this fast, and much faster than is usual here, is a surge.",
    )
    stalled_s: float = Field(
        7_200.0,
        ge=1.0,
        le=7 * DAY_S,
        description="Seconds of shut gas, below resume_ph and without a rise, after which it is told.",
    )
    gas_budget_s_per_day: float | None = Field(
        None,
        ge=60.0,
        le=DAY_S,
        description="Seconds of open gas in 24 hours of running after which it shuts until a person looks.",
        examples=[30_000.0],
    )
    commissioning: Literal["advise", "require"] = Field(
        "advise",
        description='"require" keeps gas shut until commissioning is finished; "advise" lets it flow '
        "after settle_s, with a warning.",
    )

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


class SenseProbeTable(Table):
    """What every probe has beside its driver's own keys. ``stale_s`` None: the default was asked for."""

    driver: str = Field(description="The driver that reads it.")
    period_s: float = Field(
        1.0, ge=0.1, le=1200.0, description="Seconds from one reading to the next, as expected or asked for."
    )
    stale_s: float | None = Field(
        None,
        ge=0.3,
        le=3600.0,
        description="Seconds without a reading after which the probe is lost; at least three times period_s. "
        "Left out: 5, or three times period_s where that is longer.",
        examples=[5.0],
    )


class ProbeTable(SenseProbeTable):
    """A probe of pH."""

    unit: Literal["ph", "mv"] = Field("ph", description="Whether its numbers are pH or millivolts.")


class ValveTable(Table):
    """What every valve has beside its driver's own keys."""

    driver: str = Field(description="The driver that moves it.")
    lease_s: float = Field(
        5.0, ge=2.0, le=60.0, description="Seconds after which an opening ends by itself unless renewed."
    )
    travel_s: float = Field(2.0, ge=0.1, le=60.0, description="Seconds the valve itself needs to shut.")
    device_timer_s: float | None = Field(
        None,
        ge=1.0,
        le=3600.0,
        description="Seconds after which the device shuts by itself without a fresh order. Only once you cut "
        "it off, cylinder shut, and saw it do so; above half of lease_s.",
        examples=[10.0],
    )


class ButtonTable(Table):
    """What every button has beside its driver's own keys; the driver is one that reads a probe."""

    driver: str = Field(description="The driver that hears it, as of a probe; its numbers do not matter.")
    rest_text: str | None = Field(
        None,
        max_length=120,
        description="What it says, to the letter, while nobody asks for anything. Any other message, also a "
        "retained or broken one, shuts the gas and holds it shut until a person ends that. Left out: every "
        "message does.",
        examples=["released"],
    )
    remind_s: float = Field(
        3600.0, ge=60.0, le=14 * DAY_S, description="Seconds after which the hold it began is told of."
    )


class TankTable(Table):
    """[[tank]] without its probe; pH on the NBS scale."""

    name: Name = Field(description="The name of the tank.", examples=["display"])
    chambers: list[str] = Field(
        min_length=1, description="The chambers whose effluent goes to it.", examples=[["west"]]
    )
    low_ph: float = Field(7.70, ge=5.0, le=8.8, description="Gas of its chambers is shut below this pH.")
    clear_ph: float = Field(
        7.80, ge=5.0, le=8.9, description="Gas may flow again from this pH on; above low_ph."
    )
    required: bool = Field(False, description="Whether gas stays shut while this tank's probe is lost.")


class AlertsTable(Table):
    """[alerts]"""

    urls_file: FilePath | None = Field(
        None,
        description="The file with the push addresses, one a line.",
        examples=["/etc/nightheron/push.urls"],
    )
    urls: list[SecretStr] = Field(
        default_factory=list, max_length=50, description="Push addresses; urls_file keeps them out of here."
    )
    delay_s: float = Field(
        60.0, ge=0.0, le=DAY_S, description="Seconds before a trip that resets by itself becomes a notice."
    )
    quiet_hours: QuietHours = Field(
        "",
        description='Hours in which a notice waits for their end, such as "22:00-07:00"; wakes never wait.',
    )
    digest_at: TimeOfDay = Field("07:30", description="The time of day of the morning's digest.")
    heartbeat_url: WebAddress = Field(
        SecretStr(""), description="An address that is asked while all is well, so that silence is noticed."
    )


class LadderTable(Table):
    """[[alerts.ladder]]: who is told next while nobody has seen a wake."""

    name: Name = Field(description="Who this is, as the pushes say it.", examples=["Rui"])
    urls_file: FilePath | None = Field(
        None,
        description="The file with this person's push addresses, one a line.",
        examples=["/etc/nightheron/rui.urls"],
    )
    urls: list[SecretStr] = Field(
        default_factory=list, max_length=50, description="Push addresses; urls_file keeps them out of here."
    )
