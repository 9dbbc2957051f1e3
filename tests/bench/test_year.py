"""Two hundred copies of two hours of the rig: what it costs to verify them, to tell one, to replay one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from nightheron.journal.verify import verify

from tests.bench.year import copies, play, verified

HOURS, COPIES = 2.0, 200
VERIFY_MOST_TIMES = 5.0


@pytest.fixture(scope="module")
def long_journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A journal of two hundred days of two hours each."""
    folder = tmp_path_factory.mktemp("year")
    yield copies(play(folder / "day", HOURS), COPIES, folder)


def test_verifying_costs_at_most_five_times_hashing(long_journal: Path) -> None:
    """To verify a journal takes at most five times as long as to hash the same bytes, side by side."""
    figures = verified(long_journal)
    result = verify(long_journal)
    print(
        f"{result.entries} rows, {result.bytes_looked_at / 1e6:.0f} MB: hashing {figures.hashing_s:.2f} s, "
        f"verify {figures.verify_s:.2f} s, {figures.verify_times:.2f} times"
    )
    assert result.ok
    assert result.entries > 20_000
    assert figures.verify_times <= VERIFY_MOST_TIMES
