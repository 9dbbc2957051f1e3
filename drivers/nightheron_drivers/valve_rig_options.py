"""The keys of a simulated valve."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from nightheron_drivers.protocols import Broker


class RigValveOptions(BaseModel):
    """``path`` is the Unix socket the rig listens on."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    path: str = Field(
        min_length=1,
        max_length=100,
        description="The socket of the simulated site.",
        examples=["/run/nightheron-rig.sock"],
    )


class RigValve:
    """The driver named ``rig``."""

    Options: type[BaseModel] = RigValveOptions
    holder = "nightheron_drivers.valve_rig:hold"

    @staticmethod
    def bus(options: RigValveOptions, broker: Broker | None) -> str:
        """All valves of one rig share a keeper."""
        del broker
        return f"rig:{options.path}"
