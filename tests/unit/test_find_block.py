"""The interval, the block to paste, and how what was found is shown."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings, strategies as st
from nightheron.cli.find_block import Pace, block, pace_of, toml_lines
from nightheron.cli.find_text import as_json, as_text
from nightheron.model import JsonValue
from nightheron.settings.tables import ProbeTable
from nightheron_drivers.protocols import Found, Heard

OPTIONS = {"driver": "mqtt", "topic": "house/west/ph"}


def topic(*at_s: float, name: str = "house/west/ph", sure: bool = True) -> Found:
    """A topic heard at these times, its value going up by 0.01."""
    heard = tuple(Heard(name, round(t * 1e9), round(6.9 + n / 100, 2), "") for n, t in enumerate(at_s))
    facts: dict[str, JsonValue] = {"payload": "bare number", "retained_only": not heard, "last": 6.9}
    return Found(name, OPTIONS | {"topic": name}, "ph", sure, heard, facts, kind="topic")


def test_the_usual_interval_is_measured_and_a_pause_counts_for_stale() -> None:
    """One message that came late does not change the period, and lengthens what counts as stale."""
    pace = pace_of(topic(0, 1.0, 2.01, 3.0, 10.0, 11.0))
    assert pace.period_s == 1.0
    assert pace.longest_s == 7.0
    assert pace.stale_s == 14.0
    assert pace.resolution == 0.01


@pytest.mark.parametrize(("interval_s", "period_s"), [(0.02, 0.1), (0.998, 1.0), (1.53, 1.5), (9.97, 10.0)])
def test_the_period_has_two_digits(interval_s: float, period_s: float) -> None:
    """The period written is the interval to two digits, never below the least the configuration takes."""
    assert Pace(9, interval_s, interval_s, None).period_s == period_s


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(0.0, 1500.0), min_size=2, max_size=30))
def test_whatever_the_intervals_the_block_is_valid(intervals_s: list[float]) -> None:
    """Period and stale time of any block are within bounds, and stale is at least three periods."""
    at_s = [0.0]
    for interval_s in intervals_s:
        at_s.append(at_s[-1] + interval_s)
    found = topic(*at_s)
    toml = block(found, pace_of(found))
    if toml is not None:
        probe = tomllib.loads(toml)["chamber"]["probe"]
        table = ProbeTable.model_validate({k: v for k, v in probe.items() if k != "topic"})
        assert table.stale_s is not None
        assert table.stale_s >= 3 * table.period_s


def test_what_was_heard_too_seldom_gets_no_block() -> None:
    """One or two messages do not tell an interval, and one an hour guards nothing: no block."""
    for found in (topic(), topic(0.0), topic(0.0, 1.0), topic(0.0, 1300.0, 2600.0, 3900.0)):
        assert block(found, pace_of(found)) is None
    assert "listen longer" in as_text([topic(0.0)])
    assert "too seldom" in as_text([topic(0.0, 1300.0, 2600.0, 3900.0)])
    assert "retained only" in as_text([topic()])


keys = st.sampled_from(["port", "pattern", "topic"])
values = st.text(st.characters(codec="utf-8")) | st.integers(0, 10**9) | st.floats(0.1, 1e6)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(keys, values))
def test_toml_comes_back_as_it_went(table: dict[str, str | int | float]) -> None:
    """Whatever stands in a pattern or a topic, reading the lines gives it back exactly."""
    assert tomllib.loads("\n".join(toml_lines(table))) == table


def test_a_topic_without_the_name_is_shown_briefly_beside_one_with_it() -> None:
    """Where a name says pH, a topic that only has such values is told without a block."""
    named, other = topic(0, 1, 2, 3), topic(0, 1, 2, 3, name="house/fan", sure=False)
    assert as_text([named, other]).count("[chamber.probe]") == 1
    assert as_text([other]).count("[chamber.probe]") == 1
    assert "buffer" in as_text([other])


def test_millivolts_are_told_with_what_buffers_should_read() -> None:
    """A probe in mV comes with the value of the ideal electrode in pH 4: 3 x 59.16 mV (CODATA constants)."""
    heard = tuple(Heard("/dev/x", n * 10**9, -12.5, "-12.5 mV") for n in range(4))
    facts: dict[str, JsonValue] = {
        "device": "/dev/x",
        "name": "named by you",
        "baud": 9600,
        "line_end": "CR",
        "example": "-12.5 mV",
    }
    found = Found("/dev/x", {"driver": "serial", "port": "/dev/x"}, "mv", True, heard, facts)
    shown = as_text([found])
    assert 'unit = "mv"' in shown
    assert "+177" in shown
    assert "the value did not move" in shown


def test_a_quiet_broker_may_be_one_that_lets_us_hear_nothing() -> None:
    """A broker whose rules keep a topic from us looks like a quiet one, and that is said."""
    quiet = Found("127.0.0.1:1883", facts={"topics": 0, "messages": 0}, kind="broker")
    assert "its rules do not let this user hear it" in " ".join(as_text([quiet]).split())
    loud = Found("127.0.0.1:1883", facts={"topics": 2, "messages": 9}, kind="broker")
    assert "9 messages on 2 topics" in as_text([loud])


def test_what_a_stranger_says_cannot_steer_the_terminal() -> None:
    """Control signs in a topic or a line are shown as escapes, in the block too."""
    found = topic(0, 1, 2, 3, name="house/\x1b[2J/ph")
    shown = as_text([found])
    assert "\x1b" not in shown
    assert tomllib.loads(block(found, pace_of(found)) or "")["chamber"]["probe"]["topic"] == found.where


def test_json_says_what_text_says() -> None:
    """The JSON has each thing by kind, its numbers, and the same block."""
    found = topic(0, 1, 2, 3)
    broker = Found("127.0.0.1:1883", facts={"topics": 1, "messages": 4}, kind="broker")
    shown = as_json([broker, found])
    assert shown["ports"] == []
    assert shown["brokers"] == [{"broker": "127.0.0.1:1883", "topics": 1, "messages": 4, "notes": []}]
    assert isinstance(shown["topics"], list)
    (row,) = shown["topics"]
    assert isinstance(row, dict)
    assert (row["interval_s"], row["resolution"]) == (1.0, 0.01)
    assert row["toml"] == block(found, pace_of(found))
