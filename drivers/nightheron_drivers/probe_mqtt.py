"""Probes that publish on an MQTT broker: a bare number, or JSON with a pointer to it.

Maturity: tried on mosquitto 2. Retained messages and empty ones are refused. See mqtt_source.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from nightheron_drivers.mqtt_source import MqttSource, Wanted
from nightheron_drivers.numbers import pointer_fault
from nightheron_drivers.protocols import Broker, Found, Search


def _good_topic(topic: str) -> str:
    if "+" in topic or "#" in topic:
        raise ValueError("names one topic exactly: the wildcards + and # would let any device speak for it")
    if "\x00" in topic:
        raise ValueError("holds a null character")
    if topic.startswith("$"):
        raise ValueError("begins with $, which is the broker's own")
    return topic


def _good_pointer(pointer: str) -> str:
    fault = pointer_fault(pointer)
    if fault is not None:
        raise ValueError(fault)
    return pointer


Pointer = Annotated[str, Field(max_length=200), AfterValidator(_good_pointer)]


class MqttOptions(BaseModel):
    """Without ``value_pointer`` the payload is a bare number. ``time_pointer`` may only refuse."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    topic: Annotated[str, AfterValidator(_good_topic)] = Field(
        min_length=1,
        max_length=500,
        description="The one topic it publishes on.",
        examples=["greenhouse/west/ph"],
    )
    value_pointer: Pointer = Field(
        default="",
        description='Where the number stands in a JSON message, as a JSON Pointer such as "/ph" (RFC 6901). '
        "Left out: the message is a bare number.",
    )
    time_pointer: Pointer = Field(
        default="",
        description="Where the message's own time stands in it, RFC 3339 or Unix seconds; a time that is old "
        "or ahead refuses the reading, none can save one.",
    )

    @model_validator(mode="after")
    def _time_needs_value(self) -> MqttOptions:
        if self.time_pointer and not self.value_pointer:
            raise ValueError("time_pointer needs value_pointer: a bare number carries no time")
        return self


class MqttProbe:
    """The ``mqtt`` probe driver."""

    Options: type[BaseModel] = MqttOptions

    @staticmethod
    def sources(
        probes: Mapping[str, MqttOptions], stale_s: Mapping[str, float], broker: Broker | None, site: str
    ) -> Sequence[MqttSource]:
        """One source, and so one connection, for all; ValueError when there is no broker."""
        if not probes:
            return []
        if broker is None:
            raise ValueError(f"{next(iter(probes))} is an mqtt probe and no broker is given in [mqtt]")
        wanted = [
            Wanted(probe, o.topic, o.value_pointer, o.time_pointer, stale_s[probe])
            for probe, o in probes.items()
        ]
        return [MqttSource(wanted, broker, site)]

    @staticmethod
    def find(search: Search) -> Sequence[Found]:
        """Listen to everything on the broker."""
        from nightheron_drivers.find_topics import find

        return find(search)
