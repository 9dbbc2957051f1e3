"""`nightheron night` over a journal that the service's own loop wrote."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli.main import main
from nightheron.journal.query import entries
from nightheron.journal.span import around, find, rows
from nightheron.settings import budget, load

from tests.support.short_night import FROM, SPAN, TO, play


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One short night for all."""
    return play(tmp_path_factory.mktemp("night"))


def ask(capsys: pytest.CaptureFixture[str], config: Path, *words: str, code: int = 0) -> tuple[str, str]:
    """What the command prints, on either channel."""
    assert main(["night", "--config", str(config), *words]) == code
    shown = capsys.readouterr()
    return shown.out, shown.err


def test_the_first_lines_answer_what_a_person_asks(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What went wrong, the gas by now, and what to do come first, then three sentences; 80 columns."""
    out, _ = ask(capsys, config, *SPAN)
    first = " ".join(out.split("\n\n")[0].split())
    assert first.startswith("Went wrong: 1 trip (chamber_ph_lost); nobody watched for 40 s.")
    assert "The service stopped at 23:14 with the gas shut; nobody watches." in first
    assert first.endswith("Start the service if the chamber is to be fed.")
    second = out.split("\n\n")[1]
    assert [word in second for word in ("It made", "Of ", "It cannot know")] == [True] * 3
    assert max(map(len, out.splitlines())) <= 80


def test_json_has_what_was_promised_and_the_head_of_the_chain(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every key is there; closings say their times, reasons and verdicts; the head is the journal's."""
    out, _ = ask(capsys, config, "--json", *SPAN)
    found: dict[str, Any] = json.loads(out)
    assert {"from", "to", "cuts", "trips", "rests", "gaps", "ph_min", "open_share", "head"} <= found.keys()
    assert {"chamber", "from", "to", "reason", "lowest_ph", "verdict"} <= found["trips"][0].keys()
    assert (found["from"], found["to"]) == (FROM.replace("Z", ".000Z"), TO.replace("Z", ".000Z"))
    assert len(found["trips"]) == 1
    assert found["cuts"]
    assert [gap["seconds"] for gap in found["gaps"]] == [40.0]
    last = list(entries(config.parent / "journal.db"))[-1]
    assert (found["head"], found["rows"]) == (last["hash"], last["seq"])


def test_a_close_is_held_against_the_budget_that_check_prints(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was promised is check's budget less the interval between readings; each close was within it."""
    found = json.loads(ask(capsys, config, "--json", *SPAN)[0])
    reckoned = {row.cause: row.seconds for row in budget(load(config, {}))}
    below, silent = reckoned["reading_below_floor"], reckoned["probe_silent"]
    assert below is not None
    cut, trip = found["cuts"][0], found["trips"][0]
    assert cut["promised_s"] == pytest.approx(below - 1.0)
    assert trip["promised_s"] == silent
    assert 0 <= cut["closed_s"] <= cut["promised_s"]
    assert 5.0 <= trip["closed_s"] <= trip["promised_s"]
    assert not cut["late"]


def test_it_reads_without_a_trace_and_also_while_somebody_writes(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A journal at rest keeps every byte and its neighbours; a writer's open transaction is no hindrance."""
    folder = tmp_path / "copy"
    shutil.copytree(config.parent, folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    ask(capsys, folder / config.name, *SPAN)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    writer = sqlite3.connect(folder / "journal.db", isolation_level=None)
    try:
        writer.execute("BEGIN IMMEDIATE")
        assert "1 trip" in ask(capsys, folder / config.name, *SPAN)[0]
    finally:
        writer.close()


def test_an_unfinished_closing_has_no_end(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A span that ends within a closing gives it a null end, and the table says that it lasts."""
    trip = json.loads(ask(capsys, config, "--json", *SPAN)[0])["trips"][0]
    until = trip["from"][:17] + "59Z"
    out, _ = ask(capsys, config, "--json", "--from", FROM, "--to", until)
    assert json.loads(out)["trips"][0]["to"] is None
    assert "lasting" in ask(capsys, config, "--from", FROM, "--to", until)[0]


@pytest.mark.parametrize(
    "words",
    [(), ("--last", "8h"), ("--date", "2026-03-15"), ("--since", FROM), ("--date", "2026-03-14")],
    ids=" ".join,
)
def test_every_way_to_name_a_span(
    config: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """No span is the last day; a date is the night into it; --since is --from."""
    found = json.loads(ask(capsys, config, "--json", *words)[0])
    if words and words[-1] in (FROM, "2026-03-15"):
        assert len(found["trips"]) == 1
    if words == ("--date", "2026-03-15"):
        assert (found["from"], found["to"]) == ("2026-03-14T12:00:00.000Z", "2026-03-15T12:00:00.000Z")
    if not words:
        assert found["not_watched"][0]["seconds"] == pytest.approx(86400)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--last", "tomorrow"), "--last takes a span"),
        (("--date", "the 14th"), "--date takes a day"),
        (("--from", "x"), "is not a time"),
        (("--from", TO, "--to", FROM), "is empty"),
        (("--last", "8h", "--to", TO), "--to goes with --from"),
        (("--chamber", "moss"), "There is no chamber 'moss'; there are: fern."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be_is_refused_in_a_sentence(
    config: Path, words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A span or a chamber that is none: exit 2, one line."""
    _, err = ask(capsys, config, *words, code=2)
    assert said in err
    assert len(err.splitlines()) == 1


def test_no_journal_and_a_damaged_one(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a journal it exits 2, with one that cannot be read 1, and says which."""
    shutil.copy(config, tmp_path / config.name)
    assert "There is no journal" in ask(capsys, tmp_path / config.name, code=2)[1]
    (tmp_path / "journal.db").write_bytes(os.urandom(8192))
    assert "run nightheron verify" in ask(capsys, tmp_path / config.name, code=1)[1]


@pytest.mark.parametrize("minutes", [(0, 1), (10, 20), (44, 75), (0, 75), (80, 90)])
def test_the_rows_of_a_span_are_found_without_reading_all(config: Path, minutes: tuple[int, int]) -> None:
    """Searching by halves takes in every row that looking at all of them finds."""
    since, until = (f"2026-03-14T{22 + m // 60}:{m % 60:02d}:00.000Z" for m in minutes)
    path = config.parent / "journal.db"
    whole, bounds = find(path, since, until), around(path, since, until)
    if whole is not None:
        assert bounds is not None
        assert bounds[0] <= whole.first_seq <= whole.last_seq <= bounds[1]
        assert len(list(rows(path, *bounds))) == bounds[1] - bounds[0] + 1


def test_searching_by_halves_leaves_other_days_alone(tmp_path: Path) -> None:
    """Of five days, one night takes in its own day and a day on either side."""
    db = sqlite3.connect(tmp_path / "journal.db")
    columns = "seq INTEGER PRIMARY KEY, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs"
    db.execute(f"CREATE TABLE entries ({columns})")
    made = [(h + 1, f"2026-03-{1 + h // 24:02d}T{h % 24:02d}:00:00.000Z") for h in range(240)]
    db.executemany("INSERT INTO entries (seq, utc, kind) VALUES (?, ?, 'witness')", made)
    db.commit()
    db.close()
    found = around(tmp_path / "journal.db", "2026-03-05T00:00:00.000Z", "2026-03-06T00:00:00.000Z")
    assert found == (3 * 24 + 1, 6 * 24)
