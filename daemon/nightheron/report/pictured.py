"""What the picture of the morning's digest shows, as JSON for the process that draws it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from nightheron.model import JsonValue
from nightheron.report.series import Series

KINDS = ("cuts", "rests", "trips", "other")


def asked(night: Mapping[str, Any], series: Mapping[str, Series], zone: str) -> dict[str, JsonValue] | None:
    """What to draw, as JSON: of the chamber that tripped, else the first. None where nothing was read."""
    names = [*(one["chamber"] for one in night["trips"]), *(one["chamber"] for one in night["chambers"])]
    name = next((name for name in names if name in series and series[name].bins), None)
    if name is None:
        return None
    closings = [[kind, one] for kind in KINDS for one in night[kind] if one["chamber"] == name]
    plain = asdict(series[name]) | {"last": None}
    return {"series": plain, "closings": closings, "gaps": night["gaps"], "zone": zone}
