"""The keys of a valve on a broker, checked."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from nightheron_drivers.protocols import Broker
from nightheron_drivers.valve_words import order_pattern, order_text

LEASE_S_SAMPLE = 5.0


class MqttValveOptions(BaseModel):
    """``{lease_s}`` in ``open_order`` stands for the lease in seconds and arms the device's own timer."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    order_topic: str = Field(
        min_length=1,
        max_length=250,
        description="The topic the device takes its orders from; nobody else may publish there.",
        examples=["greenhouse/west/gas/order"],
    )
    open_order: str = Field(
        default="OPEN",
        min_length=1,
        max_length=200,
        description="The order that opens. {lease_s} in it becomes the lease in seconds, which arms the "
        "device's own timer.",
    )
    close_order: str = Field(
        default="CLOSE", min_length=1, max_length=200, description="The order that shuts."
    )
    feedback_topic: str | None = Field(
        default=None,
        min_length=1,
        max_length=250,
        description="The topic on which the device reports its position. Left out: only the water shows it.",
        examples=["greenhouse/west/gas"],
    )
    open_answer: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="What it reports when open. Left out: open_order.",
        examples=["OPEN"],
    )
    closed_answer: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="What it reports when shut. Left out: close_order.",
        examples=["CLOSE"],
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for key in ("order_topic", "feedback_topic"):
            topic = getattr(self, key)
            if topic is not None and any(sign in topic for sign in "+#\0"):
                raise ValueError(f"{key} holds a wildcard; name one topic, without + and #")
        if self.feedback_topic == self.order_topic:
            raise ValueError("feedback_topic is order_topic; the device must report on a topic of its own")
        for key in ("open_order", "close_order", "open_answer", "closed_answer"):
            text = getattr(self, key)
            if text is not None and text != text.strip():
                raise ValueError(f"{key} begins or ends with a blank; leave it out")
        if "{lease_s}" in self.close_order or "{lease_s}" in (self.closed_answer or ""):
            raise ValueError("close_order and closed_answer take no {lease_s}; closing has no end")
        self._differ("open_order", self.open_order, "close_order", self.close_order)
        shown = self.open_answer or self.open_order, self.closed_answer or self.close_order
        self._differ("open_answer", shown[0], "closed_answer", shown[1])
        return self

    @staticmethod
    def _differ(one_key: str, one: str, other_key: str, other: str) -> None:
        texts = order_text(one, LEASE_S_SAMPLE), order_text(other, LEASE_S_SAMPLE)
        if order_pattern(one).fullmatch(texts[1]) or order_pattern(other).fullmatch(texts[0]):
            raise ValueError(f"{one_key} and {other_key} are the same text; make them differ")


class MqttValve:
    """The driver named ``mqtt``."""

    Options: type[BaseModel] = MqttValveOptions
    holder = "nightheron_drivers.valve_mqtt:hold"

    @staticmethod
    def bus(options: MqttValveOptions, broker: Broker | None) -> str:
        """All valves of one broker share a keeper."""
        del options
        if broker is None:
            raise ValueError("an mqtt valve needs a broker; add [mqtt] to the configuration")
        return f"mqtt:{broker.host}:{broker.port}"
