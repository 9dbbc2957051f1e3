"""The words of a valve on a broker: its name there, its orders, and how to know them again."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from typing import Any

from nightheron.model import Gas


def client_id(plan: Mapping[str, Any]) -> str:
    """Stable, so that a new connection takes over from a half-dead one; 23 letters and digits."""
    name = f"{plan.get('site', '')}/{plan['id']}"
    return "nightheron" + hashlib.sha256(name.encode()).hexdigest()[:13]


def order_text(template: str, lease_s: float) -> str:
    """The order with ``{lease_s}`` filled in; whole seconds without decimals."""
    return template.replace("{lease_s}", f"{lease_s:g}")


def order_pattern(template: str) -> re.Pattern[str]:
    """Matches the order whatever lease it carries, in any letter case: a device may not care either."""
    parts = [re.escape(part) for part in template.strip().split("{lease_s}")]
    return re.compile(r"\d+(?:\.\d+)?".join(parts), re.IGNORECASE)


def meaning(text: str, opens: re.Pattern[str], closes: re.Pattern[str]) -> Gas | None:
    """Which of the two a text says; None when neither."""
    if opens.fullmatch(text):
        return Gas.OPEN
    return Gas.CLOSED if closes.fullmatch(text) else None
