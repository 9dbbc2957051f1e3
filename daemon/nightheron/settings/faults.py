"""What can be wrong with a configuration: a key and one sentence."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KeyFault:
    """One fault or warning; ``key`` as a person would look for it, e.g. ``chamber.west.floor_ph``."""

    key: str
    why: str

    def __str__(self) -> str:
        return f"{self.key}: {self.why}"


class BadConfiguration(Exception):  # noqa: N818 - it names the state of the file, as the commands say it
    """The configuration cannot be used. Carries every fault found, never the text of a secret."""

    def __init__(self, faults: tuple[KeyFault, ...]) -> None:
        super().__init__("\n".join(str(f) for f in faults))
        self.faults = faults


class Faults:
    """Collects faults, the first of each key only: a second would be an echo of the first."""

    def __init__(self) -> None:
        self._found: dict[str, KeyFault] = {}

    def add(self, key: str, why: str) -> None:
        """Note one fault unless this key has one."""
        self._found.setdefault(key, KeyFault(key, why))

    def __len__(self) -> int:
        return len(self._found)

    def stop_if_any(self) -> None:
        """Raise BadConfiguration when anything was found."""
        if self._found:
            raise BadConfiguration(tuple(self._found.values()))
