"""The one way chemistry refuses an input: an error that says the value and the range."""

from __future__ import annotations

import math


class OutOfRange(ValueError):  # noqa: N818 - it says what is wrong, as ValueError does
    """An input outside the range that the source of a formula, or common sense, allows."""


def within(what: str, value: float, least: float, most: float, unit: str = "") -> None:
    """Raise OutOfRange unless ``least <= value <= most``; a NaN never is."""
    if not least <= value <= most:
        named = f"{value:g} {unit}".rstrip()
        raise OutOfRange(f"{what} {named} is not between {least:g} and {most:g}")


def above_zero(what: str, value: float, unit: str = "") -> None:
    """Raise OutOfRange unless ``value`` is a finite number above 0."""
    if not 0.0 < value < math.inf:
        named = f"{value:g} {unit}".rstrip()
        raise OutOfRange(f"{what} {named} is not a number above 0")


def not_negative(what: str, value: float, unit: str = "") -> None:
    """Raise OutOfRange unless ``value`` is a finite number of 0 or more."""
    if not 0.0 <= value < math.inf:
        named = f"{value:g} {unit}".rstrip()
        raise OutOfRange(f"{what} {named} is not a number of 0 or more")
