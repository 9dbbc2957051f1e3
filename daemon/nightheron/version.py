"""The version of the program as it is installed."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """As the package's metadata says; ``unknown`` when it runs from a bare tree."""
    try:
        return version("nightheron")
    except PackageNotFoundError:
        return "unknown"
