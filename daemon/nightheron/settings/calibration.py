"""From a probe's own value to pH: the calibration record where there is one, else the ideal electrode."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

from nightheron.chemistry.nernst import slope_mv_per_ph
from nightheron.guard.limits import Conversion

IDEAL_T_C = 25.0
RECORD_MOST_BYTES = 65_536
PER_PH_BAND = {"mv": (40.0, 70.0), "ph": (0.8, 1.2)}
AT_PH7_BAND = {"mv": (-200.0, 200.0), "ph": (6.0, 8.0)}
"""A record outside these is a slip of the hand, not a worn electrode."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A conversion and whether a record stands behind it."""

    conversion: Conversion
    recorded: bool


def ideal(unit: str) -> Conversion:
    """Millivolts fall as pH rises, by the Nernst slope at 25 degC; pH is taken as it comes."""
    if unit == "mv":
        return Conversion(at_ph7=0.0, per_ph=-slope_mv_per_ph(IDEAL_T_C))
    return Conversion(at_ph7=7.0, per_ph=1.0)


def conversion_for(record: Path, unit: str) -> Calibrated:
    """The conversion from ``record`` (JSON with ``at_ph7`` and ``per_ph``), or the ideal one without it.

    ``unit`` is ``mv`` or ``ph``. Raises ValueError, saying why, for a record that is there and broken.
    """
    try:
        with record.open("rb") as file:
            data = file.read(RECORD_MOST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError):
        return Calibrated(ideal(unit), recorded=False)
    except OSError as error:
        raise ValueError(f"the calibration record {record} cannot be read ({error.strerror})") from None
    try:
        body = json.loads(data) if len(data) <= RECORD_MOST_BYTES else None
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise ValueError(f"the calibration record {record} is broken: it is not a JSON object")
    at_ph7 = _banded(body, "at_ph7", AT_PH7_BAND[unit], record, unit, signed=True)
    per_ph = _banded(body, "per_ph", PER_PH_BAND[unit], record, unit, signed=unit != "mv")
    return Calibrated(Conversion(at_ph7, per_ph), recorded=True)


def _banded(
    body: dict[str, object], key: str, band: tuple[float, float], record: Path, unit: str, *, signed: bool
) -> float:
    value = body.get(key)
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        size = float(value) if signed else abs(float(value))
        if band[0] <= size <= band[1]:
            return float(value)
    what = f"{key} must be a number from {band[0]:g} to {band[1]:g}" + ("" if signed else ", of either sign")
    raise ValueError(f"the calibration record {record} is broken: {what} for a probe in {unit}")
