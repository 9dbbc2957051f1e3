"""What a careful person would still ask about a valid configuration. None of it keeps gas from flowing."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from nightheron.settings.drivers import valve_driver
from nightheron.settings.faults import BadConfiguration, KeyFault
from nightheron.settings.reckon import broker_is_here, late, reckon
from nightheron.settings.site import Chamber, Probe, Site, Valve
from nightheron.settings.source import read_document


def cautions(site: Site) -> list[KeyFault]:
    """Every warning, in the order of the file."""
    found = list(_broker(site))
    for chamber in site.chambers:
        found += _chamber(chamber)
    for tank in site.tanks:
        found += _probe(tank.probe)
    return [*found, *_budget(site), *_alerts(site), *_open_files(site)]


def _broker(site: Site) -> Iterator[KeyFault]:
    if site.mqtt is None:
        return
    broker = site.mqtt.broker
    here = broker_is_here(broker.host)
    if not here and not broker.tls:
        what = "the password and every order cross" if broker.password else "every order crosses"
        yield KeyFault("mqtt.tls", f"the broker is on the network and {what} it unprotected; use tls = true")
    if not here and broker.password is None and broker.cert_file is None:
        yield KeyFault("mqtt.username", "the broker is on the network and lets anybody give orders")
    if site.mqtt.password_ignored:
        used = site.mqtt.password_source
        yield KeyFault(site.mqtt.password_ignored, f"not used: {used} also gives the password, and it wins")
    if any(v.by_broker for c in site.chambers for v in c.valves):
        yield KeyFault(
            "mqtt",
            "set set_tcp_nodelay true in mosquitto's configuration: without it each order waits some 40 ms",
        )


def _chamber(chamber: Chamber) -> Iterator[KeyFault]:
    key, table = f"chamber.{chamber.name}", chamber.table
    if table.commissioning == "advise":
        yield KeyFault(
            f"{key}.commissioning",
            'gas opens without a guided first start; commissioning = "require" keeps it shut until then',
        )
    if "water_l" not in table.model_fields_set:
        yield KeyFault(
            f"{key}.water_l", f"not given: the process safety time is reckoned for {table.water_l:g} L"
        )
    if "gas_ml_min" not in table.model_fields_set:
        yield KeyFault(
            f"{key}.gas_ml_min",
            f"not given: reckoned for {table.gas_ml_min:g} mL/min, which is lean; count the bubbles of a "
            "minute while gas is open, times 0.05",
        )
    for probe in (*chamber.probes, *(sense.probe for sense in chamber.senses)):
        yield from _probe(probe)
    if len(chamber.probes) == 1 and table.gas_budget_s_per_day is None:
        yield KeyFault(
            f"{key}.gas_budget_s_per_day",
            "not given: a single probe that reads high has no other witness than a second probe, this budget "
            "and the effluent test",
        )
    for valve in chamber.valves:
        port = getattr(valve.options, "port", None)
        if isinstance(port, str) and not Path(port).exists():
            yield KeyFault(f"{valve.key}.port", f"{port} is not there now; until it is, the valve is lost")
        yield from _machine(valve)
        if not valve.reports:
            yield KeyFault(valve.key, "the valve does not report its own position; only the water shows it")


def _machine(valve: Valve) -> Iterator[KeyFault]:
    """What the valve's driver finds worth asking on this machine."""
    look = getattr(valve_driver(valve.driver), "cautions", None)
    if look is None:
        return
    try:
        yield from [KeyFault(f"{valve.key}.{key}", why) for key, why in look(valve.options)]
    except Exception as error:  # a third party's driver may raise anything while it looks
        yield KeyFault(valve.key, f"the driver could not look at this machine ({type(error).__name__})")


def _probe(probe: Probe) -> Iterator[KeyFault]:
    port = getattr(probe.options, "port", None)
    if isinstance(port, str) and not Path(port).exists():
        yield KeyFault(f"{probe.key}.port", f"{port} is not there now; until it is, the probe is lost")
    if probe.unit == "mv" and not probe.calibrated:
        yield KeyFault(
            f"{probe.key}.unit",
            "there is no calibration record; an ideal electrode at 25 degC is assumed, 0.1 pH off is common",
        )


def _budget(site: Site) -> Iterator[KeyFault]:
    rows = reckon(site)
    for chamber in site.chambers:
        own = [row for row in rows if row.chamber == chamber.name]
        unbounded = ", ".join(row.cause for row in own if row.seconds is None)
        if unbounded:
            yield KeyFault(
                f"{chamber.valves[0].key}.device_timer_s",
                f"NOT BOUNDED: nothing configured ends gas after {unbounded}; use a device that has a timer",
            )
        safety = own[0].process_safety_s
        slow = ", ".join(late((row for row in own if row.water_s is not None), safety))
        if slow:
            yield KeyFault(
                f"chamber.{chamber.name}",
                f"at ten times the normal gas harm comes in {safety:.0f} s, and over half of that goes by "
                f"before the water turns after {slow}; limit the flow mechanically",
            )


def _alerts(site: Site) -> Iterator[KeyFault]:
    if not site.alerts.urls:
        yield KeyFault("alerts.urls_file", "there is no push address: nobody is told of anything")
    if site.alerts.heartbeat_url is None:
        yield KeyFault("alerts.heartbeat_url", "no heartbeat: a dead board would be noticed by nobody")
    if site.alerts.urls_in_file:
        yield KeyFault("alerts.urls", "push addresses often hold a token; urls_file keeps them out of here")


def _open_files(site: Site) -> Iterator[KeyFault]:
    """Secret files that other users of the board can read."""
    try:
        document = read_document(site.path)
    except BadConfiguration:  # it was readable a moment ago; a warning less does no harm
        return
    alerts = document.get("alerts", {})
    named = [("mqtt", name, document.get("mqtt", {}).get(name)) for name in ("password_file", "key_file")]
    named += [("alerts", "urls_file", alerts.get("urls_file"))]
    steps = enumerate(alerts.get("ladder", []), 1)
    named += [(f"alerts.ladder[{number}]", "urls_file", step.get("urls_file")) for number, step in steps]
    for table, name, written in named:
        if not isinstance(written, str):
            continue
        path = site.path.parent / written
        if os.access(path, os.F_OK) and path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
            yield KeyFault(f"{table}.{name}", f"every user of this board can read {path}; chmod 640")
