"""How far an archive may reach: never past what the next start needs of a chamber."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.journal.archive import oldest_part

from tests.support.old_journals import PER_DAY, before, day, days


@pytest.mark.parametrize(("goes_on", "days_archived"), [(True, 2), (False, 3)])
def test_a_chamber_that_goes_on_keeps_its_newest_snapshot(
    tmp_path: Path, goes_on: bool, days_archived: int
) -> None:
    """The cut is put back before a chamber's newest snapshot while it has entries behind it, and else not."""
    store = days(tmp_path, 3)
    rest = [draft for draft in day(3) if draft.chamber == "east"]
    rest += [draft for draft in day(3) if goes_on and draft.chamber == "west" and draft.kind != "snapshot"]
    store.append(sorted(rest, key=lambda draft: draft.mono_ns))
    cut = oldest_part(store.path, before(4))
    assert cut is not None
    assert cut.last_seq == days_archived * PER_DAY
