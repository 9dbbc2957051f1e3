"""Everything the service runs from, defaults filled in, as JSON; secrets left out."""

from __future__ import annotations

from nightheron.model import JsonValue
from nightheron.settings.site import Button, Mqtt, Probe, Sense, Site, Valve


def effective(site: Site) -> dict[str, JsonValue]:
    """Everything the service runs from, defaults filled in, as JSON; secrets left out."""
    return {
        "site": {
            "name": site.name,
            "data_dir": str(site.data_dir),
            "timezone": site.timezone,
            "starts_per_hour": site.starts_per_hour,
            "keep_days": site.keep_days,
        },
        "mqtt": None if site.mqtt is None else _mqtt(site.mqtt),
        "chamber": [
            c.table.model_dump(mode="json")
            | {
                "probes": [_probe(p) for p in c.probes],
                "valves": [_device(v) for v in c.valves],
                "buttons": [_device(b) for b in c.buttons],
            }
            | {s.signal.value: _sense(s) for s in c.senses}
            for c in site.chambers
        ],
        "tank": [t.table.model_dump(mode="json") | {"probe": _probe(t.probe)} for t in site.tanks],
        "alerts": {
            "urls": len(site.alerts.urls),
            "delay_s": site.alerts.delay_s,
            "quiet_hours": site.alerts.quiet_hours,
            "digest_at": site.alerts.digest_at,
            "ladder": [{"name": step.name, "urls": len(step.urls)} for step in site.alerts.ladder],
            "heartbeat": site.alerts.heartbeat_url is not None,
        },
    }


def _mqtt(mqtt: Mqtt) -> dict[str, JsonValue]:
    b = mqtt.broker
    shown: dict[str, JsonValue] = {
        "host": b.host,
        "port": b.port,
        "username": b.username,
        "password": b.password is not None,
        "tls": b.tls,
        "ca_file": b.ca_file,
        "cert_file": b.cert_file,
        "key_file": b.key_file,
        "publish": mqtt.publish,
        "prefix": mqtt.prefix,
    }
    return shown


def _probe(probe: Probe) -> dict[str, JsonValue]:
    options: dict[str, JsonValue] = probe.options.model_dump(mode="json")
    return options | {
        "driver": probe.driver,
        "unit": probe.unit,
        "period_s": probe.period_s,
        "stale_s": probe.stale_s,
        "at_ph7": probe.conversion.at_ph7,
        "per_ph": probe.conversion.per_ph,
    }


def _sense(sense: Sense) -> dict[str, JsonValue]:
    limits: dict[str, JsonValue] = sense.table.model_dump(mode="json")
    return limits | {"probe": _probe(sense.probe)}


def _device(device: Valve | Button) -> dict[str, JsonValue]:
    options: dict[str, JsonValue] = device.options.model_dump(mode="json")
    return options | device.table.model_dump(mode="json")
