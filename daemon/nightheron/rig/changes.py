"""Single changes to how a chamber is guarded, each tried by itself to see what it would have spared."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from nightheron.guard.limits import ChamberLimits, Conversion, ProbeLimits, TankLimits
from nightheron.model import Signal
from nightheron.rig.faults import Fault
from nightheron.rig.stand_in import Stand
from nightheron.settings.senses import TABLES, limits_of

SHORTER_OPENING_S = 3600.0
BUDGET_OF_HEALTHY = 1.5
"""As a guided first start proposes: one and a half times the open time of healthy days."""
RELIEF_BAR = 1.0
SIGNALS = (
    Signal.CIRCULATION,
    Signal.FLOW,
    Signal.OUTLET_PRESSURE,
    Signal.VESSEL_PRESSURE,
    Signal.ROOM_CO2,
)
BEARS_ON: dict[str, set[str] | None] = {
    "push": None,
    "heartbeat": {"guard"},
    "second_probe": {"probe"},
    "tank_probe": {"tank", "room", "supply"},
    "tank_required": {"tank", "tank_probe", "room", "supply"},
    "device_timer": {"valve", "guard", "power"},
    "feedback": {"valve"},
    "second_valve": {"valve", "guard"},
    "circulation": {"water", "power"},
    "flow": {"water", "power"},
    "outlet_pressure": {"supply"},
    "vessel_pressure": {"supply", "water"},
    "room_co2": {"supply", "room"},
    "relief": {"supply"},
}
"""The parts of a site that a change can do something about; any part where it is not named, or None."""
PROBE = ProbeLimits(10.0, 60.0, Conversion(7.0, 1.0))
"""A tank's probe that speaks in pH, now and then."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One change: its name, what to write or fit, and what it makes of a stand."""

    key: str
    what: str
    makes: Callable[[Stand], Stand]
    postpones: bool = False
    """It gives time rather than ending the cause, and so comes last whatever it spares in a short play."""


def trials(stand: Stand, healthy_share: float) -> dict[str, Trial]:
    """Every change that this stand does not have yet, by name.

    ``healthy_share`` is the share of time gas is open when nothing is wrong.
    """
    found = [*_people(stand), *_probes(stand), *_valve(stand), *_times(stand, healthy_share), *_more(stand)]
    return {one.key: one for one in found}


def bears_on(key: str, fault: Fault) -> bool:
    """Whether the change of that name can do anything about the parts that the fault breaks."""
    parts = BEARS_ON.get(key)
    return parts is None or any(change.part in parts for step in fault.steps for change in step.changes)


def _limits(stand: Stand, **changes: object) -> Stand:
    limits: ChamberLimits = replace(stand.limits, **changes)  # type: ignore[arg-type]  # fields by name
    return replace(stand, limits=limits)


def _people(stand: Stand) -> Iterator[Trial]:
    if not stand.told:
        yield Trial("push", "[alerts] urls_file: a push address, so that a wake reaches somebody", _told)
    if not stand.beat:
        yield Trial(
            "heartbeat",
            "[alerts] heartbeat_url: somebody notices when the whole board is silent",
            lambda one: replace(one, beat=True),
        )


def _told(stand: Stand) -> Stand:
    return replace(stand, told=True)


def _probes(stand: Stand) -> Iterator[Trial]:
    probes = stand.limits.probes
    if len(probes) == 1:
        yield Trial(
            "second_probe",
            "[[chamber.probes]]: a second pH probe in the same water",
            lambda one: _limits(one, probes=probes * 2),
        )
    tank = stand.limits.tank
    if tank is None:
        yield Trial(
            "tank_probe",
            "[[tank]]: the tank's own pH, gas shut below 7.70",
            lambda one: _limits(one, tank=TankLimits("tank", 7.70, 7.80, False, PROBE)),
        )
    elif not tank.required:
        yield Trial(
            "tank_required",
            "tank required = true: no gas without the tank's pH",
            lambda one: _limits(one, tank=replace(tank, required=True)),
        )


def _valve(stand: Stand) -> Iterator[Trial]:
    valve = stand.limits.valve
    if stand.timer_s is None:
        timer_s = max(10.0, 2.0 * valve.lease_s)
        yield Trial(
            "device_timer",
            f"valve device_timer_s = {timer_s:g}: a device that shuts by itself when nobody renews",
            lambda one: _timed(one, timer_s),
        )
    if not valve.feedback and stand.hears_strangers:
        yield Trial(
            "feedback",
            "valve feedback_topic: the valve says where it stands",
            lambda one: _limits(one, valve=replace(valve, feedback=True)),
        )
    if stand.valves == 1:
        yield Trial(
            "second_valve",
            "[[chamber.valves]]: a second valve in series",
            lambda one: replace(_limits(one, valve=replace(valve, count=2)), valves=2),
        )


def _timed(stand: Stand, timer_s: float) -> Stand:
    valve = replace(stand.limits.valve, device_timer_s=timer_s)
    gone_s = timer_s + valve.travel_s
    before_s = stand.host_gone_s
    return replace(
        _limits(stand, valve=valve),
        timer_s=timer_s,
        host_gone_s=gone_s if before_s is None else min(gone_s, before_s),
    )


def _times(stand: Stand, healthy_share: float) -> Iterator[Trial]:
    limits = stand.limits
    if limits.longest_opening_s > SHORTER_OPENING_S:
        yield Trial(
            "shorter_opening",
            f"longest_opening_s = {SHORTER_OPENING_S:g} (is {limits.longest_opening_s:g})",
            lambda one: _limits(
                one,
                longest_opening_s=SHORTER_OPENING_S,
                trial_opening_s=min(limits.trial_opening_s, SHORTER_OPENING_S),
            ),
        )
    if limits.gas_budget_s_per_day is None:
        budget_s = round(min(86400.0, BUDGET_OF_HEALTHY * healthy_share * 86400.0), -2)
        yield Trial(
            "gas_budget",
            f"gas_budget_s_per_day = {budget_s:g}: one and a half times a healthy day's open gas",
            lambda one: _limits(one, gas_budget_s_per_day=budget_s),
        )
    floor_ph = round(limits.floor_ph + 0.1, 2)
    yield Trial(
        "higher_floor",
        f"floor_ph = {floor_ph:.2f}, resume_ph = {limits.resume_ph + 0.1:.2f}: later, and at less alkalinity",
        lambda one: _limits(one, floor_ph=floor_ph, resume_ph=round(limits.resume_ph + 0.1, 2)),
        postpones=True,
    )


def _more(stand: Stand) -> Iterator[Trial]:
    limits = stand.limits
    for signal in SIGNALS:
        if all(one.signal is not signal for one in limits.senses):
            yield Trial(
                signal.value,
                f"[chamber.{signal.value}]: this signal, with the limits it has by itself",
                partial(_sensed, signal),
            )
    if stand.outlet_most_bar > RELIEF_BAR:
        yield Trial(
            "relief",
            f"no setting but a part: a regulator whose outlet, by its relief, cannot pass {RELIEF_BAR:g} bar",
            lambda one: replace(one, outlet_most_bar=RELIEF_BAR),
        )


def _sensed(signal: Signal, stand: Stand) -> Stand:
    sense = limits_of(signal, TABLES[signal].model_validate({}), 1.0, 5.0)
    return _limits(stand, senses=(*stand.limits.senses, sense))
