"""The kinds that ``nightheron log --kind`` takes."""

from __future__ import annotations

import re
from pathlib import Path

import nightheron.journal
from nightheron.cli.log import KINDS


def test_every_kind_of_the_format_can_be_listed() -> None:
    """``log --kind`` takes each kind of row that FORMAT.md names, and no other."""
    text = (Path(nightheron.journal.__file__).parent / "FORMAT.md").read_text()
    named = text[text.index("goes on with the fields of its kind") :]
    named = re.sub(r"\([^)]*\)", "", named[: named.index("Names may be added")])
    assert sorted(re.findall(r"`(\w+)`", named)) == sorted(KINDS)
