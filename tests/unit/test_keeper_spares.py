"""The spare keeper, when the machine has none to give."""

from __future__ import annotations

import errno
import os

import pytest
from nightheron.runtime import keeper_client
from nightheron.runtime.keeper_link import KeeperProcess

from tests.support.devices import wait_until
from tests.support.keeping import Keeping, serial_plans


def test_a_machine_without_a_process_to_spare_ends_no_guard(monkeypatch: pytest.MonkeyPatch) -> None:
    """A spare that cannot be started is tried again later, and nothing is raised in the guard's loop."""
    tries: list[int] = []

    def none_left(*_: object) -> KeeperProcess:
        tries.append(1)
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr(keeper_client, "KeeperProcess", none_left)
    made = Keeping(serial_plans("/dev/none", {"west/0": ("open", "close")}))
    try:
        made.wait(lambda: len(tries) >= 2, what="a second try")
        monkeypatch.undo()
        made.wait(lambda: any(said.alive for said in made.lives()), what="a keeper")
        assert wait_until(lambda: len(made.pids()) == 1, what="its process") is not None
    finally:
        made.keepers.end(3.0)
