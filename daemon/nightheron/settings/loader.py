"""Put it all together: read, validate, hold against each other, and build the Site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightheron_drivers.protocols import Broker

from nightheron.settings import crosscheck, parse, secret_files, sharing
from nightheron.settings.calibration import Calibrated, conversion_for, ideal
from nightheron.settings.faults import BadConfiguration, Faults
from nightheron.settings.parsed import Device, ParsedChamber, ParsedTank, stale_s
from nightheron.settings.site import Alerts, Button, Chamber, Mqtt, Probe, Sense, Site, Step, Tank, Valve
from nightheron.settings.source import DEFAULT_DATA_DIR, environment_faults, read_document, resolve_data_dir
from nightheron.settings.tables import MqttTable, ProbeTable, SenseProbeTable, SiteTable, ValveTable


def load(path: Path, environ: Mapping[str, str]) -> Site:
    """The configuration at ``path``. Raises BadConfiguration with every fault found."""
    faults = Faults()
    for fault in environment_faults(environ):
        faults.add(fault.key, fault.why)
    document = _document(path, faults)
    parse.top_level(document, faults)
    site = parse.table_of(SiteTable, document, "site", faults)
    data_dir = _data_dir(path, document, faults)
    chambers = parse.chambers(document, faults)
    tanks = parse.tanks(document, faults)
    mqtt = _mqtt(document, path.parent, environ, faults)
    alerts = _alerts(document, path.parent, environ, faults)
    _hold_together(document, site, mqtt, chambers, tanks, faults)
    built_chambers = [_chamber(c, data_dir, mqtt, faults) for c in chambers]
    built_tanks = [_tank(t, data_dir, faults) for t in tanks]
    faults.stop_if_any()
    if site is None or data_dir is None or alerts is None:
        raise AssertionError("a table was refused without a fault")
    return Site(
        name=site.name,
        path=path,
        data_dir=data_dir,
        timezone=site.timezone,
        starts_per_hour=site.starts_per_hour,
        keep_days=site.keep_days,
        mqtt=mqtt,
        chambers=tuple(c for c in built_chambers if c is not None),
        tanks=tuple(t for t in built_tanks if t is not None),
        alerts=alerts,
    )


def _document(path: Path, faults: Faults) -> dict[str, Any]:
    try:
        return read_document(path)
    except BadConfiguration as bad:
        for fault in bad.faults:
            faults.add(fault.key, fault.why)
    faults.stop_if_any()
    raise AssertionError("a file was refused without a fault")


def _data_dir(path: Path, document: Mapping[str, Any], faults: Faults) -> Path | None:
    site = document.get("site")
    written = site.get("data_dir", DEFAULT_DATA_DIR) if isinstance(site, dict) else DEFAULT_DATA_DIR
    try:
        return resolve_data_dir(path, written)
    except BadConfiguration as bad:
        for fault in bad.faults:
            faults.add(fault.key, fault.why)
    return None


def _mqtt(document: Mapping[str, Any], base: Path, environ: Mapping[str, str], faults: Faults) -> Mqtt | None:
    if "mqtt" not in document:
        if "NIGHTHERON_MQTT_PASSWORD" in environ:
            faults.add("NIGHTHERON_MQTT_PASSWORD", "is set, and there is no [mqtt] to use it")
        return None
    table = parse.table_of(MqttTable, document, "mqtt", faults)
    if table is None:
        return None
    password, source = secret_files.mqtt_password(table, base, environ, faults)
    secret_files.tls_files(table, base, faults)
    lost = table.password_file is not None and source != "mqtt.password_file"
    broker = Broker(
        host=table.host,
        port=table.port,
        username=table.username,
        password=password,
        tls=table.tls,
        ca_file=_under(base, table.ca_file),
        cert_file=_under(base, table.cert_file),
        key_file=_under(base, table.key_file),
    )
    ignored = "mqtt.password_file" if lost else None
    return Mqtt(broker, table.publish, table.prefix, source, ignored)


def _under(base: Path, written: str | None) -> str | None:
    return None if written is None else str((base / written).absolute())


def _alerts(
    document: Mapping[str, Any], base: Path, environ: Mapping[str, str], faults: Faults
) -> Alerts | None:
    table, steps = parse.alerts(document, faults)
    if table is None:
        return None
    heartbeat = table.heartbeat_url if table.heartbeat_url.get_secret_value() else None
    urls = secret_files.push_urls(table, base, environ, faults)
    ladder = [Step(one.name, secret_files.ladder_urls(one, key, base, faults)) for key, one in steps]
    return Alerts(
        urls=urls,
        urls_in_file=bool(table.urls) or any(one.urls for _, one in steps),
        delay_s=float(table.delay_s),
        quiet_hours=table.quiet_hours,
        digest_at=table.digest_at,
        heartbeat_url=heartbeat,
        ladder=tuple(ladder),
    )


def _hold_together(
    document: Mapping[str, Any],
    site: SiteTable | None,
    mqtt: Mqtt | None,
    chambers: Sequence[ParsedChamber],
    tanks: Sequence[ParsedTank],
    faults: Faults,
) -> None:
    names = [c.key.removeprefix("chamber.") for c in chambers if c.key.startswith("chamber.")]
    # While a chamber has no usable name, nobody can say which name a tank misses.
    known = names if len(names) == len(chambers) else None
    for chamber in chambers:
        crosscheck.check_chamber(chamber, faults)
    for tank in tanks:
        crosscheck.check_tank(tank, known, faults)
    crosscheck.check_tanks(tanks, faults)
    probes: list[Device[Any]] = [probe for c in chambers for probe in c.probes or ()]
    probes += [sense.probe for c in chambers for sense in c.senses if sense.probe is not None]
    probes += [t.probe for t in tanks if t.probe is not None]
    valves = [valve for c in chambers for valve in c.valves or ()]
    buttons = [button for c in chambers for button in c.buttons]
    crosscheck.check_broker(document, [*probes, *valves, *buttons], faults)
    ours = f"{mqtt.prefix}/{site.name}/" if mqtt and site and mqtt.publish else None
    sharing.check_topics(probes, valves, ours, faults)
    sharing.check_ports(probes, valves, faults)
    sharing.check_buttons(buttons, [*probes, *valves], ours, faults)
    sharing.check_rigs(probes, valves, faults)
    sharing.check_lines(valves, faults)


def _chamber(
    parsed: ParsedChamber, data_dir: Path | None, mqtt: Mqtt | None, faults: Faults
) -> Chamber | None:
    if parsed.table is None or parsed.probes is None or parsed.valves is None:
        return None
    name, folder = f"{parsed.table.name}.json", data_dir and data_dir / "calibration"
    records = [folder and (folder / name if i == 1 else folder / f"probe-{i}" / name) for i in (1, 2, 3)]
    broker = None if mqtt is None else mqtt.broker
    return Chamber(
        parsed.table,
        tuple(_probe(p, record, faults) for p, record in zip(parsed.probes, records, strict=False)),
        tuple(_valve(valve, broker) for valve in parsed.valves),
        tuple(
            Sense(one.signal, one.table, _sense_probe(one.probe))
            for one in parsed.senses
            if one.table is not None and one.probe is not None
        ),
        tuple(Button(b.key, b.name, b.options, b.table) for b in parsed.buttons),
    )


def _sense_probe(device: Device[SenseProbeTable]) -> Probe:
    return Probe(
        key=device.key,
        driver=device.name,
        options=device.options,
        unit="",
        period_s=float(device.table.period_s),
        stale_s=float(stale_s(device.table)),
        conversion=ideal("ph"),
        calibrated=False,
        by_broker=device.by_broker,
    )


def _tank(parsed: ParsedTank, data_dir: Path | None, faults: Faults) -> Tank | None:
    if parsed.table is None or parsed.probe is None:
        return None
    record = data_dir and data_dir / "calibration" / "tank" / f"{parsed.table.name}.json"
    return Tank(parsed.table, _probe(parsed.probe, record, faults))


def _probe(device: Device[ProbeTable], record: Path | None, faults: Faults) -> Probe:
    unit = device.table.unit
    calibrated = Calibrated(ideal(unit), recorded=False)
    if record is not None:
        try:
            calibrated = conversion_for(record, unit)
        except ValueError as error:
            faults.add(f"{device.key}.unit", str(error))
    return Probe(
        key=device.key,
        driver=device.name,
        options=device.options,
        unit=unit,
        period_s=float(device.table.period_s),
        stale_s=float(stale_s(device.table)),
        conversion=calibrated.conversion,
        calibrated=calibrated.recorded,
        by_broker=device.by_broker,
    )


def _valve(device: Device[ValveTable], broker: Broker | None) -> Valve:
    bus = device.driver.bus(device.options, broker) if broker or not device.by_broker else ""
    return Valve(
        device.key, device.name, device.options, device.table, bus, device.driver.holder, device.by_broker
    )
