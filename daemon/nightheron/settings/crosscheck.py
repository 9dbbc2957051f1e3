"""What only shows when keys are held against each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from nightheron.settings.faults import Faults
from nightheron.settings.parsed import Device, ParsedChamber, ParsedTank, stale_s
from nightheron.settings.tables import ChamberTable, ProbeTable, SenseProbeTable, ValveTable

ORDER_PAIRS = (("open_order", "close_order"), ("open_line", "close_line"), ("open_answer", "closed_answer"))


def check_chamber(chamber: ParsedChamber, faults: Faults) -> None:
    """Limits, probe and valve of one chamber among themselves."""
    if chamber.table is not None:
        _limits(chamber.key, chamber.table, faults)
    for probe in chamber.probes or ():
        _probe(probe, faults)
    for valve in chamber.valves or ():
        _valve(valve, faults)
        _machine(valve, faults)
    for sense in chamber.senses:
        if sense.probe is not None:
            _probe(sense.probe, faults)


def _limits(key: str, table: ChamberTable, faults: Faults) -> None:
    if not table.resume_ph > table.floor_ph:
        faults.add(
            f"{key}.resume_ph",
            f"must be above floor_ph ({table.floor_ph:g}), or gas would chatter (it is {table.resume_ph:g})",
        )
    if table.trial_opening_s > table.longest_opening_s:
        faults.add(
            f"{key}.trial_opening_s", f"must not be above longest_opening_s ({table.longest_opening_s:g})"
        )


def _probe(probe: Device[ProbeTable] | Device[SenseProbeTable], faults: Faults) -> None:
    least = 3.0 * probe.table.period_s
    if stale_s(probe.table) < least:
        faults.add(f"{probe.key}.stale_s", f"must be at least three times period_s, here {least:g}")


def _valve(valve: Device[ValveTable], faults: Faults) -> None:
    table, options = valve.table, valve.options
    if table.device_timer_s is not None and table.device_timer_s <= table.lease_s / 2:
        why = f"must be above half of lease_s ({table.lease_s / 2:g}): the order is repeated no more often"
        faults.add(f"{valve.key}.device_timer_s", why)
    for first, second in ORDER_PAIRS:
        one, other = getattr(options, first, None), getattr(options, second, None)
        if isinstance(one, str) and isinstance(other, str) and one.strip() == other.strip():
            faults.add(f"{valve.key}.{second}", f"must differ from {first}")


def _machine(valve: Device[ValveTable], faults: Faults) -> None:
    """What the driver finds on this machine that forbids it to hold a valve."""
    try:
        for key, why in getattr(valve.driver, "refusals", _nothing)(valve.options):
            faults.add(f"{valve.key}.{key}", why)
    except Exception as error:  # a third party's driver may raise anything while it looks
        faults.add(valve.key, f"the driver could not look at this machine ({type(error).__name__})")


def _nothing(_: object) -> tuple[tuple[str, str], ...]:
    return ()


def check_tank(tank: ParsedTank, names: Iterable[str] | None, faults: Faults) -> None:
    """Limits and probe of one tank, and the chambers it names; ``names`` None when not all are known."""
    if tank.probe is not None:
        _probe(tank.probe, faults)
    if tank.table is None:
        return
    if not tank.table.clear_ph > tank.table.low_ph:
        faults.add(f"{tank.key}.clear_ph", f"must be above low_ph ({tank.table.low_ph:g})")
    known = None if names is None else sorted(names)
    for number, name in enumerate(tank.table.chambers):
        if name in tank.table.chambers[:number]:
            faults.add(f"{tank.key}.chambers", f"names {name[:80]!r} twice")
        elif known is not None and name not in known:
            there = ", ".join(repr(n) for n in known) or "none"
            faults.add(f"{tank.key}.chambers", f"there is no chamber {name[:80]!r}; there are {there}")


def check_tanks(tanks: Iterable[ParsedTank], faults: Faults) -> None:
    """No chamber feeds two tanks."""
    fed: dict[str, str] = {}
    for tank in tanks:
        for name in dict.fromkeys(tank.table.chambers if tank.table else ()):
            if name in fed:
                faults.add(f"{tank.key}.chambers", f"chamber {name[:80]!r} already feeds {fed[name]}")
            fed.setdefault(name, tank.key)


def check_broker(document: Mapping[str, object], devices: Iterable[Device[Any]], faults: Faults) -> None:
    """[mqtt] is there where something speaks through it."""
    users = [device.key for device in devices if device.by_broker]
    if users and "mqtt" not in document:
        faults.add("mqtt", f"[mqtt] is missing, and {users[0]} speaks through a broker")
