"""What a start does with a journal it cannot write or that is damaged, and the way out that README names."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from nightheron.journal.connect import PAGE_BYTES
from nightheron.journal.query import entries
from nightheron.journal.verify import verify
from nightheron.model import Act
from nightheron.runtime.digest import checked
from nightheron.runtime.virtual import VirtualRun

from tests.support.journals import alone
from tests.support.power_cut import starts
from tests.support.service import command

MOUNT, UMOUNT = shutil.which("mount") or "/bin/mount", shutil.which("umount") or "/bin/umount"


def mount(*words: str) -> None:
    subprocess.run([MOUNT, *words], check=True)  # noqa: S603 - our own words


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own with a journal of some minutes."""
    place = tmp_path / "disk"
    place.mkdir()
    mount("-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place))
    try:
        run, _ = starts(place, "one")
        run.live(400)
        run.stop("the first run is over")
        yield place
    finally:
        subprocess.run([UMOUNT, "-l", str(place)], check=True)  # noqa: S603 - our own words


def test_a_read_only_disk_is_said_and_still_read(disk: Path) -> None:
    """On a disk mounted read-only no start moves a valve, and reading works; writable again, it goes on."""
    config, before = disk / "nightheron.toml", list(entries(disk / "journal.db"))
    mount("-o", "remount,ro", str(disk))
    try:
        refused = command(config, "run")
        assert refused.returncode == 2
        assert "is on a disk that is mounted read-only" in refused.stderr
        assert "then mount it writable" in refused.stderr
        assert len(refused.stderr.splitlines()) == 1
        assert command(config, "verify").returncode == 0
        assert len(command(config, "log", "--json").stdout.splitlines()) == len(before)
        assert command(config, "night", "--from", str(before[0]["utc"])).returncode == 0
    finally:
        mount("-o", "remount,rw", str(disk))
    run, _ = starts(disk, "two")
    run.live(1.0)
    run.stop("written again")
    rows = list(entries(disk / "journal.db"))
    assert rows[: len(before)] == before
    assert verify(disk / "journal.db").ok


def page_of_row(path: Path, seq: int) -> int:
    """The number, from 0, of a page that holds part of a row's body."""
    with closing(sqlite3.connect(path)) as db:
        [(body,)] = db.execute("SELECT body FROM entries WHERE seq = ?", (seq,)).fetchall()
    at = path.read_bytes().find(bytes(body)[-100:])
    if at < 0:
        raise AssertionError("the end of the body is not in one piece")
    return at // PAGE_BYTES


def spoiled(path: Path, page: int, bad: bytes) -> bytes:
    """Overwrite one page; the file as it was before."""
    good = path.read_bytes()
    path.write_bytes(
        good[: page * PAGE_BYTES] + bad * (PAGE_BYTES // len(bad)) + good[(page + 1) * PAGE_BYTES :]
    )
    return good


def verify_names_it(disk: Path) -> int:
    """Both verifiers find it; the row that ``verify`` names."""
    found = command(disk / "nightheron.toml", "verify", "--json")
    answer = json.loads(found.stdout)
    assert (found.returncode, answer["ok"]) == (1, False)
    assert alone().main([str(disk / "journal.db")]) == 1
    return int(answer["first_bad"])


def goes_on_after_a_release(run: VirtualRun, path: Path) -> None:
    """The new chain stays latched until somebody releases it, and then gas has its usual way."""
    run.live(600)
    last = list(entries(path))[-1]
    assert (last["state"], last["gas"], last["reasons"]) == ("latched", "closed", ["new_journal"])
    run.act("west", Act.RELEASE, "the owner", "the damaged journal is put away")
    run.live(600)
    assert list(entries(path))[-1]["gas"] == "open"
    run.stop("looked at")
    assert verify(path).ok


def test_a_page_that_cannot_be_read_is_set_aside_with_gas_shut(disk: Path) -> None:
    """A start that meets such a page keeps the file, begins a new chain, and waits for a release."""
    path = disk / "journal.db"
    page = page_of_row(path, 8)
    good = spoiled(path, page, b"\xa5")
    assert verify_names_it(disk) == 8
    run, water = starts(disk, "two")
    run.live(1.0)
    assert water.plant.bays["west"].valve.share == 0.0
    [aside] = [file for file in disk.glob("journal.db.damaged-*") if not file.name.endswith(("-wal", "-shm"))]
    assert aside.read_bytes()[(page + 1) * PAGE_BYTES :] == good[(page + 1) * PAGE_BYTES :]
    assert alone().main([str(aside)]) == 1
    goes_on_after_a_release(run, path)


def test_damage_that_no_start_sees_is_named_by_verify_and_the_digest(disk: Path) -> None:
    """Bytes that went bad inside a row are named, with its number; moved away by hand, a new chain begins."""
    path = disk / "journal.db"
    spoiled(path, page_of_row(path, 8), b"\0")
    assert verify_names_it(disk) == 8
    assert "DAMAGED" in checked(path)
    run, _ = starts(disk, "two")
    run.stop("an owner who looked at verify")
    away = disk / "put-away"
    away.mkdir()
    for file in disk.glob("journal.db*"):
        file.rename(away / file.name)
    run, water = starts(disk, "three")
    run.live(1.0)
    assert water.plant.bays["west"].valve.share == 0.0
    goes_on_after_a_release(run, path)
    assert alone().main([str(away / "journal.db")]) == 1
