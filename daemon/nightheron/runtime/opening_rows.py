"""The rows a start writes before anything is decided: the unwatched gap, the start, the configuration."""

from __future__ import annotations

from collections.abc import Sequence

from nightheron.model import JsonValue
from nightheron.runtime.startup import Before
from nightheron.version import program_version

VERSION = program_version()


def gap_row(before: Before) -> dict[str, JsonValue] | None:
    """The time nobody watched, or None on the first start."""
    return before.gap


def start_row(before: Before, config_sha256: str, pid: int, *, synced: bool) -> dict[str, JsonValue]:
    """Who starts, from what, and how often that happened lately."""
    unclean = len(before.start_ages_s)
    ages: Sequence[float] = before.start_ages_s
    return {
        "version": VERSION,
        "config_sha256": config_sha256,
        "pid": pid,
        "clean": before.clean,
        "unclean_starts": unclean,
        "start_ages_s": [round(age, 3) for age in ages],
        "clock_synced": synced,
        "text": f"nightheron {VERSION} starts; {unclean} unclean starts in the last hour of running",
    }


def config_row(effective: dict[str, JsonValue], config_sha256: str) -> dict[str, JsonValue]:
    """What the service runs from, without secrets."""
    return {
        "version": VERSION,
        "config_sha256": config_sha256,
        "config": effective,
        "text": f"configuration {config_sha256[:12]} accepted",
    }


def stop_row(why: str, unacknowledged: Sequence[str] = ()) -> dict[str, JsonValue]:
    """The service ends in good order; ``unacknowledged`` are the chambers whose close nobody confirmed."""
    return {
        "version": VERSION,
        "why": why,
        "unacknowledged": list(unacknowledged),
        "text": f"the service stops ({why}); {close_text(unacknowledged)}",
    }


def close_text(unacknowledged: Sequence[str]) -> str:
    """What is known of the gas at a stop."""
    if unacknowledged:
        return f"close not acknowledged by: {', '.join(unacknowledged)}"
    return "every valve acknowledged the close"
