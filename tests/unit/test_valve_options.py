"""What a valve's keys may say, and how its orders are written and known again."""

from __future__ import annotations

from typing import Any

import pytest
from nightheron_drivers.protocols import Broker
from nightheron_drivers.valve_gpio_options import LINE_WORDS, GpioValve, GpioValveOptions
from nightheron_drivers.valve_mqtt_options import MqttValve, MqttValveOptions
from nightheron_drivers.valve_rig_options import RigValve, RigValveOptions
from nightheron_drivers.valve_serial_options import SerialValve, SerialValveOptions
from nightheron_drivers.valve_words import client_id, order_pattern, order_text
from pydantic import ValidationError

MQTT: dict[str, Any] = {"order_topic": "a/b"}
SERIAL: dict[str, Any] = {"port": "/dev/ttyUSB0"}
GPIO: dict[str, Any] = {"chip": "/dev/gpiochip0", "line": 17, "active_low": False}


@pytest.mark.parametrize(
    "wrong",
    [
        {"order_topic": ""},
        {"order_topic": "a/+/b"},
        {"order_topic": "#"},
        {"feedback_topic": "a/b"},
        {"feedback_topic": "c/#"},
        {"open_order": ""},
        {"close_order": ""},
        {"open_order": "CLOSE"},
        {"open_order": "close"},
        {"open_order": " OPEN"},
        {"open_order": "SET {lease_s}", "close_order": "SET 0"},
        {"close_order": "CLOSE {lease_s}"},
        {"open_answer": "CLOSE"},
        {"open_answer": "x", "closed_answer": "X"},
        {"retain": True},
    ],
)
def test_an_mqtt_valve_refuses(wrong: dict[str, Any]) -> None:
    """Orders that cannot be told apart, wildcards, blanks and unknown keys are errors."""
    assert MqttValveOptions(**MQTT)
    with pytest.raises(ValidationError):
        MqttValveOptions(**{**MQTT, **wrong})


@pytest.mark.parametrize(
    "wrong",
    [
        {"port": ""},
        {"baud": 0},
        {"open_line": ""},
        {"open_line": " "},
        {"open_line": "CLOSE "},
        {"open_line": "close"},
        {"open_line": "SET {lease_s}", "close_line": "SET 0"},
        {"close_line": "CLOSE {lease_s}"},
        {"close_line": "CLOSE\nOPEN"},
        {"close_line": "CLOSE\r"},
        {"reply_pattern": "("},
        {"reply_pattern": ".*"},
        {"speed": 9600},
    ],
)
def test_a_serial_valve_refuses(wrong: dict[str, Any]) -> None:
    """Equal or blank lines, line ends within, bad patterns and unknown keys are errors."""
    assert SerialValveOptions(**SERIAL)
    with pytest.raises(ValidationError):
        SerialValveOptions(**{**SERIAL, **wrong})


@pytest.mark.parametrize(
    "wrong",
    [
        {"chip": ""},
        {"chip": "a\nb"},
        {"line": -1},
        {"line": 2048},
        {"line": True},
        {"line": 1.5},
        {"line": ""},
        {"line": "x" * 32},
        {"line": [17]},
        {"active_low": None},
        {"bias": "up"},
        {"watchdog_s": 0},
        {"watchdog_s": float("nan")},
        {"value": 1},
    ],
)
def test_a_gpio_valve_refuses(wrong: dict[str, Any]) -> None:
    """Lines that cannot be, pulls toward open, timers without end and unknown keys are errors."""
    assert GpioValveOptions(**GPIO)
    with pytest.raises(ValidationError):
        GpioValveOptions(**{**GPIO, **wrong})


def test_a_gpio_valve_must_be_told_which_level_opens() -> None:
    """There is no default for active_low, and what a line may be is said in one sentence."""
    with pytest.raises(ValidationError, match="active_low"):
        GpioValveOptions(chip="/dev/gpiochip0", line=17)  # type: ignore[call-arg]  # what is tested
    with pytest.raises(ValidationError) as refused:
        GpioValveOptions(**{**GPIO, "line": None})
    (error,) = refused.value.errors()
    assert (error["loc"], str(error["ctx"]["error"])) == (("line",), LINE_WORDS)


def test_valves_of_one_broker_port_or_rig_share_a_bus() -> None:
    """The bus is named by what the valves share, and an mqtt valve without a broker is an error."""
    broker = Broker("10.0.0.1", 1883)
    assert MqttValve.bus(MqttValveOptions(**MQTT), broker) == "mqtt:10.0.0.1:1883"
    assert SerialValve.bus(SerialValveOptions(**SERIAL), broker) == "serial:/dev/ttyUSB0"
    assert RigValve.bus(RigValveOptions(path="/run/rig"), None) == "rig:/run/rig"
    assert GpioValve.bus(GpioValveOptions(**GPIO), None) == "gpio:/dev/gpiochip0"
    with pytest.raises(ValueError, match="needs a broker"):
        MqttValve.bus(MqttValveOptions(**MQTT), None)


@pytest.mark.parametrize(("lease_s", "text"), [(5.0, "ON 5"), (2.5, "ON 2.5"), (600.0, "ON 600")])
def test_an_order_carries_its_lease_and_is_known_again(lease_s: float, text: str) -> None:
    """The lease is written without needless decimals, and an order with any lease is still that order."""
    assert order_text("ON {lease_s}", lease_s) == text
    assert order_pattern("ON {lease_s}").fullmatch(text)
    assert not order_pattern("ON {lease_s}").fullmatch("ON for ever")


def test_a_client_id_is_stable_short_and_its_own() -> None:
    """Each valve of each site has its name on the broker, 23 letters and digits, the same after a restart."""
    names = {client_id({"site": site, "id": id_}) for site in ("a", "b") for id_ in ("west/0", "west/1")}
    assert len(names) == 4
    assert all(len(name) == 23 and name.isalnum() for name in names)
    assert client_id({"site": "a", "id": "west/0"}) in names
