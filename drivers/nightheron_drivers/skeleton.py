"""A working probe driver to copy: the newest number in a small file that another program rewrites.

To make your own:

1.  Copy this file into your package, rename the classes, and say in this docstring which hardware it
    was tried on and how far you trust it.
2.  ``Options`` are the keys a person writes beside ``driver``, ``unit``, ``period_s`` and ``stale_s``.
    Keep ``extra="forbid"``: a mistyped key must be an error. Put units in the names.
3.  ``readings`` runs in a thread of its own and may block, but yields at least every MOST_WAIT_S, and
    ends soon after ``close``. It never raises: a device that is gone is None, None, None, and then
    readings again when it is back. The guard sees the silence by itself.
4.  Yield a value only for what the device measured now. What is old, half, doubtful or no number is
    yielded with ``value=None`` and a reason word in ``refused``; keep what was received in ``raw``,
    escaped and cut. Never repeat a value, never fill a gap, never smooth.
5.  Stamp ``at_ns`` on arrival with ``boottime_ns``, not with a time of the device or the wall.
6.  Name it in your pyproject.toml:

        [project.entry-points."nightheron.probes"]
        myprobe = "my_package.my_module:SkeletonProbe"

7.  Let your tests call ``nightheron_drivers.conformance.check_probe``.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.linebus import LINE_MOST, escaped
from nightheron_drivers.numbers import decimal
from nightheron_drivers.protocols import Broker, Heard

LOOK_EVERY_S = 0.25


class SkeletonOptions(BaseModel):
    """The file to read; whoever writes it replaces it whole, with one number in it."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    path: Annotated[str, Field(min_length=1)]


class SkeletonSource:
    """One file with one probe's number in it."""

    def __init__(self, probe: str, path: Path) -> None:
        self._probe = probe
        self._path = path
        self._closed = threading.Event()

    def close(self) -> None:
        """Ask ``readings`` to end; called from another thread."""
        self._closed.set()

    def readings(self) -> Iterator[Heard | None]:
        """A reading each time the file was written; what stood in it before we looked is old."""
        seen = self._written_ns()
        while not self._closed.is_set():
            written = self._written_ns()
            if written is not None and written != seen:
                yield self._read()
            else:
                yield None
            seen = written
            self._closed.wait(LOOK_EVERY_S)

    def _written_ns(self) -> int | None:
        try:
            return self._path.stat().st_mtime_ns
        except OSError:
            return None

    def _read(self) -> Heard | None:
        try:
            with self._path.open("rb") as file:
                data = file.read(LINE_MOST + 1)
        except OSError:
            return None
        text = data.decode("ascii", "backslashreplace").strip()
        value = decimal(text) if len(data) <= LINE_MOST else None
        refused = None if value is not None else "not_a_number"
        return Heard(self._probe, boottime_ns(), value, escaped(data.strip()), refused)


class SkeletonProbe:
    """The driver: what the entry point names."""

    Options: type[BaseModel] = SkeletonOptions

    @staticmethod
    def sources(
        probes: Mapping[str, SkeletonOptions], stale_s: Mapping[str, float], broker: Broker | None, site: str
    ) -> Sequence[SkeletonSource]:
        """One source per bus; here each file is a bus of its own."""
        return [SkeletonSource(probe, Path(options.path)) for probe, options in probes.items()]
