"""The demonstration as a person meets it: run, read, check."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.terminal import all_shown

ROOT = Path(__file__).parents[2]
PATIENCE_S = 280.0
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTHERON_")}


def _nightheron(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-c",
        "import sys; from nightheron.cli.main import main; sys.exit(main())",
        *words,
    ]
    return subprocess.run(  # noqa: S603 - our own interpreter
        command, capture_output=True, text=True, check=False, timeout=PATIENCE_S, cwd=cwd, env=CLEAN
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """One demo: its folder and what it printed."""
    place = tmp_path_factory.mktemp("demo")
    done = _nightheron("demo", cwd=place)
    assert (done.returncode, done.stderr) == (0, "")
    return place / "nightheron-demo", done.stdout


def _log(folder: Path, *words: str) -> list[dict[str, object]]:
    done = _nightheron("log", "--json", "--config", str(folder / "nightheron.toml"), *words)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_it_says_what_it_is_and_keeps_what_it_said(made: tuple[Path, str]) -> None:
    """It says simulation first, no line is wider than 80 columns, and the file is what was printed."""
    folder, printed = made
    assert "SIMULATION" in printed.splitlines()[0]
    assert max(map(len, printed.splitlines())) <= 80
    assert (folder / "night.txt").read_text() == printed


def test_the_night_is_a_page_too(made: tuple[Path, str]) -> None:
    """The night's page lies beside the text, says that it is simulated, and ends at the journal's night."""
    folder, printed = made
    page = (folder / "night.html").read_text()
    assert "(simulated), 14 March 2026 21:00 to 15 March 2026 06:00" in page
    assert page.count("<svg") >= 2
    assert len(page.encode()) <= 300_000
    assert str(folder.parent) not in page
    assert "nightheron-demo/night.html" in printed


def test_the_night_has_what_was_promised(made: tuple[Path, str]) -> None:
    """Several cuts, a planned rest, a probe lost and found, and a restart that leaves a gap."""
    rows = _log(made[0])
    begun = [row["reason"] for row in rows if row["kind"] == "decision" and row["verdict"] == "pending"]
    assert begun.count("floor") >= 3
    assert {"planned_rest", "chamber_ph_lost"} <= set(begun)
    assert [row["clean"] for row in rows if row["kind"] == "start"] == [True, False]
    assert len([row for row in rows if row["kind"] == "gap"]) == 1
    raised = {row["reason"] for row in rows if row["kind"] == "alarm"}
    assert {"chamber_ph_lost", "foreign_order", "tank_low", "service"} <= raised
    lost = [row["state"] for row in rows if row["kind"] == "alarm" and row["reason"] == "chamber_ph_lost"]
    assert (lost[0], lost[-1]) == ("unacknowledged", "normal")
    assert rows[-1]["kind"] == "stop"


def test_the_table_is_the_journal(made: tuple[Path, str]) -> None:
    """Every closing in the journal has its line in the printed table, with its chamber."""
    folder, printed = made
    shut: set[object] = set()
    for row in _log(folder, "--kind", "decision"):
        if row["gas"] == "closed" and row["chamber"] not in shut and str(row["utc"]) < "2026-03-15T06:00":
            line = rf"^{str(row['utc'])[11:19]} .* {row['reason']} \({row['chamber']}\)"
            assert re.search(line, printed, re.MULTILINE), line
        (shut.add if row["gas"] == "closed" else shut.discard)(row["chamber"])


def test_every_command_it_names_works(made: tuple[Path, str]) -> None:
    """The commands printed at the end run as printed and agree on the head."""
    folder, printed = made
    head = re.search(r"^  ([0-9a-f]{64})$", printed, re.MULTILINE)
    assert head is not None
    named = re.findall(r"^  nightheron (.*)$", printed, re.MULTILINE)
    assert [words.split()[0] for words in named] == ["verify", "log", "check"]
    for words in named:
        done = _nightheron(*words.split(), cwd=folder.parent)
        assert done.returncode == 0, done.stderr
        assert words.startswith(("log", "check")) or head[1] in done.stdout
    alone = [sys.executable, str(ROOT / "deploy" / "verify_journal.py"), "nightheron-demo/journal.db"]
    done = subprocess.run(alone, cwd=folder.parent, capture_output=True, text=True, check=False)  # noqa: S603 - our own interpreter
    assert (done.returncode, head[1] in done.stdout) == (0, True)


def test_same_head_elsewhere_and_an_earlier_one_is_replaced(made: tuple[Path, str], tmp_path: Path) -> None:
    """Played elsewhere, over an earlier demo, the night gives the same head and leaves no litter."""
    earlier = tmp_path / "nightheron-demo"
    earlier.mkdir()
    (earlier / "made-by-nightheron-demo").write_text("")
    (earlier / "old.txt").write_text("old")
    done = _nightheron("demo", "--dir", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert _log(earlier, "--limit", "1")[0]["hash"] == _log(made[0], "--limit", "1")[0]["hash"]
    assert not (earlier / "old.txt").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["nightheron-demo"]


def test_nothing_of_this_machine_is_in_the_journal(made: tuple[Path, str]) -> None:
    """The journal holds no path of this machine, no host name, no boot id of its own."""
    text = json.dumps(_log(made[0]))
    assert str(made[0].parent) not in text
    assert f'"{os.uname().nodename}"' not in text
    assert Path("/proc/sys/kernel/random/boot_id").read_text().strip() not in text


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_somebody_elses_folder_is_left_alone(tmp_path: Path, kind: str) -> None:
    """What the demo did not make it does not replace: exit 2, one sentence, nothing touched."""
    target = tmp_path / "nightheron-demo"
    if kind == "folder":
        target.mkdir()
        (target / "mine.txt").write_text("mine")
    elif kind == "file":
        target.write_text("mine")
    else:
        target.symlink_to(tmp_path / "nowhere")
    done = _nightheron("demo", "--dir", str(tmp_path))
    assert (done.returncode, done.stdout) == (2, "")
    assert "was not made by the demo" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["nightheron-demo"]


def test_a_place_that_is_not_there(tmp_path: Path) -> None:
    """A directory that does not exist is refused in one sentence."""
    done = _nightheron("demo", "--dir", str(tmp_path / "no" / "where"))
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert "is not a directory" in done.stderr


def test_progress_on_a_terminal_only(tmp_path: Path) -> None:
    """On a terminal the share done is shown while the night is played, and wiped before the result."""
    outer, inner = pty.openpty()
    command = [sys.executable, "-m", "nightheron.cli.main", "demo", "--dir", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=inner, env=CLEAN) as process:  # noqa: S603 - our own interpreter
        os.close(inner)
        printed, _ = process.communicate(timeout=PATIENCE_S)
    shown = all_shown(outer)
    assert b"100 %" in shown
    assert shown.endswith(b"\r\x1b[K")
    assert printed.startswith(b"This is a SIMULATION")
