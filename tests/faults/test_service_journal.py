"""The journal cannot be written, or is taken away: gas closes in time, and what was decided is kept.

The budget has no row for this. A journal that does not commit is borne for 15 s by rule, and gas closes
then; the closing itself is held against the row of a reading below the floor.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.house_under_siege import House, house_under_siege
from tests.support.preload import preload
from tests.support.rules import live
from tests.support.service import NIGHTHERON, command
from tests.support.siege import HELD_PH, HIGH_PH

BORNE_S = 15.0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB that holds nothing but the data directory."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount, umount = shutil.which("mount") or "/bin/mount", shutil.which("umount") or "/bin/umount"
    subprocess.run([mount, "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)], check=True)  # noqa: S603 - our own words
    try:
        yield disk
    finally:
        subprocess.run([umount, "-l", str(disk)], check=True)  # noqa: S603 - our own words


@contextlib.contextmanager
def filled(disk: Path) -> Iterator[None]:
    """The disk is full to the last byte."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(1024))
    try:
        yield
    finally:
        ballast.unlink()


def act(house: House) -> float:
    """A person's act, which is a row of its own; the time (monotonic)."""
    at = time.monotonic()
    done = command(house.siege.config, "release", "west")
    if done.returncode != 0:
        raise AssertionError(f"release: {done.returncode} {done.stderr}")
    return at


def written(house: House) -> int:
    """How many rows are on disk."""
    return int(house.siege.service.status()["journal"]["seq"])


def act_unrecorded(house: House) -> float:
    """Act until a row stays unwritten; the time (monotonic) of that act.

    A full disk may still take a row or two, into what its files hold already.
    """
    for _ in range(60):
        seq = written(house)
        at = act(house)
        end = time.monotonic() + 1.5
        while written(house) == seq and time.monotonic() < end:
            time.sleep(0.1)
        if written(house) == seq:
            return at
    raise AssertionError("every row was written")


def closes_unrecorded(house: House) -> None:
    """A row that cannot be written closes gas after the time it is borne, for that reason."""
    house.probe.ph = HELD_PH
    waiting = act_unrecorded(house)
    took_s = house.siege.closes(house.valve, "reading_below_floor", waiting, more_s=BORNE_S)
    assert took_s >= BORNE_S - 1
    house.siege.wait_first_reason("not_recordable")


def reopens(house: House) -> None:
    """With the journal well again the next good readings open gas."""
    house.siege.wait_why(lambda one: "not_recordable" not in one["reasons"])
    house.probe.ph = HIGH_PH
    house.siege.opens(house.valve, after=time.monotonic())


def test_a_full_disk_delays_no_cut_and_opens_nothing(tmp_path: Path, small_disk: Path) -> None:
    """On a full disk a low reading closes at once and nothing opens; with room again no row is lost."""
    with house_under_siege(tmp_path, data_dir=small_disk) as house:
        siege = house.siege
        siege.opens(house.valve)
        before, guard = siege.service.rows(), siege.service.pid
        house.probe.ph = HELD_PH
        with filled(small_disk):
            act_unrecorded(house)
            low = time.monotonic()
            house.probe.says(6.55)
            siege.closes(house.valve, "reading_below_floor", low)
            siege.wait_first_reason("floor")
            house.probe.ph = HIGH_PH
            closed = time.monotonic()
            # Good again, it was to open; the row of that stayed unwritten, and so the valve stayed shut.
            said = siege.wait_why(lambda one: "not_recordable" in one["reasons"])
            assert (said["gas"], said["reason"]) == ("closed", "not_recordable")
            assert "OPEN" not in [order.text for order in house.valve.orders if order.at > closed]
        siege.opens(house.valve, after=time.monotonic())
        siege.nothing_is_lost(before, "floor")
        rows = siege.nothing_is_lost(before, "not_recordable")
        assert {row["act"] for row in rows if row["kind"] == "act"} == {"release"}
        assert siege.service.pid == guard


def test_a_disk_that_turns_read_only_closes_and_loses_nothing(tmp_path: Path) -> None:
    """A disk that takes no more writes closes gas after 15 s; written to again, every row is there."""
    flag, data = tmp_path / "read-only", tmp_path / "data"
    answers = {"LD_PRELOAD": preload("read_only", tmp_path), "READ_ONLY": flag, "READ_ONLY_FOLDER": data}
    words = ("env", *(f"{name}={value}" for name, value in answers.items()), *NIGHTHERON, "run", "--config")
    with house_under_siege(tmp_path, words=words) as house:
        siege = house.siege
        siege.opens(house.valve)
        before, guard = siege.service.rows(), siege.service.pid
        flag.touch()
        closes_unrecorded(house)
        assert "not_recordable" in siege.service.log
        flag.unlink()
        reopens(house)
        rows = siege.nothing_is_lost(before, "not_recordable")
        assert {row["act"] for row in rows if row["kind"] == "act"} == {"release"}
        assert siege.service.pid == guard


@live("not_recordable")
def test_a_locked_journal_closes_and_loses_nothing(tmp_path: Path) -> None:
    """A journal that another program holds closes gas after 15 s; when it lets go, everything is there."""
    with house_under_siege(tmp_path) as house:
        siege = house.siege
        siege.opens(house.valve)
        before, guard = siege.service.rows(), siege.service.pid
        other = sqlite3.connect(tmp_path / "data" / "journal.db", isolation_level=None)
        try:
            other.execute("BEGIN EXCLUSIVE")
            closes_unrecorded(house)
        finally:
            other.close()
        reopens(house)
        rows = siege.nothing_is_lost(before, "not_recordable")
        assert [row["act"] for row in rows if row["kind"] == "act"] == ["release"]
        assert siege.service.pid == guard


@live("new_journal")
def test_a_journal_deleted_while_running_is_begun_anew(tmp_path: Path) -> None:
    """The next row closes gas until a person's release, in a new chain that names the old head."""
    with house_under_siege(tmp_path) as house:
        siege = house.siege
        siege.opens(house.valve)
        guard = siege.service.pid
        for name in (tmp_path / "data").glob("journal.db*"):
            name.unlink()
        last = siege.service.status()["journal"]
        noticed = act(house)
        siege.closes(house.valve, "reading_below_floor", noticed)
        assert siege.wait_first_reason("new_journal")["state"] == "latched"
        rows = siege.nothing_is_lost([], "new_journal")
        assert (rows[0]["kind"], rows[0]["previous_head"]) == ("gap", last["head"])
        closed = time.monotonic()
        time.sleep(3)
        assert not house.valve.gas
        act(house)
        siege.opens(house.valve, after=closed)
        assert siege.service.pid == guard


def test_a_journal_deleted_between_runs_is_missed(tmp_path: Path) -> None:
    """A start that finds its journal gone stays shut until a person's release, and says why."""
    with house_under_siege(tmp_path) as house:
        siege = house.siege
        siege.opens(house.valve)
        killed = siege.kill_guard()
        siege.closes(house.valve, "guard_killed", killed)
        siege.no_process_is_left(killed)
        for name in (tmp_path / "data").glob("journal.db*"):
            name.unlink()
        started = time.monotonic()
        siege.service.start()
        assert siege.wait_first_reason("new_journal")["state"] == "latched"
        time.sleep(4)
        assert "OPEN" not in [order.text for order in house.valve.orders if order.at > started]
        siege.nothing_is_lost([], "new_journal")
        act(house)
        siege.opens(house.valve, after=started)
