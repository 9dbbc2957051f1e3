"""The one writer of the journal: takes rows at once, commits them in groups, and never gives one up.

The guard's loop hands rows over and goes on; only this thread touches the file. Urgent rows
are committed as soon as the commit before them is done, all that wait together. Routine rows may
wait up to ``GROUP_S`` for company. When the file cannot be written the rows stay queued, in order,
and the same commit is tried again for ever. What does not fit the bounded queue is counted, and
the count becomes a ``gap`` row where the lost rows would stand.

No clock is read here: rows bring their times, and ``oldest_wait_s`` is told the time, so that the
guard sees a stall also while this thread hangs in a sync of the disk.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Protocol

from nightheron.journal.draft import Draft, Head, row_after
from nightheron.journal.store import Replaced, Store, Unavailable
from nightheron.model import NS, JsonValue

CAPACITY = 4096
BATCH = 256
GROUP_S = 1.0
RETRY_FIRST_S = 0.1
RETRY_MOST_S = 2.0
PATIENCE_S = 15.0
"""So much waiting between failed tries is borne before the journal is called unwell."""


Chore = Callable[[], float | None]
"""One small piece of work on the journal, done while no urgent row waits: it returns in how many seconds the
next piece is to be done, or None when there is nothing more to do."""


class Journal(Protocol):
    """What the service's loop needs of a writer."""

    def put(self, draft: Draft, token: int | None, urgent: bool) -> bool: ...

    def together(self) -> AbstractContextManager[None]: ...

    def oldest_wait_s(self, now_ns: int) -> float: ...


@dataclass(slots=True)
class _Waiting:
    draft: Draft
    token: int | None
    urgent: bool
    joined: bool = False
    """It belongs into the transaction of the row before it."""


class DirectWriter:
    """Commits inside ``put``, in the caller's thread: for simulated nights, where time waits.

    ``on_committed`` gets the tokens of rows that are on disk, in order; ``on_state`` gets (well, replaced)
    on every change. Both are called in the committing thread and must not block.
    """

    def __init__(
        self,
        store: Store,
        on_committed: Callable[[list[int]], None],
        on_state: Callable[[bool, bool], None],
        capacity: int = CAPACITY,
    ) -> None:
        self.store, self.capacity = store, capacity
        self.why = ""
        """What stands in the way of the next commit; empty when nothing does."""
        self._on_committed, self._on_state = on_committed, on_state
        self._changed = threading.Condition()
        self._queue: deque[_Waiting] = deque()
        self._lost = 0
        self._last_lost: Draft | None = None
        self._left: Head | None = None
        self._why_anew = store.why_new
        self._begun, self._well = True, True
        self._together: int | None = None
        """How many rows of those that belong together were taken; None outside."""

    def put(self, draft: Draft, token: int | None, urgent: bool) -> bool:
        """Take a row and commit it; False when the queue is full, which counts it as lost."""
        taken = self._take(draft, token, urgent)
        if self._together is None:
            self._commit_all()
        return taken

    @contextmanager
    def together(self) -> Iterator[None]:
        """Rows that are put within are committed in one transaction. Never waits for the disk."""
        with self._changed:
            self._together = 0
            try:
                yield
            finally:
                self._together = None
        self._after_together()

    def _after_together(self) -> None:
        self._commit_all()

    def oldest_wait_s(self, now_ns: int) -> float:
        """How long the longest waiting row has waited (CLOCK_BOOTTIME ns, as the rows bring it)."""
        with self._changed:
            oldest = self._queue[0].draft.mono_ns if self._queue else now_ns
        return max(0, now_ns - oldest) / NS

    @property
    def waiting(self) -> int:
        """Rows taken and not yet on disk."""
        return len(self._queue)

    def stop(self, deadline_s: float) -> bool:
        """Commit what waits and close the file; True when nothing was left behind."""
        self._commit_all()
        self.store.close()
        return not self._queue

    def _commit_all(self) -> None:
        while self._queue:
            # The second try begins a fresh journal, or goes on without a row that cannot be stored.
            if not (self._attempt() or self._attempt()):
                self._unwell()
                return

    def _unwell(self) -> None:
        if self._well:
            self._well = False
            self._on_state(False, False)

    def _take(self, draft: Draft, token: int | None, urgent: bool) -> bool:
        with self._changed:
            if len(self._queue) >= self.capacity:
                self._lost, self._last_lost = self._lost + 1, draft
                return False
            self._queue.append(_Waiting(draft, token, urgent, joined=bool(self._together)))
            if self._together is not None:
                self._together += 1
            self._changed.notify()
        return True

    def _attempt(self) -> bool:
        """One commit of what waits, first rows first. True when it is on disk."""
        with self._changed:
            group = self._next_group()
        if not group:
            return True
        try:
            if not self._begun:
                self.store.begin_anew(group[0].draft.utc, self._why_anew or "the journal was lost")
                self._begun = True
            drafts = [waiting.draft for waiting in group]
            if self._why_anew:
                drafts.insert(0, self._gap_anew(group[0].draft))
            self.store.append(drafts)
        except Unavailable as fault:
            self.why = str(fault)
            return False
        except Replaced as fault:
            self._left = self._left or self.store.head
            self._why_anew, self._begun, self.why = str(fault), False, str(fault)
            return False
        except (ValueError, TypeError, OverflowError) as fault:
            self._replace_unwritable(group, fault)
            return False
        self._committed(group)
        return True

    def _next_group(self) -> list[_Waiting]:
        """The next rows, about BATCH of them; those that belong together are not parted."""
        group: list[_Waiting] = []
        for waiting in self._queue:
            if len(group) >= BATCH and not waiting.joined:
                break
            group.append(waiting)
        return group

    def _committed(self, group: list[_Waiting]) -> None:
        with self._changed:
            for _ in group:
                self._queue.popleft()
            self._note_lost()
            self._changed.notify_all()
        anew, self._why_anew = self._left is not None, None
        self._left, self.why = None, ""
        if anew or not self._well:
            self._well = True
            self._on_state(True, anew)
        tokens = [waiting.token for waiting in group if waiting.token is not None]
        if tokens:
            self._on_committed(tokens)

    def _note_lost(self) -> None:
        """Rows were lost to a full queue: say so where they would stand. There is room now."""
        if self._last_lost:
            body: dict[str, JsonValue] = {
                "text": f"{self._lost} rows were lost: the journal could not be written, the queue was full",
                "why": "queue_full",
                "rows_lost": self._lost,
            }
            gap = replace(self._last_lost, kind="gap", body=body, inputs=None, chamber=None)
            self._queue.append(_Waiting(gap, None, True))
            self._lost, self._last_lost = 0, None

    def _gap_anew(self, first: Draft) -> Draft:
        """The first row of a chain that follows a lost one."""
        left = self._left
        body: dict[str, JsonValue] = {
            "text": f"{self._why_anew}; a fresh one begins here",
            "why": "journal_new",
            "previous_seq": left.seq if left else None,
            "previous_head": left.hash if left else None,
            "previous_genesis": self.store.genesis or None,
            "set_aside": self.store.set_aside.name if self.store.set_aside else None,
        }
        return replace(first, kind="gap", body=body, inputs=None, chamber=None)

    def _replace_unwritable(self, group: list[_Waiting], fault: Exception) -> None:
        """A body that cannot be stored must not block the rows behind it; nothing may rest on it either."""
        for waiting in group:
            with suppress(ValueError, TypeError, OverflowError):
                row_after(waiting.draft, self.store.head)
                continue
            body: dict[str, JsonValue] = {
                "text": f"a row of kind {waiting.draft.kind} could not be stored: {fault}",
                "why": "unwritable",
                "rows_lost": 1,
            }
            waiting.draft = replace(waiting.draft, kind="gap", body=body, inputs=None)
            waiting.token = None


class Writer(DirectWriter):
    """The writer of the service: a thread of its own, ``put`` never blocks. Call ``start`` once."""

    def __init__(
        self,
        store: Store,
        on_committed: Callable[[list[int]], None],
        on_state: Callable[[bool, bool], None],
        capacity: int = CAPACITY,
        chore: Chore | None = None,
    ) -> None:
        super().__init__(store, on_committed, on_state, capacity)
        self._ending, self._given_up = False, False
        self._chore, self._nudged = chore, False
        self._pause_s: float | None = None
        """Until the next piece of the chore; None when it has nothing to do."""
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def start(self) -> Writer:
        """Begin to commit."""
        self._thread.start()
        return self

    @property
    def alive(self) -> bool:
        """The thread runs."""
        return self._thread.is_alive()

    def put(self, draft: Draft, token: int | None, urgent: bool) -> bool:
        """Take a row; False when the queue is full, which counts it as lost. Never waits for the disk."""
        return self._take(draft, token, urgent)

    def nudge(self) -> None:
        """The chore has something to do now."""
        with self._changed:
            self._nudged = True
            self._changed.notify_all()

    def _after_together(self) -> None:
        """The thread has been told of each row, and commits them in its own time."""

    def settle(self, deadline_s: float) -> bool:
        """Wait, no longer than this, until every row taken is on disk; True when it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._queue, deadline_s)

    def stop(self, deadline_s: float) -> bool:
        """Commit what waits and close the file, within the deadline; True when nothing was left behind."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        self._thread.join(deadline_s)
        with self._changed:
            self._given_up = True
            self._changed.notify_all()
        return not self._thread.is_alive() and not self._queue

    def _run(self) -> None:
        pause_s, waited_s = 0.0, 0.0
        while self._wait_for_rows() and not self._given_up:
            if self._attempt():
                pause_s, waited_s = 0.0, 0.0
                if self._pause_s is not None and not self._due():
                    self._do_chore()  # where rows come all the time there is no idle moment
                continue
            # The first new try is at once: it begins a fresh journal, or goes on without a bad row.
            with self._changed:
                ending = self._ending
                wait_s = min(pause_s, RETRY_FIRST_S) if ending else pause_s
                self._changed.wait_for(lambda: self._given_up or self._ending is not ending, wait_s)  # noqa: B023 - called in this turn only
            waited_s += wait_s
            pause_s = min(max(2 * pause_s, RETRY_FIRST_S), RETRY_MOST_S)
            if waited_s >= PATIENCE_S:
                self._unwell()
        self.store.close()

    def _wait_for_rows(self) -> bool:
        """Wait until there is something to commit now; False when the end was asked for and nothing waits."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._queue or self._ending or self._nudged, self._pause_s)
                if self._queue or self._ending:
                    self._changed.wait_for(lambda: self._ending or self._due(), GROUP_S)
                    return bool(self._queue)
            self._do_chore()

    def _do_chore(self) -> None:
        """One small piece; a row that comes meanwhile waits for no more than that."""
        self._nudged = False
        self._pause_s = self._chore() if self._chore is not None and self._well and self._begun else None

    def _due(self) -> bool:
        return len(self._queue) >= BATCH or any(waiting.urgent for waiting in self._queue)
