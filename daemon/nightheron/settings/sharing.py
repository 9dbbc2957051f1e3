"""Who shares a topic, a serial port or a rig with whom, and whether they can."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from nightheron.settings.faults import Faults
from nightheron.settings.parsed import Device
from nightheron.settings.tables import ButtonTable, ValveTable

LINES = ("open_line", "close_line")


def check_topics(
    probes: Sequence[Device[Any]],
    valves: Sequence[Device[ValveTable]],
    ours: str | None,
    faults: Faults,
) -> None:
    """Each order and feedback topic has one owner; ``ours`` is the prefix we publish under, or None."""
    taken: dict[str, str] = {}
    roles = [(v, name) for v in valves for name in ("order_topic", "feedback_topic")]
    for valve, name in roles:
        topic, key = getattr(valve.options, name, None), f"{valve.key}.{name}"
        if not isinstance(topic, str) or not _plain(topic, key, ours, faults):
            continue
        if topic in taken:
            faults.add(key, f"is the same topic as {taken[topic]}; each needs its own")
        taken.setdefault(topic, key)
    heard: dict[tuple[str, object], str] = {}
    for probe in probes:
        topic, key = getattr(probe.options, "topic", None), f"{probe.key}.topic"
        if not isinstance(topic, str) or not _plain(topic, key, ours, faults):
            continue
        if topic in taken:
            faults.add(key, f"is the same topic as {taken[topic]}; a probe needs its own")
        place = (topic, getattr(probe.options, "value_pointer", None))
        if place in heard:
            faults.add(key, f"reads the same value as {heard[place]}; one probe cannot stand for two")
        heard.setdefault(place, key)


def _plain(topic: str, key: str, ours: str | None, faults: Faults) -> bool:
    if not topic or "+" in topic or "#" in topic or topic.startswith("$") or not topic.isprintable():
        faults.add(key, "must be one plain topic: not empty, no wildcards (+ #), no leading $")
        return False
    if len(topic.encode()) > 65_535:
        faults.add(key, "is longer than a topic can be")
        return False
    if ours is not None and topic.startswith(ours):
        faults.add(key, f"lies under {ours}, where this service publishes itself")
        return False
    return True


def check_buttons(
    buttons: Sequence[Device[ButtonTable]], others: Sequence[Device[Any]], ours: str | None, faults: Faults
) -> None:
    """What a button listens to is spoken on by nothing else of the site; two chambers may share a topic."""
    topics = {
        topic: f"{other.key}.{name}"
        for other in others
        for name in ("order_topic", "feedback_topic", "topic")
        if isinstance(topic := getattr(other.options, name, None), str)
    }
    ports = {os.path.realpath(port): one.key for one in reversed([*others, *buttons]) if (port := _port(one))}
    for button in buttons:
        topic, port = getattr(button.options, "topic", None), _port(button)
        if isinstance(topic, str) and _plain(topic, f"{button.key}.topic", ours, faults) and topic in topics:
            faults.add(f"{button.key}.topic", f"is the same topic as {topics[topic]}; a button needs its own")
        owner = ports[os.path.realpath(port)] if port else button.key
        if owner != button.key:
            faults.add(f"{button.key}.port", f"is also the port of {owner}; a button needs its own")


def _port(device: Device[Any]) -> str | None:
    port = getattr(device.options, "port", None)
    return port if isinstance(port, str) else None


def check_ports(probes: Sequence[Device[Any]], valves: Sequence[Device[ValveTable]], faults: Faults) -> None:
    """Devices on one serial port can be told apart and agree on its rate."""
    on: dict[str, list[Device[Any]]] = defaultdict(list)
    devices: list[Device[Any]] = [*valves, *probes]
    for device in devices:
        port = getattr(device.options, "port", None)
        if isinstance(port, str):
            # One adapter has several names under /dev; the real path is one.
            on[os.path.realpath(port)].append(device)
    moved = {valve.key for valve in valves}
    for sharers in on.values():
        first = sharers[0]
        for other in sharers[1:]:
            if first.key in moved and other.key not in moved:
                why = f"is also the port of {first.key}; for now a probe needs its own"
                faults.add(f"{other.key}.port", why)
            elif getattr(first.options, "baud", None) != getattr(other.options, "baud", None):
                faults.add(f"{other.key}.baud", f"differs from that of {first.key} on the same port")
        _same_lines([s for s in sharers if s.key in moved], faults)
        _same_patterns([s for s in sharers if s.key not in moved], faults)


def _same_lines(valves: Sequence[Device[Any]], faults: Faults) -> None:
    owner: dict[str, str] = {}
    for valve in valves:
        for name in LINES:
            line = getattr(valve.options, name, None)
            if not isinstance(line, str):
                continue
            known = owner.setdefault(line.strip(), valve.key)
            if known != valve.key:
                faults.add(f"{valve.key}.{name}", f"is also a line of {known} on the same port")


def _same_patterns(probes: Sequence[Device[Any]], faults: Faults) -> None:
    owner: dict[str, str] = {}
    for probe in probes:
        pattern = getattr(probe.options, "pattern", None)
        if not isinstance(pattern, str):
            continue
        known = owner.setdefault(pattern, probe.key)
        if known != probe.key:
            why = f"reads the same lines as {known} on the same port; one probe cannot stand for two"
            faults.add(f"{probe.key}.pattern", why)


def check_rigs(probes: Sequence[Device[Any]], valves: Sequence[Device[ValveTable]], faults: Faults) -> None:
    """No two chambers play with one simulated chamber, and no two probes are one instrument of it."""
    for devices in (probes, valves):
        owner: dict[tuple[object, ...], str] = {}
        for device in devices:
            chamber = getattr(device.options, "chamber", None)
            if device.name != "rig" or chamber is None:
                continue
            options = device.options
            place = (getattr(options, "path", None), chamber, getattr(options, "instrument", None))
            known = owner.setdefault(place, device.key)
            if known != device.key:
                faults.add(f"{device.key}.chamber", f"is the same simulated chamber as that of {known}")


def check_lines(valves: Sequence[Device[ValveTable]], faults: Faults) -> None:
    """No two valves on one output line, as far as they name it alike."""
    owner: dict[tuple[object, object], str] = {}
    for valve in valves:
        place = (getattr(valve.options, "chip", None), getattr(valve.options, "line", None))
        if None not in place and place in owner:
            faults.add(f"{valve.key}.line", f"is also the line of {owner[place]}; each valve needs its own")
        owner.setdefault(place, valve.key)
