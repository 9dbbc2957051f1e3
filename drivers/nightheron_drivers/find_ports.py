"""The serial ports of this machine, each by a name that stays its own, and who holds it."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

LINKS = Path("/dev/serial")
_INTERFACE = re.compile(r"-if[0-9a-f]{2}(-port\d+)?$")
HOLDERS_MOST = 100_000
"""So many open files of other processes are looked at."""


@dataclass(frozen=True, slots=True)
class Device:
    """What the system says of one port; ``serial_number`` and the ids are None off USB."""

    device: str
    description: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None


@dataclass(frozen=True, slots=True)
class Port:
    """A port by the name to write down, and in a sentence why that name."""

    name: str
    device: str
    description: str
    why: str


def ports() -> list[Port]:
    """Every serial port the system lists."""
    from serial.tools.list_ports import comports

    devices = [Device(p.device, p.description or "", p.vid, p.pid, p.serial_number) for p in comports()]
    return named(devices, {kind: _links(LINKS / kind) for kind in ("by-id", "by-path")})


def given(names: Sequence[str]) -> list[Port]:
    """Ports that somebody named."""
    return [Port(name, os.path.realpath(name), "", "named by you") for name in names]


def named(devices: Iterable[Device], links: Mapping[str, Mapping[str, str]]) -> list[Port]:
    """A stable name for each. ``links``: by kind, each link's path and the device it leads to."""
    devices = list(devices)
    same = Counter((d.vid, d.pid, d.serial_number) for d in devices)
    return [_named(d, links, same[d.vid, d.pid, d.serial_number]) for d in devices]


def _named(device: Device, links: Mapping[str, Mapping[str, str]], alike: int) -> Port:
    by_id, by_path = (_leading_to(device.device, links.get(kind, {})) for kind in ("by-id", "by-path"))
    path = device.device
    # Two ports of one adapter have one serial number and a link each; two adapters of one number share one.
    if by_id and device.serial_number and alike == _linked_like(by_id, links.get("by-id", {})):
        return Port(by_id, path, device.description, "by-id: its serial number tells it from every other")
    if by_path:
        lacks = "another adapter here has the same one" if device.serial_number else "it has none"
        why = f"by-path, the socket it is plugged into, since no serial number is its own ({lacks})"
        return Port(by_path, path, device.description, f"{why}; keep it in that socket")
    if by_id:
        return Port(by_id, path, device.description, "by-id, but any of its kind would have this name")
    if device.vid is None:
        return Port(path, path, device.description, "on the board, where names stay")
    return Port(path, path, device.description, "no lasting name is kept here; it may have another tomorrow")


def _linked_like(link: str, links: Mapping[str, str]) -> int:
    """How many devices have a link that differs from this one in the interface at most."""
    stem = _INTERFACE.sub("", link)
    return len({to for name, to in links.items() if _INTERFACE.sub("", name) == stem})


def _leading_to(device: str, links: Mapping[str, str]) -> str | None:
    return min((name for name, to in links.items() if to == device), default=None)


def _links(directory: Path) -> dict[str, str]:
    try:
        return {str(link): os.path.realpath(link) for link in directory.iterdir()}
    except OSError:
        return {}


def holder(device: str, proc: Path = Path("/proc")) -> str | None:
    """Who has the port open, as ``name (pid N)``; None when nobody seen, or nobody we may look at.

    Only processes of the same user are seen, or all as root. Two ends of a pseudo-terminal are held
    by whoever made it, which says nothing.
    """
    if device.startswith("/dev/pts/"):
        return None
    seen = 0
    for process in proc.iterdir():
        if not process.name.isdigit() or process.name == str(os.getpid()):
            continue
        try:
            for fd in (process / "fd").iterdir():
                seen += 1
                if str(fd.readlink()) == device:
                    return f"{(process / 'comm').read_text().strip()} (pid {process.name})"
        except OSError:
            continue  # gone, or not ours to look at
        if seen > HOLDERS_MOST:
            break
    return None
