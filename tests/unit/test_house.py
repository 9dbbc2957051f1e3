"""The house rules hold over the whole tree, and each rule catches what it is for."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import house

TOP = Path(__file__).resolve().parents[2]
STANDS = {"README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "drivers", "config", "deploy", "tests"}
MADE = {"dist", "build", "nightheron-demo"}  # what .gitignore names

GUARD, RUNTIME, DRIVER, TEST = (
    "daemon/nightheron/guard/x.py",
    "daemon/nightheron/runtime/x.py",
    "drivers/nightheron_drivers/x.py",
    "tests/unit/test_x.py",
)
BAD = [
    (house.pure_core, GUARD, "import time"),
    (house.pure_core, GUARD, "def f():\n    from threading import Lock"),
    (house.pure_core, GUARD, "open('x')"),
    (house.pure_core, "daemon/nightheron/chemistry/x.py", "from pathlib import Path"),
    (house.clocks, RUNTIME, "import time\ntime.monotonic()"),
    (house.clocks, RUNTIME, "from time import monotonic_ns as m\nm()"),
    (house.clocks, RUNTIME, "import time as t\nread = t.clock_gettime_ns"),
    (house.clocks, RUNTIME, "import datetime\ndatetime.datetime.now()"),
    (house.clocks, RUNTIME, "from datetime import date\ndate.today()"),
    (house.clocks, DRIVER, "import time\ntime.sleep(1)"),
    (house.processes, RUNTIME, "import os\nos.fork()"),
    (house.processes, RUNTIME, "from multiprocessing import Process"),
    (house.processes, RUNTIME, "from concurrent.futures import ProcessPoolExecutor"),
    (house.faults_named, RUNTIME, "try:\n    f()\nexcept:\n    pass"),
    (house.faults_named, DRIVER, "assert x > 0"),
    (house.sizes, RUNTIME, "a = 1\n" * 301),
    (house.sizes, "daemon/nightheron/runtime/keeper.py", "a = 1\n" * 251),
    (house.sizes, DRIVER, "a = 1\n" * 201),
    (house.sizes, RUNTIME, "def f():\n" + "    a = 1\n" * 60),
    (house.exemptions, RUNTIME, "a = 1  # noqa: S101"),
    (house.exemptions, RUNTIME, "a = 1  # noqa - everything is fine here"),
    (house.exemptions, RUNTIME, "a = 1  # type: ignore[misc]"),
    (house.exemptions, RUNTIME, "a = 1  # type: ignore  # the library has no types"),
    (house.promises, TEST, "def test_a():\n    pass"),
    (house.promises, TEST, "def test_a():\n    'works'"),
    (house.drivers_apart, DRIVER, "from nightheron.guard import limits"),
    (house.words, "README.md", "later: TO" + "DO"),
    (house.words, "README.md", "see /wo" + "rk/main"),
    (house.words, "deploy/x", "index-url = https://py" + "pi.org/simple"),
]
GOOD = [
    (house.pure_core, GUARD, "import math\nfrom nightheron.model import Gas"),
    (house.pure_core, RUNTIME, "import time"),
    (house.clocks, "daemon/nightheron/runtime/clock.py", "import time\ntime.time()"),
    (house.clocks, RUNTIME, "import time\ntime.sleep(1)  # waits: nothing can stop this child but a signal"),
    (house.clocks, RUNTIME, "import datetime\ndatetime.datetime.fromtimestamp(0)"),
    (house.faults_named, TEST, "assert x > 0"),
    (house.sizes, RUNTIME, "a = 1\n\n\n" * 300),
    (house.exemptions, RUNTIME, "a = 1  # noqa: S603 - our own arguments"),
    (house.exemptions, RUNTIME, "a = '# noqa'"),
    (house.promises, TEST, "def test_a():\n    'Gas closes on a lost probe.'"),
    (house.drivers_apart, DRIVER, "from nightheron.model import Gas"),
    (house.words, "README.md", "mktemp -d XXXX" + "XX; /var/lib/nightheron"),
]


def _files(suffix: str = "") -> Iterator[tuple[str, str]]:
    for top in sorted(STANDS):
        for path in sorted([TOP / top] if (TOP / top).is_file() else (TOP / top).rglob("*")):
            if path.is_file() and path.name.endswith(suffix) and "__pycache__" not in path.parts:
                try:
                    yield path.relative_to(TOP).as_posix(), path.read_text("utf-8")
                except UnicodeDecodeError:
                    continue  # a binary file has no words


@pytest.mark.parametrize("rule", house.PYTHON_RULES, ids=lambda rule: rule.__name__)
def test_every_python_file_keeps_the_rule(rule: house.Rule) -> None:
    """No Python file of the tree breaks a house rule."""
    found = [f"{path}:{message}" for path, text in _files(".py") for message in rule(path, text)]
    assert not found, "\n".join(found)


def test_every_text_is_finished_and_belongs_to_no_machine() -> None:
    """No file of the tree is left unfinished or names a path of the machine it was written on."""
    found = [f"{path}:{message}" for path, text in _files() for message in house.words(path, text)]
    assert not found, "\n".join(found)


def test_nothing_else_stands_at_the_top() -> None:
    """The top of the tree holds what the map in DEVELOPERS.md names, and hidden files."""
    here = {path.name for path in TOP.iterdir() if not path.name.startswith(".")} - MADE
    assert here <= STANDS, f"move {sorted(here - STANDS)} into one of the folders"


def test_the_map_is_complete() -> None:
    """DEVELOPERS.md has one line for each file of the program, and none for a file that is gone."""
    text = (TOP / "DEVELOPERS.md").read_text()
    mapped = set()
    for part in re.split(r"^\*\*(?=d)", text, flags=re.MULTILINE)[1:]:
        folder = part.partition("/**")[0]
        mapped |= {f"{folder}/{name}" for name in re.findall(r"^- `(\w+\.py)`: ", part, re.MULTILINE)}
    there = {path for path, _ in _files(".py") if path.startswith(("daemon/", "drivers/"))}
    there -= {path for path in there if path.endswith("/__init__.py")}
    assert not there - mapped, "give them a line in the map of DEVELOPERS.md"
    assert not mapped - there, "take their lines out of the map of DEVELOPERS.md"


def test_scripts_are_executable_and_strict() -> None:
    """Every shell script can be run as it lies there and stops at unset variables."""
    scripts = [path for path, text in _files() if text.startswith("#!")]
    assert {"deploy/quickstart", "tests/run.sh"} <= set(scripts)
    for path, text in _files():
        if text.startswith("#!/usr/bin/env bash"):
            assert (TOP / path).stat().st_mode & 0o111, f"{path}: chmod +x"
            assert "\nset -euo pipefail" in text or "\nset -uo pipefail" in text, f"{path}: set -euo pipefail"


@pytest.mark.parametrize(("rule", "path", "text"), BAD, ids=lambda x: getattr(x, "__name__", None))
def test_a_rule_catches_what_it_is_for(rule: house.Rule, path: str, text: str) -> None:
    """A bad line is found, with its number and what to do instead."""
    found = list(rule(path, text))
    assert found
    assert all(message.partition(":")[0].isdigit() and len(message.split()) > 4 for message in found)


@pytest.mark.parametrize(("rule", "path", "text"), GOOD, ids=lambda x: getattr(x, "__name__", None))
def test_a_rule_leaves_good_code_alone(rule: house.Rule, path: str, text: str) -> None:
    """A good line is not found."""
    assert not list(rule(path, text))
