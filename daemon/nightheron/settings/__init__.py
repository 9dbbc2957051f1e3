"""The configuration: read, validated and explained. What is needed without pydantic stays light."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from nightheron.settings.faults import BadConfiguration, KeyFault
from nightheron.settings.source import (
    DEFAULT_PATH,
    data_dir_fault,
    data_dir_of,
    environment_faults,
)

if TYPE_CHECKING:
    from nightheron.settings.reckon import BudgetRow
    from nightheron.settings.site import Site

__all__ = [
    "DEFAULT_PATH",
    "BadConfiguration",
    "KeyFault",
    "budget",
    "data_dir_fault",
    "data_dir_of",
    "environment_faults",
    "load",
    "warnings",
]


def load(path: Path, environ: Mapping[str, str]) -> Site:
    """The configuration at ``path``. Raises BadConfiguration with every fault found."""
    from nightheron.settings.loader import load as load_site

    return load_site(path, environ)


def warnings(site: Site) -> list[KeyFault]:
    """What a careful person would still ask about a valid configuration."""
    from nightheron.settings.cautions import cautions

    return cautions(site)


def budget(site: Site) -> tuple[BudgetRow, ...]:
    """The response-time budget, every chamber and every cause."""
    from nightheron.settings.reckon import reckon

    return reckon(site)
