"""Every attack of the list, run on a real journal, with the verdict that the documentation gives."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from nightheron.journal import query
from nightheron.journal.chain import GENESIS, Row, body_bytes, entry_hash
from nightheron.journal.pack import pack
from nightheron.journal.store import Store
from nightheron.journal.together import together
from nightheron.journal.verify import verify
from nightheron.model import NS, Ticked

from tests.support import attacks_kept
from tests.support.attack_table import PLACE, VERDICTS, everything, filled_in
from tests.support.attacks import ATTACKS, CAUGHT, HERE, NOT, OUTSIDE, ROWS, Attack
from tests.support.attacks_kept import TOGETHER, Kept, KeptAttack
from tests.support.journals import UTC, alone, draft

RARE = ("start", "alarm", "act")


def journal(folder: Path, rows: int = ROWS) -> Path:
    """A closed journal in which row 3 is an alarm; its path."""
    store = Store(folder, UTC)
    store.append([draft(n, kind="alarm" if n == 3 else "decision") for n in range(1, rows + 1)])
    store.close()
    return store.path


def verdict(path: Path, noted: str) -> str:
    """What the verifiers say: caught by both or one, only with the noted head, or not at all."""
    if not verify(path).ok:
        return CAUGHT if alone().main([str(path)]) == 1 else HERE
    assert alone().main([str(path)]) == 0
    with_head = verify(path, noted).ok
    assert alone().main([str(path), "--head", noted]) == (0 if with_head else 1)
    return NOT if with_head else OUTSIDE


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.what)
def test_the_verdict_is_as_written(tmp_path: Path, attack: Attack) -> None:
    """An attack is caught, caught only with a head noted before it, or not caught, just as the list says."""
    path = journal(tmp_path)
    noted = verify(path).head
    if attack.what.startswith("take away the write-ahead"):
        noted = _after_two_more(tmp_path / "later")
    attack.do(path)
    assert noted is not None
    assert verdict(path, noted) == attack.verdict


def kept_verdict(one: Kept, noted: str) -> str:
    """What the verifiers say of archives and journal, each alone and all together."""
    archives = [path for path in (one.one, one.two) if path.exists()]
    ours = [verify(one.journal).ok, *(verify(path, part=True).ok for path in archives)]
    alones = [alone().main([str(path)]) == 0 for path in (one.journal, *archives)]
    if not all(ours):
        return HERE if all(alones) else CAUGHT
    assert all(alones)
    files = [*archives, one.journal]
    whole = together(files).why is None
    assert (alone().main([*map(str, files)]) == 0) == whole
    if not whole:
        return TOGETHER
    return NOT if together(files, noted).why is None else OUTSIDE


@pytest.fixture(scope="module")
def all_kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Archives and journal, to be copied for each attack."""
    folder = tmp_path_factory.mktemp("kept")
    attacks_kept.kept(folder / "whole")
    return folder / "whole"


@pytest.mark.parametrize("attack", attacks_kept.ATTACKS, ids=lambda attack: attack.what)
def test_the_verdict_on_archives_is_as_written(tmp_path: Path, all_kept: Path, attack: KeptAttack) -> None:
    """An attack on archives or what they left is caught as the list says; before it all was sound."""
    shutil.copytree(all_kept, tmp_path / "kept")
    one = Kept(*(tmp_path / "kept" / name for name in ("one.db", "two.db", "data/journal.db")))
    noted = verify(one.journal).head
    assert noted is not None
    assert kept_verdict(one, noted) == NOT
    attack.do(one)
    assert kept_verdict(one, noted) == attack.verdict


def _after_two_more(folder: Path) -> str:
    """The head as it was before the attack took the two newest rows."""
    folder.mkdir()
    path = journal(folder)
    store = Store(path.parent, UTC)
    store.append([draft(30), draft(31)])
    store.close()
    return str(verify(path).head)


def test_a_forgery_older_than_the_noted_head_is_not_caught(tmp_path: Path) -> None:
    """A head that was noted only after the chain was computed anew vouches for the forgery."""
    path = journal(tmp_path)
    next(one for one in ATTACKS if one.what == "compute the whole chain anew").do(path)
    assert verdict(path, str(verify(path).head)) == NOT


def test_the_list_is_long_and_stands_in_the_documentation() -> None:
    """At least two dozen attacks, no two alike, and FORMAT.md has exactly this table."""
    names = [one.what for one in everything()]
    assert len(set(names)) == len(names) >= 24
    assert {one.verdict for one in everything()} == set(VERDICTS)
    text = PLACE.read_text()
    assert text == filled_in(text), "run python -m tests.support.attack_table"


def test_the_known_answer_of_the_documentation() -> None:
    """The body that FORMAT.md prints has the length and the head that FORMAT.md gives."""
    text = PLACE.read_text()
    [body] = re.findall(r'^    (\{"seq":1.*\})$', text, re.MULTILINE)
    assert f"only body is the {len(body)} bytes" in text
    assert f"the head `{entry_hash(GENESIS, body.encode())}`" in text
    assert body_bytes(json.loads(body)) == body.encode()


def test_a_flipped_bit_at_any_byte_is_found_or_does_not_matter(tmp_path: Path) -> None:
    """For each byte of a small journal verify finds the flip, or every row and list reads as before."""
    store = Store(tmp_path, UTC)
    body: dict[str, object] = {"gas": "open", "reasons": [], "ph": 6.71}
    store.append(
        [draft(n, kind=kind, body=body, inputs=pack([Ticked(n * NS)])) for n, kind in enumerate(RARE, 1)]
    )
    store.close()
    whole, found, copy = store.path.read_bytes(), 0, tmp_path / "copy" / "journal.db"
    copy.parent.mkdir()
    copy.write_bytes(whole)
    true = _read(copy)
    for place in range(len(whole)):
        copy.write_bytes(whole[:place] + bytes([whole[place] ^ (1 << place % 8)]) + whole[place + 1 :])
        if not verify(copy).ok:
            found += 1
        else:
            assert _read(copy) == true, f"byte {place} changes what is read, and verify does not say so"
        for beside in copy.parent.glob("journal.db-*"):
            beside.unlink()
    assert found > len(whole) / 3


def _read(path: Path) -> tuple[list[Row], list[list[Row]]]:
    """All rows, and the lists by kind that go through the index."""
    lists = [list(query.rows(path, query.Wanted(kind=kind))) for kind in (*RARE, "gap")]
    return list(query.rows(path)), lists


def test_an_index_that_is_gone_hides_nothing(tmp_path: Path) -> None:
    """Without the index every list is still whole, and verify has nothing to say."""
    path = journal(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP INDEX rare")
    assert verify(path).ok
    assert [row.seq for row in query.rows(path, query.Wanted(kind="alarm"))] == [3]
