"""The command line's entry."""

from __future__ import annotations

import argparse
import sys

import pytest
from nightheron.cli import main as entry
from nightheron.cli.service import span_s


def test_every_command_exists_and_is_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    """Each command listed can be imported, has its three parts, and stands in --help."""
    with pytest.raises(SystemExit) as ended:
        entry.main(["--help"])
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    for name, path in entry.COMMANDS:
        module = entry.modules_of(path)
        assert f" {name} " in shown
        assert module.HELP
        assert callable(module.run)
        assert callable(module.add_arguments)


def test_help_and_status_import_nothing_heavy() -> None:
    """Neither the entry nor status pulls in pydantic, paho, structlog or the scheduler."""
    import subprocess

    code = (
        "import sys; from nightheron.cli import main, status, why\n"
        "try: main.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'pydantic', 'paho', 'structlog', 'apscheduler', 'asyncio'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)  # noqa: S603 - our own code
    assert done.returncode == 0, done.stderr


def test_unknown_variables_are_refused_by_every_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt NIGHTHERON_ variable ends any command with 2 and its name."""
    monkeypatch.setenv("NIGHTHERON_CONFG", "x")
    for name, words in (("status", []), ("why", []), ("run", []), ("release", ["west"]), ("verify", [])):
        assert entry.main([name, *words]) == 2
        assert "NIGHTHERON_CONFG" in capsys.readouterr().err


def test_a_fault_of_the_program_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unexpected error ends with 70 and one line; an interrupt with 130 and none."""

    def fails(_: argparse.Namespace) -> int:
        raise RuntimeError("first line\nsecond line")

    def interrupted(_: argparse.Namespace) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("nightheron.cli.status.run", fails)
    assert entry.main(["status", "--config", "x"]) == entry.PROGRAM_FAULT
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "Traceback" not in shown
    monkeypatch.setattr("nightheron.cli.status.run", interrupted)
    assert entry.main(["status", "--config", "x"]) == entry.INTERRUPTED


@pytest.mark.parametrize(
    "words", [[], ["--frobnicate"], ["nonsense"], ["service", "on"], ["valve", "open", "west"]]
)
def test_usage_errors_exit_2(words: list[str]) -> None:
    """What is no command, or not all of one, exits 2."""
    try:
        assert entry.main(words) == 2
    except SystemExit as ended:
        assert ended.code == 2


@pytest.mark.parametrize(("text", "seconds"), [("90s", 90), ("20m", 1200), ("2h", 7200), ("14d", 1209600)])
def test_spans(text: str, seconds: float) -> None:
    """A span is a whole number and a unit."""
    assert span_s(text) == seconds


@pytest.mark.parametrize("text", ["", "20", "m", "0m", "-1m", "1.5h", "15d", "nan", "1e3s", "99999999s"])
def test_what_is_no_span_is_refused(text: str) -> None:
    """Anything else is refused."""
    with pytest.raises(argparse.ArgumentTypeError):
        span_s(text)
