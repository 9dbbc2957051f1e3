"""The real commands, each kind of bad configuration: exit 2, the key, one sentence, and never an OPEN."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.bad_configurations import KINDS, VALVE_PORT, Bad
from tests.support.configuration import SECRET, write
from tests.support.pty_port import PtyPort


def command(
    path: Path, *words: str, variable: tuple[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """``nightheron`` as a process, with nothing of ours in its environment but ``variable``."""
    environ = {k: v for k, v in os.environ.items() if not k.startswith("NIGHTHERON_")}
    return subprocess.run(  # noqa: S603 - our own interpreter and command
        [sys.executable, "-m", "nightheron.cli.main", *words, "--config", str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=environ | dict([variable] if variable else []),
    )


@pytest.mark.parametrize("bad", KINDS, ids=lambda bad: bad.kind)
def test_check_and_run_refuse_it_and_move_nothing(tmp_path: Path, bad: Bad) -> None:
    """Both commands exit 2 and name the key on one line; the valve's wire stays silent."""
    with PtyPort(tmp_path, "valve") as valve:
        text = bad.text.replace(VALVE_PORT, f'port = "{valve.path}"')
        path = write(tmp_path, text)
        for word in ("check", "run"):
            done = command(path, word, variable=bad.variable)
            assert done.returncode == 2, done.stderr
            lines = [line for line in done.stderr.splitlines() if line.startswith(f"{bad.key}: ")]
            assert len(lines) == 1, done.stderr
            assert bad.why in lines[0]
            assert "Traceback" not in done.stdout + done.stderr
            assert SECRET not in done.stdout + done.stderr
        assert valve.read(0.0) == b""
    assert not (tmp_path / "data").exists()


def test_a_sound_configuration_passes_check(tmp_path: Path) -> None:
    """The file that all the bad ones start from is accepted by the real command."""
    done = command(write(tmp_path), "check", "--json")

    assert (done.returncode, json.loads(done.stdout)["ok"]) == (0, True), done.stderr


@pytest.mark.parametrize("word", ["check", "run"])
def test_a_path_that_is_no_file_is_refused(tmp_path: Path, word: str) -> None:
    """A missing file and a directory end in one sentence and exit 2."""
    for path in (tmp_path / "gone.toml", tmp_path):
        done = command(path, word)
        assert (done.returncode, done.stderr.splitlines()[0].split(": ")[0]) == (2, "config")
        assert "Traceback" not in done.stderr
