"""Rows from the loop to the writer, and the writer's word back to the loop's inbox."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext

from nightheron.journal.draft import Draft, Queue
from nightheron.journal.writer import Journal
from nightheron.model import JsonValue
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.inbox import Inbox, JournalNews, RowsCommitted


class JournalLink:
    """The loop's ``JournalPort`` over a writer; its two callbacks are for the writer to call."""

    def __init__(self, clock: ClockPort, inbox: Inbox) -> None:
        self._clock, self._inbox = clock, inbox
        self._writer: Journal | None = None

    def connect(self, writer: Journal) -> None:
        """From here on rows go to this writer."""
        self._writer = writer

    def put(
        self,
        kind: str,
        body: dict[str, JsonValue],
        inputs: bytes | None,
        token: int,
        *,
        urgent: bool,
        queue: Queue = (),
    ) -> bool:
        """Hand one row over with the present times; False when it cannot be taken."""
        if self._writer is None:
            return False
        draft = Draft(
            kind=kind,
            utc=rfc3339(self._clock.utc()),
            boot=self._clock.boot_id(),
            mono_ns=self._clock.now_ns(),
            body=body,
            inputs=inputs,
            clock_synced=self._clock.synced(),
            queue=queue,
        )
        return self._writer.put(draft, token, urgent)

    def together(self) -> AbstractContextManager[None]:
        """Rows put within are committed in one transaction."""
        return nullcontext() if self._writer is None else self._writer.together()

    def committed(self, tokens: Sequence[int]) -> None:
        """The writer's: these rows are on disk."""
        self._inbox.post(RowsCommitted(tuple(tokens)))

    def state(self, well: bool, replaced: bool) -> None:
        """The writer's: it cannot commit, can again, or began anew."""
        self._inbox.post(JournalNews(well, replaced))
