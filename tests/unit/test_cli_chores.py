"""What `changed` and `valve` ask for and say, against a service that answers from a script."""

from __future__ import annotations

import argparse
import io
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli import ask, changed, closing, watching
from nightheron.cli.main import main
from nightheron.guard.work import WORKS
from nightheron.model import Work

CHAMBER: dict[str, Any] = {
    "name": "west",
    "gas": "closed",
    "delivered": True,
    "since": "2026-03-01T03:00:00.000Z",
    "reason": "planned_rest",
    "reasons": ["planned_rest"],
    "first": "a planned rest",
    "ph": 6.71,
    "tank_ph": None,
    "verdict": "pending",
    "until": "pH seen to rise with the gas shut",
}
SERVICE = {"reason": "service", "reasons": ["service"], "until": "service off"}


class Script:
    """The answers to come; the last one stays. Requests are kept."""

    def __init__(self) -> None:
        self.states: list[dict[str, Any]] = [CHAMBER]
        self.refuses: str | None = None
        self.requests: list[dict[str, Any]] = []

    def ask(self, _: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
        self.requests.append(request)
        now = self.states.pop(0) if len(self.states) > 1 else self.states[0]
        refused = self.refuses if "act" in request else None
        status = {"timezone": "UTC", "chambers": [now]}
        return {"ok": refused is None, "error": refused, "status": status}

    def acts(self) -> list[dict[str, Any]]:
        return [one for one in self.requests if "act" in one]


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Script:
    """A service that is there, and a journal that cannot be read."""
    made = Script()
    for module in (ask, changed, watching):
        monkeypatch.setattr(module, "ask", made.ask)
    monkeypatch.setattr(closing, "journal_path", lambda *_: Path("/nowhere/journal.db"))
    monkeypatch.setattr(watching, "EVERY_S", 0.0)
    return made


def run(*words: str) -> int:
    """The command, as from a shell without a terminal."""
    return main([*words, "--config", "/nowhere/x.toml"])


@pytest.mark.parametrize("work", Work, ids=str)
def test_every_work_shows_its_page(work: Work, capsys: pytest.CaptureFixture[str]) -> None:
    """The page has every caution and every look, within 80 columns, and asks no service for --show."""
    assert run("changed", "west", work.value, "--show") == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    flat = " ".join(out.split())
    for text in (*WORKS[work].cautions, *WORKS[work].looks):
        assert text in flat
    assert "[ ]" in out


def test_changed_says_what_it_did(script: Script, capsys: pytest.CaptureFixture[str]) -> None:
    """Open gas is told of, what is learned anew is named, and a trial is announced."""
    script.states = [{**CHAMBER, "gas": "open"}, CHAMBER]
    assert run("changed", "west", "probe", "--why", "new glass") == 0
    assert script.acts() == [{"act": "changed", "chamber": "west", "why": "new glass", "work": "probe"}]
    out = capsys.readouterr().out
    assert "west: gas is open now, and is shut when this is recorded." in out
    assert "the old probe's digit, noise and standstill" in out
    assert "The next opening is a short trial" in out


def test_changed_asks_on_a_terminal(
    script: Script, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever does not say yes has recorded nothing."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    for said, code in (("no\n", 1), ("\n", 1), ("", 1), ("yes\n", 0)):
        monkeypatch.setattr("sys.stdin", Terminal(said))
        assert run("changed", "west", "media") == code, said
    assert len(script.acts()) == 1
    assert "nothing was recorded; the gas is as it was" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", Terminal("no\n"))
    assert run("changed", "west", "media", "--yes") == 0


@pytest.mark.parametrize(
    ("end", "code", "says"),
    [
        ({"verdict": "proved"}, 0, "PROVED shut after"),
        ({"verdict": "proved", "gas": "open"}, 0, "Gas is open again."),
        ({"verdict": "not_proved", "reasons": ["not_stopping"]}, 1, "GAS NOT STOPPED"),
        ({"reasons": ["no_effect"]}, 1, "COULD NOT TELL"),
        (SERVICE, 1, "a hold began"),
        ({"verdict": "could_not_tell"}, 1, "a reading that does not move proves nothing"),
    ],
)
def test_a_proof_test_says_its_verdict(
    script: Script, capsys: pytest.CaptureFixture[str], end: dict[str, Any], code: int, says: str
) -> None:
    """Proved is fine; whatever else came of it is a finding, in words, and it is waited for."""
    script.states = [CHAMBER, CHAMBER, CHAMBER, {**CHAMBER, **end}]
    assert run("valve", "test", "west") == code
    assert says in capsys.readouterr().out
    assert [one["act"] for one in script.acts()] == ["test"]


def test_a_proof_test_waits_no_longer_than_asked(script: Script, capsys: pytest.CaptureFixture[str]) -> None:
    """The wait is bounded, its end is a finding, and the rest goes on."""
    assert run("valve", "test", "west", "--for", "1s") == 1
    assert "The rest goes on; look again with: nightheron why west" in capsys.readouterr().out
    assert run("valve", "test", "west", "--no-wait") == 0


def test_with_gas_shut_the_last_verdict_is_told(script: Script, capsys: pytest.CaptureFixture[str]) -> None:
    """There is no test of shut gas: it is a finding, and what this closing proved is said."""
    script.refuses = "gas is not open, so there is no closing to watch"
    script.states = [{**CHAMBER, "verdict": "could_not_tell"}]
    assert run("valve", "test", "west") == 1
    told = capsys.readouterr()
    assert "Not done: gas is not open" in told.err
    assert "by planned_rest: could not tell; a reading that does not move proves nothing" in told.out
    assert "Last proved shut:" in told.out


@pytest.mark.parametrize(
    "words",
    [
        ("bleed", "west"),
        ("bleed", "west", "--seconds", "2", "--for", "20m"),
        ("close", "west", "--seconds", "2"),
        ("close", "west", "--no-wait"),
        ("test", "west", "--seconds", "2"),
    ],
)
def test_an_option_of_another_action_is_refused(script: Script, words: tuple[str, ...]) -> None:
    """Nothing is asked for when the words do not fit together."""
    assert run("valve", *words) == 2
    assert script.requests == []


@pytest.mark.parametrize(
    ("end", "code", "says"),
    [
        (SERVICE, 0, "the bleed is over; gas is ordered shut and held"),
        ({"reason": "floor", "first": "pH 6.59"}, 1, "cut short by floor"),
    ],
)
def test_a_bleed_is_watched_to_its_end(
    script: Script, capsys: pytest.CaptureFixture[str], end: dict[str, Any], code: int, says: str
) -> None:
    """The end of a bleed is waited for, with the valve's word on it; one cut short is a finding."""
    flows = {**CHAMBER, "gas": "open", "reason": None, "reasons": []}
    script.states = [flows, flows, {**CHAMBER, **end, "delivered": False}, {**CHAMBER, **end}]
    assert run("valve", "bleed", "west", "--seconds", "20") == code
    assert script.acts() == [{"act": "bleed", "chamber": "west", "why": "", "for_s": 20}]
    assert says in capsys.readouterr().out


def test_a_refused_bleed_says_why(script: Script, capsys: pytest.CaptureFixture[str]) -> None:
    """What stands against a bleed is told, and nothing is waited for."""
    script.refuses = "this stands against it: the least rest is not over (60 of 120 s)"
    assert run("valve", "bleed", "west", "--seconds", "20") == 1
    assert "60 of 120 s" in capsys.readouterr().err
    assert len(script.requests) == 1


def test_control_c_ends_a_bleed(
    script: Script, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever interrupts a bleed shuts the gas, and the hold keeps its words."""

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(watching, "watch", interrupted)
    assert run("valve", "bleed", "west", "--seconds", "20") == 130
    assert [one["act"] for one in script.acts()] == ["bleed", "hold"]
    assert "the bleed is ended" in capsys.readouterr().out


def test_a_service_that_goes_away_is_told(
    script: Script, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """When the service ends while a verdict is waited for, that is said, with its own exit code."""

    def gone(*_: object) -> None:
        raise ask.CannotAsk("The service is not running here", ask.UNREACHABLE)

    monkeypatch.setattr(watching, "ask", gone)
    assert run("valve", "test", "west") == 3
    assert "The service is not running here" in capsys.readouterr().err
