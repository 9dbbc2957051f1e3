"""The disk as a power cut can leave it, for every moment of a run: what was written, what may be lost.

A run of the service's own loop is traced by ``disk_trace.c``. What was synced is there; of what was written
since, a disk may have kept all, nothing, the last write alone, or the last one torn, and one file's writes
without another's. Names that were made, changed or removed count once their folder was synced.

    python -m tests.support.power_cut FOLDER      is the run that is traced
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from nightheron.journal import connect
from nightheron.journal.chain import Row
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.model import NS
from nightheron.rig.nights import site as plant_of
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualSite
from nightheron.settings import load

from tests.support.preload import preload
from tests.support.short_night import ALONE, CHAMBER

SECTOR = 512
ACKED = "acked"
"""A file to which the traced run adds ``seq hash`` once a commit has returned."""
BEGINS = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
Files = dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Call:
    """A thing done to the folder: write, truncate, sync, create, unlink, rename (``data``: the new name)."""

    what: str
    name: str
    at: int
    data: bytes


@dataclass(eq=False)
class Inode:
    """One file, whatever its name is: what is surely on disk, and what was done since."""

    durable: bytes = b""
    pending: list[Call] = field(default_factory=list)

    def with_calls(self, calls: list[Call]) -> bytes:
        """Its content if of all that is pending just these calls reached the disk."""
        content = bytearray(self.durable)
        for call in calls:
            if call.what == "truncate":
                content = content[: call.at].ljust(call.at, b"\0")
            else:
                content = content.ljust(call.at, b"\0")
                content[call.at : call.at + len(call.data)] = call.data
        return bytes(content)

    def ways(self) -> Iterator[bytes]:
        """Everything, nothing, the last alone, and the last one torn, after all before it and without."""
        yield self.with_calls(self.pending)
        yield self.durable
        if self.pending:
            *before, last = self.pending
            yield self.with_calls([last])
            for torn in _torn(last):
                yield self.with_calls([*before, torn])
                yield self.with_calls([torn])


def _torn(call: Call) -> Iterator[Call]:
    """The call with its data cut at each sector, and in its middle where it is smaller than that."""
    if call.what != "write":
        return
    cuts = range(SECTOR - call.at % SECTOR, len(call.data), SECTOR) or [len(call.data) // 2]
    for cut in cuts:
        yield Call("write", call.name, call.at, call.data[:cut])


class Disk:
    """A folder that is followed call by call."""

    def __init__(self) -> None:
        self.now: dict[str, Inode] = {}
        self.synced: dict[str, Inode] = {}

    def take(self, call: Call) -> None:
        """One call more."""
        if call.what == "create":
            self.now[call.name] = Inode()
        elif call.what == "unlink":
            del self.now[call.name]
        elif call.what == "rename":
            self.now[call.data.decode()] = self.now.pop(call.name)
        elif call.what == "sync" and call.name == ".":
            self.synced = dict(self.now)
        elif call.what == "sync":
            inode = self.now[call.name]
            inode.durable, inode.pending = inode.with_calls(inode.pending), []
        else:
            self.now[call.name].pending.append(call)

    def cut(self) -> Iterator[Files]:
        """Every folder that a power cut now can leave, some of them more than once."""
        for names in (self.now, self.synced):
            whole = {name: inode.with_calls(inode.pending) for name, inode in names.items()}
            bare = {name: inode.durable for name, inode in names.items()}
            yield bare
            for name, inode in names.items():
                for content in inode.ways():
                    yield whole | {name: content}
                    yield bare | {name: content}


def calls(trace: Path) -> Iterator[Call]:
    """The calls of a trace, in order."""
    data, at = trace.read_bytes(), 0
    while at < len(data):
        end = data.index(b"\n", at)
        what, name, where, size = data[at:end].decode().split(" ")
        at = end + 1 + int(size)
        yield Call(what, name, int(where), data[end + 1 : at])


@dataclass(frozen=True, slots=True)
class Left:
    """One folder that a power cut left, and the newest row that had been confirmed by then."""

    files: tuple[tuple[str, bytes], ...]
    seq: int
    hash: str


def power_cuts(trace: Path) -> Iterator[Left]:
    """Every different folder that a power cut at any moment of the trace can leave."""
    disk, acked = Disk(), (0, "")
    known: set[Left] = set()
    for call in calls(trace):
        if call.name == ACKED:
            if call.what == "write":
                seq, hashed = call.data.decode().split()
                acked = int(seq), hashed
            continue
        disk.take(call)
        for files in disk.cut():
            left = Left(tuple(sorted(files.items())), *acked)
            if left not in known:
                known.add(left)
                yield left


def traced(folder: Path, synchronous: int = 2) -> Path:
    """Play the run into ``folder``/data under the trace; the path of the trace. 2: as it is kept."""
    library, trace, data = preload("disk_trace", folder), folder / "trace", folder / "data"
    data.mkdir()
    variables = {"LD_PRELOAD": str(library), "DISK_TRACE": str(trace), "DISK_FOLDER": str(data)}
    words = [sys.executable, "-m", "tests.support.power_cut", str(data), str(synchronous)]
    top = Path(__file__).resolve().parents[2]
    subprocess.run(words, check=True, timeout=120, cwd=top, env=os.environ | variables)  # noqa: S603 - our own words
    return trace


def starts(folder: Path, boot: str) -> tuple[VirtualRun, VirtualSite]:
    """The service starts in ``folder``, over water that had its gas open."""
    config = folder / "nightheron.toml"
    config.write_text(ALONE.replace(CHAMBER, "west"))
    water = VirtualSite(plant_of(7))
    water.plant.bays["west"].valve.order("OPEN 5.0")
    return VirtualRun(load(config, {}), VirtualClock(1000 * NS, BEGINS, boot), water), water


def main() -> None:
    """Two runs: one killed, one that stops; the write-ahead file is folded in now and then meanwhile."""
    folder = Path(sys.argv[1])
    changed: dict[str, object] = {"wal_autocheckpoint": 40, "synchronous": int(sys.argv[2])}
    connect.PRAGMAS = tuple((name, changed.get(name, value)) for name, value in connect.PRAGMAS)
    acked = os.open(folder / ACKED, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    append = Store.append

    def confirmed(self: Store, drafts: Sequence[Draft]) -> list[Row]:
        rows = append(self, drafts)
        os.write(acked, f"{self.head.seq} {self.head.hash}\n".encode())
        return rows

    Store.append = confirmed  # type: ignore[method-assign]  # to know what was confirmed
    first, _ = starts(folder, "one")
    first.live(190)
    first.die()
    second, _ = starts(folder, "two")
    second.live(20)
    second.stop("the run is over")


if __name__ == "__main__":
    main()
