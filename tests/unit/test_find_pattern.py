"""A pattern proposed from what was heard."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings, strategies as st
from nightheron_drivers.find_pattern import Proposal, propose
from nightheron_drivers.numbers import decimal
from nightheron_drivers.pattern import pattern_fault

VALUE = r"(?P<value>-?\d+\.\d+)"
OTHER = r"[+-]?\d+(?:\.\d+)?"


def proposed(*lines: str) -> Proposal:
    """The proposal, which there must be."""
    found = propose(lines)
    if found is None:
        raise AssertionError(f"nothing proposed for {lines}")
    return found


@pytest.mark.parametrize(
    ("lines", "pattern", "unit", "sure"),
    [
        (["7.01", "7.02"], VALUE, "ph", False),
        (["7.01", "7.00"], r"(?P<value>-?\d+\.\d{2})", "ph", False),
        (["pH 7.01", "pH 7.02"], f"pH +{VALUE}", "ph", True),
        (["pH= 7.01", "pH=10.01"], f"pH= *{VALUE}", "ph", True),
        (["7.01 pH 25.3 C", "7.02 pH 25.4 C"], f"{VALUE} +pH +{OTHER} +C", "ph", True),
        (["T 7.5 pH 6.91", "T 7.6 pH 6.92"], f"T +{OTHER} +pH +{VALUE}", "ph", True),
        (["7.01,25.3", "7.03,25.4"], f"{VALUE},{OTHER}", "ph", False),
        (["12:03:04 7.01", "12:03:05 7.02"], f"{OTHER}:{OTHER}:{OTHER} +{VALUE}", "ph", False),
        (["-12.5 mV", "3.5 mV"], f"{VALUE} +mV", "mv", True),
        (["mV: -12", "mV: 9"], r"mV: +(?P<value>-?\d+)", "mv", True),
        (["-12.5", "-12.7"], VALUE, "mv", False),
        (["pH +7.01", "pH +7.02"], r"pH +(?P<value>[+-]?\d+\.\d+)", "ph", True),
        (["pH\t7.01", "pH\t7.02"], rf"pH\s+{VALUE}", "ph", True),
        (["[7.01]\x1b", "[7.02]\x1b"], rf"\[{VALUE}\]\x1b", "ph", False),
    ],
)
def test_the_pattern_of_a_kind_of_line(lines: list[str], pattern: str, unit: str, sure: bool) -> None:
    """For each kind of line the pattern is the one a person would write, and a name makes it sure."""
    found = proposed(*lines)
    assert (found.pattern, found.unit, found.sure) == (pattern, unit, sure)
    assert all(re.fullmatch(found.pattern, line) for line in lines)
    assert pattern_fault(found.pattern) is None


@pytest.mark.parametrize(
    "lines",
    [
        ["warming up", "ready"],
        ["7,01", "7,02"],
        ["25.3 C", "25.4 C"],
        ["V1.2.3", "V1.2.3"],
        ["ORP 250.1 mV", "ORP 250.3 mV"],
        ["pH 17.3", "pH 17.4"],
        ["2026-11-25", "2026-11-26"],
        ["05.06.2026", "06.06.2026"],
        ["7", "8"],
        ["7.01"],
        [],
    ],
)
def test_what_is_no_reading_gets_no_pattern(lines: list[str]) -> None:
    """A decimal comma, another quantity, a version, a date, whole numbers or one single line: none."""
    assert propose(lines) is None


def test_two_channels_are_not_one_probe() -> None:
    """Where lines of two channels come in turn, the pattern reads one of them and leaves the other."""
    found = proposed(*["CH1 pH 7.01", "CH2 pH 6.80"] * 3)
    assert set(found.values) == {7.01}
    assert found.others == ("CH2 pH 6.80",)


def test_a_line_with_an_error_in_it_stays_unread() -> None:
    """A word that was not in the other lines keeps its number from being read."""
    found = proposed("pH 7.01", "pH 7.02", "pH ERR 7.02", "pH 7.00")
    assert re.fullmatch(found.pattern, "pH ERR 7.02") is None
    assert found.others == ("pH ERR 7.02",)


def test_a_cut_line_is_refused_once_the_device_is_known_to_fill_its_places() -> None:
    """After 7.10 was heard, 7.1 is a cut line and is not matched."""
    assert re.fullmatch(proposed("7.10", "7.12").pattern, "7.1") is None
    assert re.fullmatch(proposed("7.1", "7.12").pattern, "7.1") is not None


def test_a_named_number_goes_before_one_without_a_name() -> None:
    """Of two kinds of line the one that says pH is read, even when the other came more often."""
    found = proposed("6.5", "6.6", "6.7", "pH 7.01", "pH 7.02")
    assert found.values == (7.01, 7.02)


texts = st.text(st.characters(codec="utf-8", exclude_characters="\r\n0123456789"), max_size=12)
readings = st.integers(400, 900).map(lambda hundredths: f"{hundredths / 100:.2f}")


@settings(max_examples=150, deadline=None)
@given(lead=texts, middle=texts, end=texts, values=st.lists(readings, min_size=2, max_size=8), data=st.data())
def test_it_reads_what_it_was_made_from(
    lead: str, middle: str, end: str, values: list[str], data: st.DataObject
) -> None:
    """Whatever text stands around, a proposal matches its own lines whole and reads their numbers exactly."""
    temperatures = [data.draw(st.integers(100, 400).map(lambda t: f"{t / 10:.1f}")) for _ in values]
    lines = [f"{lead}{v}{middle},{t}{end}".strip(" \t") for v, t in zip(values, temperatures, strict=True)]
    found = propose(lines)
    if found is None:
        return
    matches = [match for line in lines if (match := re.fullmatch(found.pattern, line))]
    read = [decimal(match["value"]) for match in matches]
    assert read == list(found.values)
    assert len(read) >= 2
    assert len(found.pattern) <= 500 or len(lead + middle + end) > 30


@settings(max_examples=150, deadline=None)
@given(name=st.sampled_from(["pH", "pH:", "PH=", "ph "]), values=st.lists(readings, min_size=2, max_size=8))
def test_a_named_reading_is_always_found(name: str, values: list[str]) -> None:
    """Lines that name their pH are always read, every one of them, and surely."""
    found = proposed(*[f"{name}{value}" for value in values])
    assert found.sure
    assert found.values == tuple(float(value) for value in values)
