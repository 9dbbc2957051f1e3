"""What is handed on of a backlog."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, strategies as st
from nightheron_drivers.burst import BURST_MOST, thinned
from nightheron_drivers.protocols import Heard

BURSTS = st.lists(
    st.tuples(st.sampled_from(["a", "b"]), st.none() | st.floats(min_value=-500, max_value=500)), max_size=60
)


def heard(values: Sequence[tuple[str, float | None]]) -> list[Heard]:
    """Messages with these values."""
    return [Heard(probe, 0, v, str(v), None if v is not None else "no_match") for probe, v in values]


@given(BURSTS)
def test_no_low_value_is_lost_and_no_burst_counts_as_many(values: list[tuple[str, float | None]]) -> None:
    """Of every burst the least, greatest and newest value stay, and few readings in all."""
    messages = heard(values)
    kept = thinned(messages)
    for probe in ("a", "b"):
        all_values = [v for p, v in values if p == probe and v is not None]
        kept_values = [one.value for one in kept if one.probe == probe and one.value is not None]
        assert len(kept_values) <= BURST_MOST
        if all_values:
            assert min(kept_values) == min(all_values)
            assert max(kept_values) == max(all_values)
            assert kept_values[-1] == all_values[-1]


def test_a_burst_says_how_many_there_were() -> None:
    """A backlog of 300 readings becomes three readings and one refused message with the count."""
    kept = thinned(heard([("a", 7.0 + i / 1000) for i in range(298)] + [("a", 6.2), ("a", 7.1)]))
    assert [one.value for one in kept] == [None, 7.297, 6.2, 7.1]
    assert (kept[0].refused, kept[0].raw) == ("backlog", "297 more that had waited")


def test_a_few_at_once_are_all_handed_on() -> None:
    """Two glued lines are two readings."""
    messages = heard([("a", 7.0), ("a", None), ("a", 6.9)])
    assert thinned(messages) == messages
