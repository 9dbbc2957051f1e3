"""Every rule of the interlock is shown on the core and live, and the page that says so is true."""

from __future__ import annotations

from collections import Counter

import pytest
from nightheron.model import Reason

from tests.support.rules import PAGE, TESTS, core_tests, live_tests, page

CORE, LIVE = list(core_tests()), list(live_tests())


def test_the_page_of_rules_is_what_the_tests_say() -> None:
    """tests/RULES.md is what ``python -m tests.support.rules`` makes of the tests as they are."""
    assert PAGE.read_text() == page(), "run: python -m tests.support.rules"


@pytest.mark.parametrize("reason", Reason, ids=str)
def test_every_rule_is_shown_on_the_core_and_live(reason: Reason) -> None:
    """Every rule has a timeline on the core, and a test in a running service with real drivers."""
    assert [shown for shown, _, _ in CORE].count(reason) == 1
    assert [name for shown, _, name in LIVE if shown == reason], "mark a test with @live"


def test_a_live_test_looks_at_the_rule_it_names() -> None:
    """A file with a test marked for a rule names that rule once more, where it looks at what happened."""
    marks = Counter((reason, path) for reason, path, _ in LIVE)
    for (reason, path), count in marks.items():
        text = (TESTS / path).read_text()
        assert text.count(f'"{reason}"') > count, f"{path} never looks for {reason}"
