"""Which probes ``nightheron listen`` was asked for: from the configuration, or from flags alone."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron_drivers.protocols import Broker, ProbeSource

    from nightheron.settings.site import Site

LOCAL = ("127.0.0.1", 1883)
STALE_S = 5.0


class CannotListen(Exception):  # noqa: N818 - reads as what is said
    """What is wrong with the request, one sentence a line."""


def sources_wanted(args: argparse.Namespace) -> list[ProbeSource]:
    """The sources to listen to. Raises CannotListen."""
    named = [word for word in (args.chamber, *(args.port or ()), args.topic) if word is not None]
    if len(named) > 1:
        raise CannotListen("Name one of a chamber, --port and --topic.")
    if args.port is not None:
        (port,) = args.port
        keys = {"port": port, "baud": args.baud, "pattern": args.pattern}
        return _sources("serial", {port: _options("serial", keys)}, {port: STALE_S}, None, "listen")
    if args.topic is not None:
        keys = {"topic": args.topic, "value_pointer": args.value_pointer, "time_pointer": args.time_pointer}
        options = _options("mqtt", keys)
        return _sources("mqtt", {args.topic: options}, {args.topic: STALE_S}, _broker(args), "listen")
    return _configured(_site(args.config), args.chamber)


def _site(path: Path) -> Site:
    from nightheron.settings import BadConfiguration, load

    try:
        return load(path, os.environ)
    except BadConfiguration as bad:
        said = "\n".join(f"{fault.key}: {fault.why}" for fault in bad.faults)
        hint = "Without a configuration, name a device: --port PORT or --topic TOPIC."
        raise CannotListen(f"{said}\n{hint}") from None


def _configured(site: Site, name: str | None) -> list[ProbeSource]:
    plans = [plan for plan in site.probes() if name is None or plan.id.split("/")[1] == name]
    if not plans:
        known = ", ".join(dict.fromkeys(plan.id.split("/")[1] for plan in site.probes()))
        raise CannotListen(f"There is no chamber or tank {name!r} in {site.path}; there are {known}.")
    broker = site.mqtt.broker if site.mqtt is not None else None
    found: list[ProbeSource] = []
    for driver in dict.fromkeys(plan.driver for plan in plans):
        mine = [plan for plan in plans if plan.driver == driver]
        stale_s = {plan.id: plan.stale_s for plan in mine}
        found += _sources(driver, {plan.id: plan.options for plan in mine}, stale_s, broker, site.name)
    return found


def _sources(
    driver: str, probes: Mapping[str, Any], stale_s: Mapping[str, float], broker: Broker | None, site: str
) -> list[ProbeSource]:
    from nightheron.settings.drivers import NoDriverError, probe_driver

    try:
        return list(probe_driver(driver).sources(probes, stale_s, broker, site))
    except (ValueError, NoDriverError) as why:
        raise CannotListen(f"{why}.") from None


def _options(driver: str, keys: dict[str, object]) -> Any:
    from pydantic import ValidationError

    from nightheron.settings.drivers import probe_driver

    try:
        return probe_driver(driver).Options.model_validate(keys)
    except ValidationError as bad:
        first = bad.errors()[0]
        flag = "--" + str(first["loc"][0]).replace("_", "-") if first["loc"] else "These flags"
        said = first["msg"].removeprefix("Value error, ").rstrip(".")
        raise CannotListen(f"{flag}: {said}.") from None


def _broker(args: argparse.Namespace) -> Broker:
    """The one named, or the configuration's, or the one on this machine."""
    if args.host is None and args.config.exists():
        site = _site(args.config)
        if site.mqtt is not None:
            return site.mqtt.broker
    return broker_named(args.host or "")


def broker_named(text: str) -> Broker:
    """``HOST[:PORT]``; this machine and 1883 where they are left out. Raises CannotListen."""
    from nightheron_drivers.protocols import Broker

    host, _, port = text.partition(":")
    if port and not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
        raise CannotListen(f"--host: {port!r} is no port; write HOST or HOST:PORT.")
    return Broker(host or LOCAL[0], int(port or LOCAL[1]))
