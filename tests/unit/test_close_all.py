"""What closes the valves when the service is gone uses what the service used."""

from __future__ import annotations

import sys
import types
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from nightheron.runtime.close_all import close_all

BROKER = {"host": "127.0.0.1", "port": 1, "username": "u", "password": None}


@pytest.mark.parametrize(
    ("given", "used"), [("of-the-environment", "of-the-environment"), (None, "of-the-file")]
)
def test_the_password_is_the_one_the_service_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: str | None, used: str
) -> None:
    """The environment's password wins over the file's, as it does in the service."""
    monkeypatch.delenv("NIGHTHERON_MQTT_PASSWORD", raising=False)
    if given is not None:
        monkeypatch.setenv("NIGHTHERON_MQTT_PASSWORD", given)
    (tmp_path / "password").write_text("of-the-file\n")
    seen: list[str] = []

    def hold(plans: Sequence[Any], broker: dict[str, Any], own: str) -> list[Any]:
        del plans, own
        seen.append(broker["password"])
        return []

    module = types.ModuleType("noting_holder")
    module.hold = hold  # type: ignore[attr-defined] # made up here
    monkeypatch.setitem(sys.modules, "noting_holder", module)
    broker = {**BROKER, "password_file": str(tmp_path / "password")}
    close_all({"mqtt": {"holder": "noting_holder:hold", "plans": [], "broker": broker}}, wait_s=0)
    assert seen == [used]
