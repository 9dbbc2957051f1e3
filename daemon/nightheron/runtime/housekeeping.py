"""Old entries of the journal: thinned when the calendar says so, sealed when somebody has archived them.

The calendar asks, the writer's thread does it in small pieces between rows; neither the loop nor any
decision knows of it. Where nobody keeps the wall clock right, nothing is thinned: its age is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any

from nightheron.journal.draft import Draft
from nightheron.journal.keeping import Keeping, Sealing
from nightheron.model import JsonValue
from nightheron.runtime.clock import ClockPort, rfc3339

SEALED_WITHIN_S = 2.0
FILE_MOST = 1000


def stamp(clock: ClockPort) -> Callable[[str, dict[str, JsonValue]], Draft]:
    """Drafts with the present times."""

    def draft(kind: str, body: dict[str, JsonValue]) -> Draft:
        return Draft(
            kind=kind,
            utc=rfc3339(clock.utc()),
            boot=clock.boot_id(),
            mono_ns=clock.now_ns(),
            body=body,
            clock_synced=clock.synced(),
        )

    return draft


class Housekeeping:
    """Asks the journal's writer for what is due; ``nudge`` wakes it."""

    def __init__(self, keeping: Keeping, keep_days: int, clock: ClockPort, nudge: Callable[[], None]) -> None:
        self._keeping, self._keep_days, self._clock, self._nudge = keeping, keep_days, clock, nudge

    def day(self) -> None:
        """A new date, or a start: thin what became old."""
        if self._clock.synced():
            self._keeping.thin(rfc3339(self._clock.utc() - timedelta(days=self._keep_days)))
        self._nudge()

    def seal(self, request: Mapping[str, Any], who: str) -> str | None:
        """Seal an archive; why it was not done, None when it was. For the control socket's thread."""
        number, last_hash, file = (request.get(name) for name in ("last_seq", "last_hash", "file"))
        if type(number) is not int or not 0 < number < 2**63 - 1 or not isinstance(last_hash, str):
            return "the request names no entry and hash"
        if not isinstance(file, str) or not 0 < len(file) <= FILE_MOST:
            return "the request names no file"
        asked = Sealing(number, last_hash, file, who)
        if not self._keeping.seal(asked):
            return "another archive is being sealed"
        self._nudge()
        if not asked.done.wait(SEALED_WITHIN_S):
            return (
                "the journal did not answer within 2 s; nightheron log --kind seal tells whether it was done"
            )
        return asked.refused
