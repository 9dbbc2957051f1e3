"""Readers: filters, paging, the JSON shape, times as people write them, and the two commands."""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from nightheron.cli import log as log_command, verify as verify_command
from nightheron.cli.times import times
from nightheron.journal import query
from nightheron.journal.connect import connect_reader, service_holds
from nightheron.journal.query import ALWAYS, PAGE_ROWS, Wanted, entries
from nightheron.journal.store import Store
from nightheron.journal.when import parse_when

from tests.support.journals import UTC as START, draft, edit, filled

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
UTC_TIMES = times("UTC", NOW)


def numbers(path: Path, wanted: Wanted) -> list[object]:
    return [entry["seq"] for entry in entries(path, wanted)]


def test_every_key_is_always_there(tmp_path: Path) -> None:
    """A row of any kind has every key of the log, null where it does not apply."""
    store = Store(tmp_path, START)
    store.append(
        [draft(1), draft(2, "start", chamber=None, body={"text": "the service starts"}, inputs=None)]
    )
    store.close()
    first, second = entries(store.path)
    assert set(ALWAYS) <= set(first) & set(second)
    assert (first["ph"], second["ph"], second["chamber"], second["reasons"]) == (6.55, None, None, None)
    assert second["hash"] == store.head.hash


def test_the_newest_are_kept_and_told_oldest_first(tmp_path: Path) -> None:
    """A limit keeps the newest rows that match, in the order they were written."""
    path = filled(tmp_path, 20)
    assert numbers(path, Wanted(limit=3)) == [18, 19, 20]
    assert numbers(path, Wanted(limit=30)) == list(range(1, 21))
    assert numbers(path, Wanted(limit=2, until="2026-03-01T22:00:10.000Z")) == [8, 9]


def test_filters_join(tmp_path: Path) -> None:
    """Since is inclusive, until exclusive, kind and chamber exact, and all must hold."""
    store = Store(tmp_path, START)
    store.append(
        [draft(n, "act" if n % 2 else "decision", chamber="west" if n < 8 else "east") for n in range(1, 11)]
    )
    store.close()
    span = {"since": "2026-03-01T22:00:03.000Z", "until": "2026-03-01T22:00:09.000Z"}
    assert numbers(store.path, Wanted(**span)) == [3, 4, 5, 6, 7, 8]  # type: ignore[arg-type]  # fields - by name
    assert numbers(store.path, Wanted(**span, kind="act")) == [3, 5, 7]  # type: ignore[arg-type]  # fields - by name
    assert numbers(store.path, Wanted(chamber="east")) == [8, 9, 10]


def test_more_rows_than_a_page(tmp_path: Path) -> None:
    """Paging loses and repeats nothing."""
    many = 2 * PAGE_ROWS + 1
    assert numbers(filled(tmp_path, many), Wanted()) == list(range(1, many + 1))


def test_a_reader_holds_nothing_between_pages(tmp_path: Path) -> None:
    """While a slow reader stands inside the journal, the write-ahead file can still be folded in and cut."""
    store = Store(tmp_path, START)
    store.append([draft(n) for n in range(1, 2 * PAGE_ROWS)])
    slow = entries(store.path)
    next(slow)
    busy = store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy[0] == 0
    assert len(list(slow)) == 2 * PAGE_ROWS - 2
    store.close()


def test_what_a_start_needs_to_know(tmp_path: Path) -> None:
    """The last row, the last row of a chamber that says what is left, and the starts and stops are found."""
    store = Store(tmp_path, START)
    left = {"gas": "closed"}
    store.append([draft(1, "start", chamber=None, body={}), draft(2, body={"left": left}, chamber="east")])
    store.append([draft(n) for n in range(3, 120)])
    store.append(
        [draft(120, "alarm", chamber="east", body={"text": "x"}), draft(121, "stop", chamber=None, body={})]
    )
    store.close()
    last, east = query.last_entry(store.path), query.last_left(store.path, "east")
    assert last is not None and last["seq"] == 121
    assert east is not None and (east["seq"], east["left"]) == (2, left)
    assert query.last_left(store.path, "west") is None
    assert [row["kind"] for row in query.recent_runs(store.path)] == ["start", "stop"]
    assert query.head(store.path) == (121, store.head.hash)
    assert query.head(tmp_path / "none.db") is None


@pytest.mark.parametrize("kind", ["start", "act", "gap"])
def test_a_rare_row_is_found_without_reading_them_all(tmp_path: Path, kind: str) -> None:
    """The newest row of a rare kind is looked up by the index, not by a walk over every minute."""
    where, values = Wanted(kind=kind).where()
    db = sqlite3.connect(filled(tmp_path))
    sql = f"SELECT seq FROM entries WHERE seq <= ?{where} ORDER BY seq DESC LIMIT 1"  # noqa: S608 - fixed text
    plan = str(db.execute(f"EXPLAIN QUERY PLAN {sql}", [99, *values]).fetchall())
    db.close()
    assert "INDEX rare (kind=?" in plan
    assert "TEMP B-TREE" not in plan


def test_a_body_that_cannot_be_read_is_still_a_row(tmp_path: Path) -> None:
    """A damaged body is shown as such, with its number, and stops nothing."""
    path = filled(tmp_path)
    edit(path, "UPDATE entries SET body = x'ff00' WHERE seq = 5")
    rows = list(entries(path))
    assert len(rows) == 10
    assert "cannot be read" in str(rows[4]["text"])
    assert log_command.line(rows[4], UTC_TIMES)


def test_immutable_only_when_nobody_holds_the_lock(tmp_path: Path) -> None:
    """A reader takes the file for unchanging only while the service's lock is free, and takes no lock."""
    path = filled(tmp_path)
    assert connect_reader(path)[1]
    with (tmp_path / "lock").open("w") as lock:
        assert not service_holds(tmp_path)
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert service_holds(tmp_path)
        db, still = connect_reader(path)
        assert not still
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            db.execute("DELETE FROM entries")
        db.close()


@pytest.mark.parametrize(
    ("text", "end", "utc"),
    [
        ("8h", False, "2026-03-01T22:00:00.000Z"),
        ("90m", False, "2026-03-02T04:30:00.000Z"),
        ("2d", False, "2026-02-28T06:00:00.000Z"),
        ("2026-03-01", False, "2026-02-28T23:00:00.000Z"),
        ("2026-03-01", True, "2026-03-01T23:00:00.000Z"),
        ("2026-03-01T22:00:00Z", False, "2026-03-01T22:00:00.000Z"),
        ("2026-03-01T22:00:00.5+01:00", False, "2026-03-01T21:00:00.500Z"),
        ("2026-03-01T22:00", False, "2026-03-01T21:00:00.000Z"),
    ],
)
def test_times_as_people_write_them(text: str, end: bool, utc: str) -> None:
    """RFC 3339, a date and a span are understood; a zone that is missing is the local one."""
    assert parse_when(text, NOW, timezone(timedelta(hours=1)), end=end) == utc


@pytest.mark.parametrize("text", ["", "yesterday", "8", "h", "-8h", "٨h", "2026-13-01", "999999w", "nan"])
def test_no_time_is_refused_in_one_sentence(text: str) -> None:
    """Whatever is not a time raises ValueError that shows what to write."""
    with pytest.raises(ValueError, match="is not a time: give"):
        parse_when(text, NOW, UTC)


def site(tmp_path: Path, rows: int | None = 10) -> argparse.Namespace:
    """A configuration whose data_dir has that many rows, or no journal; arguments of both commands."""
    if rows is not None:
        filled(tmp_path, rows)
    config = tmp_path / "n.toml"
    config.write_text(f'[site]\nname = "x"\ndata_dir = "{tmp_path}"\n')
    return argparse.Namespace(
        config=str(config),
        json=True,
        since=None,
        until=None,
        kind=None,
        chamber=None,
        limit=None,
        head=None,
        files=[],
    )


def test_log_writes_one_object_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """log --json gives each row as one JSON object, and verify counts the same rows."""
    args = site(tmp_path)
    assert log_command.run(args) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [json.loads(line)["seq"] for line in lines] == list(range(1, 11))
    assert verify_command.run(args) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["ok"] is True
    assert (answer["entries"], answer["head"], answer["first_bad"]) == (
        10,
        json.loads(lines[-1])["hash"],
        None,
    )


def test_log_for_people_is_plain_in_a_pipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Lines for people name time, chamber, gas, reason and pH, without escape codes in a pipe."""
    args = site(tmp_path, 1)
    args.json = False
    assert log_command.run(args) == 0
    out = capsys.readouterr().out
    for word in (
        "Times are UTC.",
        "2026-03-01 22:00:01.000",
        "west",
        "closed",
        "resting",
        "floor",
        "pH 6.55",
    ):
        assert word in out
    assert "\x1b" not in out


def test_a_row_cannot_move_the_cursor() -> None:
    """Control characters in a row's text are shown, not sent to the terminal."""
    entry = {"utc": START, "kind": "act", "text": "a\x1b[2Jb\nc"}
    assert log_command.line(entry, UTC_TIMES).endswith(r"a\x1b[2Jb\x0ac")


def test_an_alarms_row_says_what_happened_to_it() -> None:
    """An alarm's row begins with raised, reminded or over; times are the site's."""
    entry = {"utc": START, "kind": "alarm", "chamber": "west", "reason": "valve_lost", "class": "wake"}
    shown = log_command.line({**entry, "state": "unacknowledged", "text": "gone"}, times("Asia/Tokyo", NOW))
    assert shown.startswith("2026-03-02 07:00:00.000 west")
    assert shown.endswith("raised (wake): gone")
    over = {**entry, "state": "normal", "text": "gone"}
    assert log_command.line(over, UTC_TIMES).endswith("over: gone")
    hold = {**entry, "state": "unacknowledged", "reason": "service", "text": "still held"}
    assert log_command.line(hold, UTC_TIMES).endswith("reminded: still held")


def test_a_chamber_of_the_configuration_may_have_no_rows(tmp_path: Path) -> None:
    """A chamber that is configured and has no rows yet is no mistake; a misspelt one is told the names."""
    args = site(tmp_path)
    with Path(args.config).open("a") as config:
        config.write('[[chamber]]\nname = "east"\n')
    args.chamber = "east"
    assert log_command.run(args) == 0


def test_verify_says_what_it_cannot_judge(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """verify for people tells how much was looked at, and that a cut tail needs a head noted elsewhere."""
    args = site(tmp_path)
    args.json = False
    assert verify_command.run(args) == 0
    out = capsys.readouterr().out
    assert "looked at 10 entries" in out
    assert "tail was cut off" in out
    edit(tmp_path / "journal.db", "DELETE FROM entries WHERE seq = 4")
    assert verify_command.run(args) == 1
    assert "NOT OK: entry 5: entry 4 is missing before it." in capsys.readouterr().out


@pytest.mark.parametrize(
    "change",
    [
        {"since": "soon"},
        {"limit": 0},
        {"config": "/nonexistent.toml"},
        {"kind": "bogus"},
        {"chamber": "nobody"},
    ],
)
def test_a_wrong_question_is_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: dict[str, object]
) -> None:
    """A time, limit, kind, chamber or configuration that is none exits 2 with a sentence and no output."""
    args = site(tmp_path)
    vars(args).update(change)
    assert log_command.run(args) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.strip()


def test_without_a_journal_both_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No journal is exit 2 of log and verify, with one sentence."""
    args = site(tmp_path, None)
    assert (log_command.run(args), verify_command.run(args)) == (2, 2)
    assert capsys.readouterr().err.count("There is no journal at") == 2
    args.head = "abc"
    assert verify_command.run(args) == 2


def test_a_reader_that_has_seen_enough_is_no_error(tmp_path: Path) -> None:
    """When the pipe is closed early, log ends quietly with 0."""
    args = site(tmp_path, 3000)
    code = (
        "import argparse,sys; from nightheron.cli import log;"
        f"sys.exit(log.run(argparse.Namespace(**{vars(args)!r})))"
    )
    with subprocess.Popen(  # noqa: S603 - our own code
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=dict(os.environ)
    ) as child:
        if child.stdout is None or child.stderr is None:
            raise RuntimeError("no pipes")
        child.stdout.readline()
        child.stdout.close()
        assert child.stderr.read() == b""
        assert child.wait(60) == 0
