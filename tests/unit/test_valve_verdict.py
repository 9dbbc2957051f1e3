"""What is known of a valve after it was moved once."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from nightheron.cli.valve_verdict import FINDINGS, TEXTS, Told, Verdict, text, verdict
from nightheron.model import Gas
from nightheron.runtime.valve_trial import Moved

OPEN, SHUT = Gas.OPEN, Gas.CLOSED


def moved(shown_open: list[Gas | None], shown_shut: list[Gas | None]) -> Moved:
    """A valve that took every order, and its device's reports."""
    return Moved(
        took_close=True, took_open=True, shut_again=True, shown_open=shown_open, shown_shut=shown_shut
    )


@pytest.mark.parametrize(
    ("shown_open", "shown_shut", "told", "found"),
    [
        ([OPEN], [SHUT], Told(), Verdict.RIGHT),
        ([SHUT, OPEN], [OPEN, SHUT], Told(), Verdict.RIGHT),
        ([SHUT], [OPEN], Told(), Verdict.BACKWARDS),
        ([SHUT], [OPEN], Told(True, True), Verdict.BACKWARDS),
        ([OPEN], [SHUT], Told(True, False), Verdict.BACKWARDS),
        ([OPEN], [OPEN], Told(), Verdict.STUCK),
        ([SHUT], [SHUT], Told(), Verdict.STUCK),
        ([OPEN], [], Told(), Verdict.STUCK),
        ([OPEN], [SHUT], Told(False), Verdict.STUCK),
        ([], [], Told(), Verdict.UNKNOWN),
        ([None], [None], Told(True), Verdict.UNKNOWN),
        ([], [], Told(True, True), Verdict.RIGHT),
        ([], [], Told(False, None), Verdict.STUCK),
        ([], [], Told(None, False), Verdict.BACKWARDS),
    ],
)
def test_the_verdict(
    shown_open: list[Gas | None], shown_shut: list[Gas | None], told: Told, found: Verdict
) -> None:
    """Either witness alone finds a valve that is backwards or stuck; it takes one to call it right."""
    assert verdict(moved(shown_open, shown_shut), told, reports=True) is found


def test_reports_that_are_not_configured_prove_nothing() -> None:
    """Without feedback in the configuration only the person is a witness."""
    assert verdict(moved([OPEN], [SHUT]), Told(), reports=False) is Verdict.UNKNOWN


def test_what_is_not_shut_goes_before_all() -> None:
    """A last close that was not acknowledged is the verdict, whatever else was seen; so is no answer next."""
    open_still = Moved(took_close=True, took_open=True, shown_open=[SHUT], shown_shut=[OPEN])
    assert verdict(open_still, Told(True, True), reports=True) is Verdict.NOT_SHUT
    assert verdict(Moved(), Told(), reports=True) is Verdict.NO_ANSWER
    stranger = moved([OPEN], [SHUT])
    stranger.others = ["OPEN"]
    assert verdict(stranger, Told(), reports=True) is Verdict.OTHERS


shown = st.lists(st.sampled_from([OPEN, SHUT, None]), max_size=3)
maybe = st.sampled_from([True, False, None])


@given(shown, shown, maybe, maybe, st.booleans())
def test_right_needs_a_witness_and_no_contradiction(
    shown_open: list[Gas | None],
    shown_shut: list[Gas | None],
    heard: bool | None,
    power: bool | None,
    reports: bool,
) -> None:
    """Whatever was reported and told, it is called right only if somebody saw it and nobody saw otherwise."""
    seen, told = moved(shown_open, shown_shut), Told(heard, power)
    found = verdict(seen, told, reports=reports)
    said = text(found, "west/0", seen, told, reports=reports)
    assert said.startswith("west/0: ")
    assert "{" not in said
    if found is Verdict.RIGHT:
        assert power or (reports and OPEN in shown_open and SHUT in shown_shut)
        assert power is not False
        assert heard is not False


def test_every_verdict_has_its_words() -> None:
    """Each verdict has a text, and all but two of them are findings."""
    assert set(TEXTS) | {Verdict.BACKWARDS} == set(Verdict)
    assert set(Verdict) - FINDINGS == {Verdict.RIGHT, Verdict.UNKNOWN}
