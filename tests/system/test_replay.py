"""The command as a person meets it, on the journal of the demonstration."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from nightheron.journal.pack import pack, unpack
from nightheron.model import Observed

from tests.support.replays import rewrite
from tests.support.terminal import all_shown

PATIENCE_S = 280.0
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTHERON_")}
PROGRAM = [sys.executable, "-c", "import sys; from nightheron.cli.main import main; sys.exit(main())"]
KEY = "chamber.fern.floor_ph"


def nightheron(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own interpreter
        [*PROGRAM, *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        cwd=cwd,
        env=CLEAN,
    )


def replays(folder: Path, *words: str) -> tuple[int, dict[str, Any]]:
    done = nightheron("replay", "--json", "--config", str(folder / "nightheron.toml"), *words, cwd=folder)
    assert done.stderr == ""
    return done.returncode, json.loads(done.stdout)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One demo."""
    place = tmp_path_factory.mktemp("replay")
    assert nightheron("demo", cwd=place).returncode == 0
    return place / "nightheron-demo"


def test_the_demonstrated_night_is_identical(folder: Path) -> None:
    """Every decision of the night, its restart included, is made again; all of them were replayed."""
    code, answer = replays(folder)
    log = nightheron("log", "--json", "--kind", "decision", "--config", "nightheron.toml", cwd=folder)
    assert (code, answer["identical"], answer["first_difference"]) == (0, True, None)
    assert answer["decisions"] == len(log.stdout.splitlines()) > 30
    assert answer["skipped"] == []


def test_a_lower_floor_gives_a_first_difference(folder: Path) -> None:
    """With a floor of 6.5 the first cut is not made, and the command says that beyond it nothing is known."""
    code, answer = replays(folder, "--what-if", f"{KEY}=6.5")
    first = answer["first_difference"]
    assert (code, answer["identical"], answer["by_what_if"]) == (1, False, True)
    assert (first["recorded"]["reason"], first["replayed"]["gas"]) == ("floor", "open")
    assert {"seq", "utc", "chamber"} <= first.keys()
    said = nightheron("replay", "--config", "nightheron.toml", "--what-if", f"{KEY}=6.5", cwd=folder)
    assert said.returncode == 1
    assert "water, would have been another" in " ".join(said.stdout.split())
    assert first["utc"] in said.stdout


def test_a_floor_that_changes_nothing_is_identical(folder: Path) -> None:
    """Before the first cut no decision rests on the floor, and the floor as it was changes nothing at all."""
    _, answer = replays(folder, "--what-if", f"{KEY}=6.5")
    assert replays(folder, "--what-if", f"{KEY}=6.5", "--until", answer["first_difference"]["utc"])[0] == 0
    code, same = replays(folder, "--what-if", f"{KEY}=6.6")
    assert (code, same["identical"]) == (0, True)
    assert same["decisions"] > 30


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("chamber.fern.flor_ph=6.5", KEY),
        ("chamber.farn.floor_ph=6.5", KEY),
        (f"{KEY}=nan", "finite"),
        (f"{KEY}=inf", "finite"),
        (f"{KEY}=low", "finite"),
        (f"{KEY}=66", "at most"),
        (f"{KEY}=6.75", "above floor_ph"),
        ("floor", "chamber.<name>.<limit>=<number>"),
    ],
)
def test_a_bad_limit_is_refused(folder: Path, given: str, said: str) -> None:
    """Each bad change exits 2 with one sentence: the key, why, and the nearest good key."""
    done = nightheron("replay", "--config", "nightheron.toml", "--what-if", given, cwd=folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_without_a_journal_or_with_a_bad_time_it_exits_2(folder: Path, tmp_path: Path) -> None:
    """No journal, and a time that is none, are sentences and exit 2; a span without rows is fine and said."""
    config = tmp_path / "nightheron.toml"
    config.write_text((folder / "nightheron.toml").read_text())
    assert nightheron("replay", "--config", str(config), cwd=tmp_path).returncode == 2
    bad = nightheron("replay", "--since", "soon", "--config", "nightheron.toml", cwd=folder)
    assert (bad.returncode, len(bad.stderr.splitlines())) == (2, 1)
    done = nightheron("replay", "--config", "nightheron.toml", "--since", "2030-01-01", cwd=folder)
    assert done.returncode == 0
    assert "Nothing in this span" in done.stdout


def test_a_terminal_sees_progress(folder: Path) -> None:
    """On a terminal a line of progress comes and is wiped; in a pipe there is none."""
    ours, theirs = pty.openpty()
    done = subprocess.run(  # noqa: S603 - our own interpreter
        [*PROGRAM, "replay", "--config", "nightheron.toml", "--until", "2026-03-14T22:00:00Z"],
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        check=False,
        timeout=PATIENCE_S,
        cwd=folder,
        env=CLEAN,
    )
    os.close(theirs)
    seen = all_shown(ours)
    assert done.returncode == 0
    assert b"replaying: 100 %" in seen
    assert seen.endswith(b"\x1b[K")


def test_a_tampered_night_is_not_identical(folder: Path, tmp_path: Path) -> None:
    """One reading lifted in the packed inputs, the chain computed anew: verify is content, replay is not."""
    for name in ("nightheron.toml", "journal.db"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    _, answer = replays(folder, "--what-if", f"{KEY}=6.5")
    seq = int(answer["first_difference"]["seq"])

    def lift(body: dict[str, Any], inputs: bytes | None) -> bytes:
        del body
        assert inputs is not None
        return pack([replace(e, value=6.9) if isinstance(e, Observed) else e for e in unpack(inputs)])

    rewrite(tmp_path / "journal.db", seq, lift)
    assert nightheron("verify", "--config", "nightheron.toml", cwd=tmp_path).returncode == 0
    code, found = replays(tmp_path)
    assert (code, found["identical"], found["first_difference"]["seq"]) == (1, False, seq)
    assert found["decisions"] > 0
