"""Small answers of the commands: the reminder's hour, a hold that was none, a directory that is not ours."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli import ask, check, check_text, demo, run, service
from nightheron.cli.listen_tally import Tally, none_read
from nightheron.journal.store import Store
from nightheron.settings import KeyFault
from nightheron_drivers.protocols import Heard

from tests.support.configuration import write

STATUS: dict[str, Any] = {
    "site": "x",
    "timezone": "Asia/Tokyo",
    "chambers": [{"name": "west", "gas": "open", "reasons": [], "until": "gas is open"}],
}


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """A service that is there; the requests it got."""
    requests: list[dict[str, Any]] = []

    def answer(_: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
        requests.append(request)
        return {"ok": True, "status": STATUS}

    monkeypatch.setattr(ask, "ask", answer)
    monkeypatch.setattr(service, "ask", answer)
    return requests


def words(**given: object) -> argparse.Namespace:
    plain = {"config": Path("x"), "action": "on", "chamber": "west", "for_s": None, "why": ""}
    return argparse.Namespace(**(plain | given))


def test_a_reminder_is_told_by_the_clock(
    asked: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    """A hold with a span names the hour of its reminder in the site's time."""
    assert service.run(words(for_s=1200.0)) == 0
    assert asked[-1]["for_s"] == 1200.0
    out = capsys.readouterr().out
    assert "You are reminded at " in out
    assert "(Asia/Tokyo); the end of that time opens nothing." in out


def test_ending_a_hold_that_was_none(asked: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
    """service off without a hold says so, asks for nothing and is fine."""
    assert service.run(words(action="off")) == 0
    assert capsys.readouterr().out == "west: there was no hold.\n"
    assert [request.get("act") for request in asked] == [None]


def test_a_data_directory_of_somebody_else_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """run by a user who may not use data_dir says that, before it looks for anything in there."""
    config = write(tmp_path)
    data_dir = tmp_path / "data"
    data_dir.mkdir(exist_ok=True)
    monkeypatch.setattr("os.access", lambda *_, **__: False)
    assert run.run(argparse.Namespace(config=config)) == 2
    err = capsys.readouterr().err
    assert f"may not read and write in {data_dir}; run this as the service's user" in err
    assert "calibration" not in err
    assert check.run(argparse.Namespace(config=config, json=False)) == 2
    assert str(data_dir) in capsys.readouterr().err.splitlines()[0]


def test_what_nothing_bounds_is_told_first() -> None:
    """Warnings begin with NOT BOUNDED; the rest keeps its order."""
    given = [KeyFault("a", "x"), KeyFault("b", "NOT BOUNDED: y"), KeyFault("c", "z")]
    assert [one.key for one in check_text.worst_first(given)] == ["b", "a", "c"]


def test_the_demos_commands_can_be_pasted(tmp_path: Path) -> None:
    """A folder with a blank in its name is quoted in the commands that the demo prints."""
    folder = tmp_path / "my night"
    folder.mkdir()
    Store(folder, "2026-01-01T00:00:00.000Z").close()
    lines = demo._how_to_verify(folder / "journal.db", folder)
    pasted = [shlex.split(line) for line in lines if line.startswith("  ") and " --config " in line]
    assert len(pasted) == 3
    assert all(str(folder / demo.CONFIG) in line for line in pasted)


def test_listen_says_why_nothing_was_read() -> None:
    """Messages that the pattern did not match are counted and explained; silence is told as silence."""
    tally = Tally()
    assert none_read([tally]).startswith("No reading was seen: nothing came")
    for _ in range(3):
        tally.take(Heard("p", 0, None, "pH=6.9", "no_match"))
    assert none_read([tally]) == "3 messages came, the pattern read none; it must match the whole line."
    other = Tally()
    other.take(Heard("p", 0, None, "{}", "not_a_number"))
    assert none_read([other]) == "1 message came, none was a reading (not_a_number)."
