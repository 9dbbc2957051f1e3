"""Who may have the journal archived, and when packs are thinned."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from nightheron.journal import query
from nightheron.journal.keeping import Keeping
from nightheron.journal.store import Store
from nightheron.journal.verify import verify
from nightheron.journal.writer import Writer
from nightheron.model import NS
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.control import Control
from nightheron.runtime.housekeeping import Housekeeping, stamp
from nightheron.runtime.inbox import Inbox

from tests.support.old_journals import BEGINS, PER_DAY, all_work, days

COUNT = 6


class Unsynced(VirtualClock):
    """A wall clock that nobody keeps right."""

    def synced(self) -> bool:
        return False


class Site:
    """A writer at work on six days, its housekeeping, and a control socket."""

    def __init__(self, folder: Path) -> None:
        self.clock = VirtualClock(utc=BEGINS)
        self.clock.advance(COUNT * 86400 * NS)
        self.store: Store = days(folder, COUNT)
        keeping = Keeping(self.store, stamp(self.clock))
        self.writer = Writer(self.store, lambda _: None, lambda *_: None, chore=keeping.work).start()
        self.keeping = Housekeeping(keeping, 2, self.clock, self.writer.nudge)
        self.control = Control(folder, Inbox(), dict, self.clock, self.keeping.seal)
        self.control.start()
        self.socket = folder / "control.sock"

    def ask(self, **request: object) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(20)
            link.connect(str(self.socket))
            link.sendall(json.dumps({"ask": "seal"} | request).encode() + b"\n")
            answer = json.loads(link.makefile().readline())
        assert isinstance(answer, dict)
        return answer

    def hash_at(self, seq: int) -> str:
        return next(row.hash for row in query.rows(self.store.path) if row.seq == seq)


@contextmanager
def made(folder: Path) -> Iterator[Site]:
    site = Site(folder)
    try:
        yield site
    finally:
        site.control.stop()
        site.writer.stop(20)


def test_the_service_seals_what_its_own_user_archived(tmp_path: Path) -> None:
    """A request with the right entry and hash is sealed with the asker's name, and the entries go."""
    with made(tmp_path) as site:
        answer = site.ask(last_seq=24, last_hash=site.hash_at(24), file="/mnt/old.db")
        assert answer == {"ok": True, "error": None}
    seal = query.last_entry(site.store.path, "seal")
    assert seal is not None
    assert (seal["last_seq"], seal["file"]) == (24, "/mnt/old.db")
    assert seal["by"]


@pytest.mark.parametrize(
    "request_",
    [
        {"last_seq": 24},
        {"last_seq": True, "last_hash": "x", "file": "f"},
        {"last_seq": 2**70, "last_hash": "x", "file": "f"},
        {"last_seq": -1, "last_hash": "x", "file": "f"},
        {"last_seq": 24, "last_hash": 7, "file": "f"},
        {"last_seq": 24, "last_hash": "x", "file": ""},
        {"last_seq": 24, "last_hash": "x", "file": "f" * 1001},
        {"last_seq": 24, "last_hash": "0" * 64, "file": "f"},
    ],
)
def test_a_request_that_does_not_fit_changes_nothing(tmp_path: Path, request_: dict[str, Any]) -> None:
    """Whatever else is asked is refused in words, and the writer lives and has every entry."""
    with made(tmp_path) as site:
        answer = site.ask(**request_)
        assert answer["ok"] is False
        assert answer["error"]
        assert site.writer.alive
    assert verify(site.store.path).entries == COUNT * PER_DAY


def test_others_may_not_have_it_archived(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever could not remove the file itself may not have its entries removed."""
    monkeypatch.setattr("nightheron.runtime.control._uid", lambda peer: os.geteuid() + 1)
    with made(tmp_path) as site:
        answer = site.ask(last_seq=24, last_hash=site.hash_at(24), file="f")
    assert (answer["ok"], "root" in answer["error"]) == (False, True)
    assert verify(site.store.path).entries == COUNT * PER_DAY


@pytest.mark.parametrize(("kind", "bare"), [(VirtualClock, 4 * (PER_DAY - 2)), (Unsynced, 0)])
def test_a_new_date_thins_what_became_old(tmp_path: Path, kind: type[VirtualClock], bare: int) -> None:
    """At a new date packs older than ``keep_days`` go, unless nobody keeps the clock right."""
    store, clock, nudged = days(tmp_path, COUNT), kind(utc=BEGINS), [0]
    clock.advance((COUNT * 86400 + 60) * NS)
    keeping = Keeping(store, stamp(clock))
    Housekeeping(keeping, 2, clock, lambda: nudged.append(1)).day()
    assert nudged == [0, 1]
    all_work(keeping)
    store.close()
    result = verify(store.path)
    assert (result.ok, result.claims.bare_rows) == (True, bare)
