"""Tests run beside each other in several processes; what measures has the machine to itself.

Most tests of faults/ and system/ wait for leases and freezes, so several at a time cost little. Whatever is
in bench/ or marked ``alone`` waits until every other test has ended, and the others wait for it. Two locks on
files do it: a test holds the room shared, a lonely one whole; the door keeps late comers from overtaking. A
lock ends with its process, so a crashed worker holds up nobody.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling  # type: ignore[import-untyped]  # has no types

# How long one example takes says how busy the machine is; what must be quick is measured in tests/bench.
settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")

TOP = Path(__file__).resolve().parents[1]
BENCH = TOP / "tests" / "bench"


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known."""
    config.addinivalue_line("markers", "alone: no other test may run meanwhile, for this one measures")


class Sharing(LoadScopeScheduling):  # type: ignore[misc]  # its base has no types
    """Hands out single tests, but the whole of a file whose tests share what the file made."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        return file if makes_once(TOP / file) else nodeid


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Sharing:
    """Which test goes to which worker; xdist's own groups are not kept by every release of pytest."""
    return Sharing(config, log)


@cache
def makes_once(file: Path) -> bool:
    """The file has a fixture that is made once for all its tests."""
    return 'scope="module"' in file.read_text("utf-8")


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Outside pytest-timeout's own wrapper: waiting for one's turn is not the test's time."""
    alone = BENCH in item.path.parents or item.get_closest_marker("alone") is not None
    with turn(shared_folder(item), alone=alone):
        return (yield)


def shared_folder(item: pytest.Item) -> Path | None:
    """The folder that all workers of this run have in common; None without workers."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return None
    factory: Any = item.config._tmp_path_factory  # type: ignore[attr-defined]  # fixtures are not up yet
    return Path(factory.getbasetemp()).parent


@contextmanager
def turn(folder: Path | None, *, alone: bool) -> Iterator[None]:
    """Hold the room, whole or shared, for the length of one test."""
    if folder is None:
        yield
        return
    with ExitStack() as stack:
        with locked(folder / "door", fcntl.LOCK_EX if alone else fcntl.LOCK_SH):
            stack.enter_context(locked(folder / "room", fcntl.LOCK_EX if alone else fcntl.LOCK_SH))
        yield


@contextmanager
def locked(path: Path, how: int) -> Iterator[None]:
    """A lock on a file; children do not inherit it."""
    with path.open("ab") as file:
        fcntl.flock(file, how)
        yield
