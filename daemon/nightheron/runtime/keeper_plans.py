"""What each keeper must know of its bus, from the valve plans of the settings."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Protocol

from nightheron_drivers.protocols import Broker


class ValvePlanLike(Protocol):
    """What the settings know of one valve."""

    @property
    def id(self) -> str: ...
    @property
    def options(self) -> Any: ...
    @property
    def lease_s(self) -> float: ...
    @property
    def travel_s(self) -> float: ...
    @property
    def bus(self) -> str: ...
    @property
    def holder(self) -> str: ...


@dataclass(frozen=True, slots=True)
class BusPlan:
    """All a keeper must know of its bus; ``broker`` is a dumped Broker or None."""

    holder: str
    plans: tuple[dict[str, Any], ...]
    broker: dict[str, Any] | None = None


def plans_by_bus(valves: Iterable[ValvePlanLike], broker: Broker | None, site: str) -> dict[str, BusPlan]:
    """Group valve plans by bus, as ``Keepers`` wants them."""
    grouped: dict[str, list[ValvePlanLike]] = {}
    for valve in valves:
        grouped.setdefault(valve.bus, []).append(valve)
    dumped = dataclasses.asdict(broker) if broker is not None else None
    return {
        bus: BusPlan(
            plans[0].holder,
            tuple(
                {
                    **plan.options.model_dump(mode="json"),
                    "id": plan.id,
                    "site": site,
                    "lease_s": plan.lease_s,
                    "travel_s": plan.travel_s,
                }
                for plan in plans
            ),
            dumped if bus.startswith("mqtt:") else None,
        )
        for bus, plans in grouped.items()
    }
