"""A validated configuration: what the service runs from. Frozen, complete, every number finite."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightheron_drivers.protocols import Broker

from nightheron.guard.limits import (
    ChamberLimits,
    Conversion,
    ProbeLimits,
    SenseLimits,
    TankLimits,
    ValveLimits,
)
from nightheron.model import JsonValue, Signal
from nightheron.settings.senses import SenseTable, limits_of
from nightheron.settings.timer import device_timer_s

if TYPE_CHECKING:
    from pydantic import SecretStr

    from nightheron.settings.tables import ButtonTable, ChamberTable, TankTable, ValveTable


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The one broker, and what we publish there."""

    broker: Broker
    publish: bool
    prefix: str
    password_source: str | None
    """The key or variable the password came from."""
    password_ignored: str | None
    """The key that also gives a password and lost to the environment."""


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe of a chamber or tank; ``options`` is the driver's own model."""

    key: str
    """Where it stands in the file, e.g. ``chamber.west.probe``."""
    driver: str
    options: Any
    unit: str
    period_s: float
    stale_s: float
    conversion: Conversion
    calibrated: bool
    by_broker: bool

    @property
    def limits(self) -> ProbeLimits:
        return ProbeLimits(self.period_s, self.stale_s, self.conversion)


@dataclass(frozen=True, slots=True)
class Valve:
    """One valve of a chamber; ``options`` is the driver's own model."""

    key: str
    driver: str
    options: Any
    table: ValveTable
    bus: str
    holder: str
    by_broker: bool

    @property
    def reports(self) -> bool:
        """Whether the device's own report of its position is configured."""
        return bool(getattr(self.options, "feedback_topic", None))


@dataclass(frozen=True, slots=True)
class Button:
    """One button of a chamber: it can begin a hold, and nothing else."""

    key: str
    driver: str
    options: Any
    table: ButtonTable


@dataclass(frozen=True, slots=True)
class Chamber:
    """One chamber with its probes and valves."""

    table: ChamberTable
    probes: tuple[Probe, ...]
    valves: tuple[Valve, ...]
    """In series: every one must pass gas for any to flow."""
    senses: tuple[Sense, ...] = ()
    buttons: tuple[Button, ...] = ()

    @property
    def name(self) -> str:
        return self.table.name

    @property
    def lease_s(self) -> float:
        """How long one order to open is good for: the shortest of the valves'."""
        return min(float(valve.table.lease_s) for valve in self.valves)

    @property
    def order_s(self) -> float:
        """An order is taken within this, or its valve counts as lost."""
        return max(max(0.5, float(valve.table.lease_s) / 2) for valve in self.valves)

    @property
    def travel_s(self) -> float:
        """The slowest valve's travel."""
        return max(float(valve.table.travel_s) for valve in self.valves)


@dataclass(frozen=True, slots=True)
class Sense:
    """One signal of a chamber that is not pH."""

    signal: Signal
    table: SenseTable
    probe: Probe

    @property
    def limits(self) -> SenseLimits:
        return limits_of(self.signal, self.table, self.probe.period_s, self.probe.stale_s)


@dataclass(frozen=True, slots=True)
class Tank:
    """The water that some chambers' effluent goes to."""

    table: TankTable
    probe: Probe

    @property
    def name(self) -> str:
        return self.table.name


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the ladder: a person, and where they are reached."""

    name: str
    urls: tuple[SecretStr, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Alerts:
    """Who is told, and when."""

    urls: tuple[SecretStr, ...] = field(default=(), repr=False)
    urls_in_file: bool = False
    """The addresses stand in the configuration itself."""
    delay_s: float = 60.0
    quiet_hours: str = ""
    """``22:00-07:00``, or empty."""
    digest_at: str = "07:30"
    heartbeat_url: SecretStr | None = None
    ladder: tuple[Step, ...] = ()
    """Who is told next while nobody has seen a wake, in order."""

    def secrets(self) -> list[str]:
        """Every text that must never be shown."""
        urls = [*self.urls, *(url for step in self.ladder for url in step.urls)]
        return [url.get_secret_value() for url in (*urls, self.heartbeat_url) if url is not None]


@dataclass(frozen=True, slots=True)
class ProbePlan:
    """What the service must start to hear one probe."""

    id: str
    driver: str
    options: Any
    stale_s: float
    period_s: float
    signal: Signal
    chambers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ButtonPlan:
    """What the service must start to hear one button; its driver gives it this id, as to a probe."""

    id: str
    chamber: str
    driver: str
    options: Any
    rest_text: str | None
    remind_s: float


@dataclass(frozen=True, slots=True)
class ValvePlan:
    """What a keeper must hold to move one valve."""

    id: str
    chamber: str
    index: int
    driver: str
    options: Any
    lease_s: float
    travel_s: float
    device_timer_s: float | None
    bus: str
    holder: str


@dataclass(frozen=True, slots=True)
class Site:
    """One installation."""

    name: str
    path: Path
    data_dir: Path
    timezone: str
    starts_per_hour: int
    keep_days: int
    mqtt: Mqtt | None
    chambers: tuple[Chamber, ...]
    tanks: tuple[Tank, ...]
    alerts: Alerts

    def tank_of(self, chamber: str) -> Tank | None:
        """The tank a chamber feeds."""
        return next((t for t in self.tanks if chamber in t.table.chambers), None)

    def limits(self) -> tuple[ChamberLimits, ...]:
        """What each chamber is guarded by, in the configuration's order."""
        return tuple(self._limits(c) for c in self.chambers)

    def _limits(self, chamber: Chamber) -> ChamberLimits:
        keys, tank = chamber.table, self.tank_of(chamber.name)
        return ChamberLimits(
            name=keys.name,
            floor_ph=float(keys.floor_ph),
            resume_ph=float(keys.resume_ph),
            deep_low_margin_ph=float(keys.deep_low_margin_ph),
            min_rest_s=float(keys.min_rest_s),
            settle_s=float(keys.settle_s),
            longest_opening_s=float(keys.longest_opening_s),
            trial_opening_s=float(keys.trial_opening_s),
            trial_pause_s=float(keys.trial_pause_s),
            probe_lag_s=float(keys.probe_lag_s),
            tail_s=float(keys.tail_s),
            starts_per_hour=self.starts_per_hour,
            commissioning_required=keys.commissioning == "require",
            probes=tuple(probe.limits for probe in chamber.probes),
            valve=_valve_limits(chamber),
            tank=None if tank is None else _tank_limits(tank),
            senses=tuple(sense.limits for sense in chamber.senses),
            spread_ph=float(keys.spread_ph),
            surge_ph_per_min=float(keys.surge_ph_per_min),
            stalled_s=float(keys.stalled_s),
            gas_budget_s_per_day=keys.gas_budget_s_per_day,
            alarm_delay_s=self.alerts.delay_s,
        )

    def probes(self) -> tuple[ProbePlan, ...]:
        """Every probe: the chambers' in the configuration's order, then the tanks'."""
        plans = [
            _probe_plan(f"chamber/{c.name}/{i}", probe, Signal.CHAMBER_PH, (c.name,))
            for c in self.chambers
            for i, probe in enumerate(c.probes)
        ]
        plans += [
            _probe_plan(f"chamber/{c.name}/{sense.signal}/0", sense.probe, sense.signal, (c.name,))
            for c in self.chambers
            for sense in c.senses
        ]
        for tank in self.tanks:
            fed = tuple(c.name for c in self.chambers if c.name in tank.table.chambers)
            plans.append(_probe_plan(f"tank/{tank.name}/0", tank.probe, Signal.TANK_PH, fed))
        return tuple(plans)

    def valves(self) -> tuple[ValvePlan, ...]:
        """Every valve, in the configuration's order."""
        return tuple(
            ValvePlan(
                id=f"{c.name}/{i}",
                chamber=c.name,
                index=i,
                driver=valve.driver,
                options=valve.options,
                lease_s=float(valve.table.lease_s),
                travel_s=float(valve.table.travel_s),
                device_timer_s=valve.table.device_timer_s,
                bus=valve.bus,
                holder=valve.holder,
            )
            for c in self.chambers
            for i, valve in enumerate(c.valves)
        )

    def buttons(self) -> tuple[ButtonPlan, ...]:
        """Every button, in the configuration's order."""
        return tuple(
            ButtonPlan(
                f"button/{c.name}/{i}",
                c.name,
                b.driver,
                b.options,
                b.table.rest_text,
                float(b.table.remind_s),
            )
            for c in self.chambers
            for i, b in enumerate(c.buttons)
        )

    def effective(self) -> dict[str, JsonValue]:
        """Everything the service runs from, defaults filled in, as JSON; secrets left out."""
        from nightheron.settings.effective import effective

        return effective(self)

    def fingerprint(self) -> str:
        """SHA-256, in hex, of the effective configuration in canonical JSON."""
        text = json.dumps(self.effective(), sort_keys=True, separators=(",", ":"), allow_nan=False)
        return hashlib.sha256(text.encode()).hexdigest()


def _valve_limits(chamber: Chamber) -> ValveLimits:
    """All valves as one: the shortest lease, the longest travel, and reports when any reports."""
    reports = any(valve.reports for valve in chamber.valves)
    timer_s = device_timer_s(chamber)
    return ValveLimits(chamber.lease_s, chamber.travel_s, reports, timer_s, len(chamber.valves))


def _tank_limits(tank: Tank) -> TankLimits:
    keys = tank.table
    return TankLimits(keys.name, float(keys.low_ph), float(keys.clear_ph), keys.required, tank.probe.limits)


def _probe_plan(plan_id: str, probe: Probe, signal: Signal, chambers: tuple[str, ...]) -> ProbePlan:
    return ProbePlan(plan_id, probe.driver, probe.options, probe.stale_s, probe.period_s, signal, chambers)
