"""Find probe and valve drivers by entry point; only the ones a configuration names are imported."""

from __future__ import annotations

from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from nightheron_drivers.protocols import ProbeDriver, ValveDriver

PROBES = "nightheron.probes"
VALVES = "nightheron.valves"


class NoDriverError(Exception):
    """There is no such driver, or it cannot be loaded; says which are installed."""


def installed(group: str) -> tuple[str, ...]:
    """Names of the drivers of one group, in order."""
    return tuple(sorted(_found(group)))


def shipped(group: str) -> tuple[str, ...]:
    """Names of those of our own distribution, in order."""
    ours = [name for name, point in _found(group).items() if point.dist and point.dist.name == "nightheron"]
    return tuple(sorted(ours))


@cache
def _found(group: str) -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=group)}


def probe_driver(name: str) -> type[ProbeDriver]:
    """The probe driver called ``name``. Raises NoDriverError."""
    return cast("type[ProbeDriver]", load_driver(PROBES, name))


def valve_driver(name: str) -> type[ValveDriver]:
    """The valve driver called ``name``. Raises NoDriverError."""
    return cast("type[ValveDriver]", load_driver(VALVES, name))


@cache
def load_driver(group: str, name: str) -> type[ProbeDriver] | type[ValveDriver]:
    """The driver of either group called ``name``. Raises NoDriverError."""
    point = _found(group).get(name)
    if point is None:
        names = ", ".join(installed(group)) or "none"
        raise NoDriverError(f"there is no driver {name[:40]!r}; installed are {names}")
    try:
        return cast("type[ProbeDriver] | type[ValveDriver]", point.load())
    except Exception as error:  # a third party's module may fail in any way while it loads
        raise NoDriverError(f"the driver {name!r} cannot be loaded ({type(error).__name__})") from None


def needs_broker(driver: object, name: str) -> bool:
    """Whether it speaks through [mqtt]; a third party says so with ``needs_broker = True``."""
    return bool(getattr(driver, "needs_broker", name == "mqtt"))
