"""The keys a person writes for a probe."""

from __future__ import annotations

import time

import pytest
from nightheron_drivers.pattern import SLOW_S, hostile_lines, pattern_fault
from nightheron_drivers.probe_mqtt import MqttOptions, MqttProbe
from nightheron_drivers.probe_serial import SerialOptions, SerialProbe
from pydantic import ValidationError

PLAIN = r"(?P<value>-?\d+\.\d+)"


@pytest.mark.parametrize(
    "pattern", [PLAIN, r"pH=\s*(?P<value>[\d.]+)(?:,\d+)*", r"(?P<value>\d{1,2}\.\d+) pH"]
)
def test_ordinary_patterns_are_taken(pattern: str) -> None:
    """Patterns as a person writes them are no fault."""
    assert pattern_fault(pattern) is None


@pytest.mark.parametrize(
    "pattern",
    [r"(?P<value>(\d+)*x)", r"(?P<value>(a|aa)+)$b", r"pH: (?P<value>(\w+\s?)*)!", r"(?P<value>(.*)*)=\1"],
)
def test_a_pattern_that_would_hold_up_the_guard_is_refused(pattern: str) -> None:
    """A pattern that explodes on a hostile line is refused in bounded time."""
    begin = time.monotonic()
    fault = pattern_fault(pattern)
    assert fault is not None
    assert f"{SLOW_S * 1000:.0f} ms" in fault
    assert time.monotonic() - begin < 60


@pytest.mark.parametrize(("pattern", "word"), [("(", "regular expression"), (r"(\d+)", "named value")])
def test_a_pattern_that_is_none_is_explained(pattern: str, word: str) -> None:
    """A pattern that cannot be used says why in a sentence."""
    assert word in (pattern_fault(pattern) or "")


def test_hostile_lines_reach_behind_a_prefix() -> None:
    """Hostile lines also begin with the plain text the pattern begins with, and none is too long."""
    lines = hostile_lines(r"pH\: (?P<value>\d+)")
    assert any(line.startswith("pH: 7777") for line in lines)
    assert max(map(len, lines)) == 256


@pytest.mark.parametrize(
    "keys",
    [
        {"port": "/dev/x", "pattern": PLAIN, "bauds": 9600},
        {"port": "/dev/x", "pattern": PLAIN, "baud": 9601},
        {"port": "/dev/x", "pattern": PLAIN, "baud": "9600"},
        {"port": "/dev/x", "pattern": PLAIN, "baud": True},
        {"port": "", "pattern": PLAIN},
        {"port": "/dev/x"},
    ],
)
def test_bad_serial_keys(keys: dict[str, object]) -> None:
    """Unknown keys, odd rates and missing ports are errors."""
    with pytest.raises(ValidationError):
        SerialOptions.model_validate(keys)


@pytest.mark.parametrize(
    "keys",
    [
        {"topic": "a/+/ph"},
        {"topic": "a/#"},
        {"topic": ""},
        {"topic": "$SYS/load"},
        {"topic": "a", "qos": 1},
        {"topic": "a", "value_pointer": "ph"},
        {"topic": "a", "time_pointer": "/t"},
    ],
)
def test_bad_mqtt_keys(keys: dict[str, object]) -> None:
    """Wildcards, unknown keys and pointers that are none are errors."""
    with pytest.raises(ValidationError):
        MqttOptions.model_validate(keys)


def test_probes_on_one_port_share_it() -> None:
    """Two probes on one port are one source, and different rates on it are an error."""
    a = SerialOptions(port="/dev/x", pattern=r"A(?P<value>\d+)")
    b = SerialOptions(port="/dev/x", pattern=r"B(?P<value>\d+)")
    stale_s = {"a": 5.0, "b": 5.0}
    assert len(SerialProbe.sources({"a": a, "b": b}, stale_s, None, "s")) == 1
    with pytest.raises(ValueError, match="different baud rates"):
        SerialProbe.sources({"a": a, "b": b.model_copy(update={"baud": 300})}, stale_s, None, "s")


def test_an_mqtt_probe_needs_a_broker() -> None:
    """An mqtt probe without a broker is explained in a sentence."""
    with pytest.raises(ValueError, match=r"\[mqtt\]"):
        MqttProbe.sources({"a": MqttOptions(topic="t")}, {"a": 5.0}, None, "s")
