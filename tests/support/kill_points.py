"""Kill a process of the service at its N-th call that moves anything out or in: see kill_points.c."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.support.preload import preload


def built(folder: Path) -> Path:
    """The library to preload, compiled into this folder."""
    return preload("kill_points", folder)


@dataclass(frozen=True)
class Kill:
    """Which call of "guard" or "courier" is not made: the ``number``-th with this name, or of all.

    "both" counts the calls of a courier, and kills the guard with it. Number 0 only counts.
    """

    whom: str
    number: int
    name: str = ""


class KillPoints:
    """One point at a time, in processes that were started with ``environment``."""

    def __init__(self, folder: Path, library: Path) -> None:
        self._armed, self._points = folder / "armed", folder / "points"
        self.environment = {"LD_PRELOAD": str(library), "KILL_POINTS": str(folder)}

    def arm(self, kill: Kill) -> None:
        """From now on count, and kill before the call that is meant."""
        whole = self._armed.with_suffix(".new")
        whole.write_text(f"{kill.whom} {kill.number} {kill.name}\n")
        whole.replace(self._armed)

    def disarm(self) -> None:
        """Count and kill no more."""
        self._armed.unlink(missing_ok=True)

    @property
    def fired(self) -> bool:
        """The armed point was met."""
        return not self._armed.exists()

    def seen(self) -> list[str]:
        """The calls that were counted, in order."""
        if not self._points.exists():
            return []
        lines = (line.split("\t") for line in self._points.read_text().splitlines())
        return [name for _, name in sorted((int(number), name) for number, name in lines)]
