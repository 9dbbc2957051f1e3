"""Recorded rows through the core again: the same inputs must give the same decisions, bit for bit.

Each row that decides carries, packed, the events fed since its chamber's row before it. A snapshot row
gives the whole state at its place: replay sets out from one, and after inputs that are missing it goes
on at the next. While nothing is missing, a snapshot is also a check: the state arrived at must be the
one that was written. Rows before ``first_seq`` only lead up to the span; they are fed and not judged.

With other limits ("what if") the replay ends at the first decision that differs, since from there on
the gas, and so the water and its readings, would have been others. There only what a person calls the
decision is compared: the evidence quotes the limits, and differs with them.

What another version of the program wrote may hold less than this one remembers. Then only what it did
write is compared, and what could not be is listed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Protocol

from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.snapshot import from_json, to_json
from nightheron.model import Decision, Event, Record
from nightheron.report.replay_compare import apart, lacking, same, without
from nightheron.report.replayed import Difference, Fields, Result, Run, Skipped
from nightheron.version import program_version

DECIDING = ("decision", "witness")
CALLED_DECISION = ("state", "gas", "reason", "reasons", "health", "verdict")
"""What makes two decisions differ for a person; as ``Decision.same_as`` has it."""
OWN_VERSION = program_version()
Unpack = Callable[[bytes], list[Event]]
Change = Callable[[ChamberLimits], ChamberLimits]
NO_SNAPSHOT = "no snapshot of this chamber stands before it"


class Row(Protocol):
    """What a row must have to be replayed: an entry of the journal has it."""

    @property
    def seq(self) -> int: ...
    @property
    def utc(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def chamber(self) -> str | None: ...
    @property
    def body(self) -> bytes: ...
    @property
    def inputs(self) -> bytes | None: ...


@dataclass(slots=True)
class _Track:
    """One chamber on its way through the rows; None while inputs are missing."""

    chamber: Chamber | None = None
    why_not: str = NO_SNAPSHOT
    skipped: Skipped | None = None


class CannotReplay(Exception):  # noqa: N818 - its text is what is told of the skipped rows
    """These inputs are not there any more, or never were; the text says why."""


class Replay:
    """Take rows in order; ``result`` is what came of it so far."""

    def __init__(
        self, unpack: Unpack, first_seq: int, change: Change | None = None, start: Row | None = None
    ) -> None:
        self.result = Result()
        self._run = _run(start)
        self._unpack, self._first_seq, self._change = unpack, first_seq, change
        self._tracks: dict[str, _Track] = {}

    def take(self, row: Row) -> None:
        """Replay one row; does nothing more once a difference was found."""
        if self.result.first_difference is not None:
            return
        if row.kind == "snapshot":
            self._snapshot(row)
        elif row.kind in DECIDING:
            self._deciding(row)
        elif row.kind == "start" and row.chamber is None:
            self._run = _run(row)
        elif row.kind == "gap" and _body(row).get("why") == "unwritable":
            # A row was lost between these, and which chamber's is not known.
            for track in self._tracks.values():
                track.chamber, track.why_not = None, f"a row could not be stored (entry {row.seq})"

    # -- snapshots --

    def _snapshot(self, row: Row) -> None:
        body, name = _body(row), str(row.chamber)
        track = self._tracks.setdefault(name, _Track())
        try:
            limits = from_json(ChamberLimits, body["limits"])
            written = Chamber.restore(limits, body["snapshot"])
        except (KeyError, ValueError, TypeError, AttributeError):
            why = f"the snapshot in entry {row.seq} cannot be read{self._by_whom()}"
            track.chamber, track.why_not = None, why
            return
        follows = body.get("why") != "start" and not body.get("truncated")
        if follows and track.chamber is not None and row.seq >= self._first_seq:
            if self._change is not None:
                return  # the state with other limits is its own; what was written would overrule it
            lacks = [*lacking(body["snapshot"], written.snapshot())] if self._by_another() else []
            self.result.not_compared.update(lacks)
            found = without(apart(written.snapshot(), track.chamber.snapshot()), lacks)
            if found:
                self._differs(
                    row,
                    track.chamber.decision.at_ns,
                    "the state arrived at is not the one that was written",
                    tuple(found),
                    {path: pair[0] for path, pair in found.items()},
                    {path: pair[1] for path, pair in found.items()},
                )
            if lacks:
                return  # the state arrived at agrees with what was written, and is whole
        if track.skipped is not None:
            track.skipped.goes_on_seq = row.seq
        track.chamber, track.skipped = written, None

    # -- rows that decide --

    def _deciding(self, row: Row) -> None:
        track = self._tracks.setdefault(str(row.chamber), _Track())
        body, judged = _body(row), row.seq >= self._first_seq
        if judged and self._run is not None and self._run not in self.result.runs[-1:]:
            self.result.runs.append(self._run)
        events: list[Event] = []
        try:
            events = self._inputs(row, body)
        except CannotReplay as why:
            track.chamber, track.why_not = None, str(why)
        except ValueError as fault:
            if judged and track.chamber is not None:
                self._differs(row, track.chamber.decision.at_ns, str(fault), (), {}, {})
            track.chamber, track.why_not = None, str(fault)
        if track.chamber is None:
            if judged:
                self._skip(track, row)
            return
        if judged:
            self._judge(row, body, track.chamber, events)
        else:
            for event in events:
                track.chamber.feed(event)

    def _inputs(self, row: Row, body: Fields) -> list[Event]:
        """The events of a row. Raises CannotReplay when they are not there, ValueError when damaged."""
        if body.get("truncated"):
            raise CannotReplay(f"the journal stalled and the inputs of entry {row.seq} were let go")
        named = body.get("inputs_sha256")
        if row.inputs is None:
            if named is not None:
                raise CannotReplay(f"the packed inputs from entry {row.seq} on were thinned after keep_days")
            return []
        if sha256(row.inputs).hexdigest() != named:
            raise ValueError("the packed inputs are not those the row names; run nightheron verify")
        try:
            return self._unpack(row.inputs)
        except LookupError as what:
            raise CannotReplay(f"the inputs of entry {row.seq} hold {what}{self._by_whom()}") from None

    def _by_another(self) -> bool:
        """Another version of the program wrote these rows."""
        return self._run is not None and self._run.version not in (None, OWN_VERSION)

    def _by_whom(self) -> str:
        """Who can read what this version cannot, where that is known."""
        if self._run is None or self._run.version is None:
            return ""
        return f"; nightheron {self._run.version} recorded it: replay a copy of the journal with that version"

    def _judge(self, row: Row, body: Fields, chamber: Chamber, events: list[Event]) -> None:
        if self._change is not None:
            chamber.limits = self._change(chamber.limits)
        result = self.result
        result.rows += 1
        result.decisions += row.kind == "decision"
        anew: Decision | None = None
        for number, event in enumerate(events, 1):
            result.evaluations += 1
            anew = next((one.decision for one in chamber.feed(event) if isinstance(one, Record)), None)
            if anew is not None and (row.kind != "decision" or number < len(events)):
                self._decides_otherwise(row, body, anew, "the replay decides anew where the record does not")
                return
        if row.kind == "decision" and anew is None:
            why = "the record decides anew where the replay does not"
            self._decides_otherwise(row, body, chamber.decision, why)
        elif self._names_apart(body, chamber.decision):
            self._decides_otherwise(row, body, chamber.decision, "the decision is another")
        elif body.get("evaluations") != len(events):
            why = f"the row counts {body.get('evaluations')} evaluations and carries {len(events)} events"
            self._differs(row, chamber.decision.at_ns, why, ("evaluations",), {}, {})

    def _names_apart(self, body: Fields, decision: Decision) -> tuple[str, ...]:
        again = _fields(decision)
        names = [*again] if self._change is None else [*CALLED_DECISION]
        if self._by_another():
            unknown = [name for name in names if name not in body and name not in CALLED_DECISION]
            self.result.not_compared.update(f"decision.{name}" for name in unknown)
            names = [name for name in names if name not in unknown]
        return tuple(name for name in names if not same(body.get(name), again[name]))

    def _decides_otherwise(self, row: Row, body: Fields, decision: Decision, why: str) -> None:
        again = _fields(decision)
        recorded = {name: body.get(name) for name in again}
        self._differs(row, decision.at_ns, why, self._names_apart(body, decision), recorded, again)

    def _differs(
        self, row: Row, at_ns: int, why: str, names: tuple[str, ...], recorded: Fields, replayed: Fields
    ) -> None:
        version = self._run.version if self._run else None
        self.result.first_difference = Difference(
            row.seq, row.utc, str(row.chamber), at_ns, why, names, recorded, replayed, version
        )

    def _skip(self, track: _Track, row: Row) -> None:
        if track.skipped is None:
            track.skipped = Skipped(
                str(row.chamber), row.seq, row.utc, row.seq, row.utc, rows=0, why=track.why_not
            )
            self.result.skipped.append(track.skipped)
        track.skipped.to_seq, track.skipped.to_utc = row.seq, row.utc
        track.skipped.rows += 1


def replay(
    rows: Iterable[Row],
    unpack: Unpack,
    first_seq: int,
    change: Change | None = None,
    show: Callable[[int], None] = lambda seq: None,
    start: Row | None = None,
) -> Result:
    """Replay ``rows``, oldest first, up to the first difference; ``show`` gets each row's number.

    ``unpack`` gives the events of packed inputs, or raises LookupError for what this version does not
    know and ValueError for damage. ``start`` is the newest start row before these, which says who wrote them.
    ``change`` gives the limits to use from ``first_seq`` on; it must be the same for the same limits
    and leave what it changed as it is.
    """
    one = Replay(unpack, first_seq, change, start)
    for row in rows:
        show(row.seq)
        one.take(row)
        if one.result.first_difference is not None:
            break
    return one.result


def _run(start: Row | None) -> Run | None:
    if start is None:
        return None
    body = _body(start)
    version, config = body.get("version"), body.get("config_sha256")
    return Run(
        start.seq,
        version if isinstance(version, str) else None,
        config if isinstance(config, str) else None,
    )


def _body(row: Row) -> Fields:
    try:
        body = json.loads(row.body)
    except (ValueError, TypeError, RecursionError):
        return {}
    return body if isinstance(body, dict) else {}


def _fields(decision: Decision) -> dict[str, Any]:
    fields = to_json(decision)
    if not isinstance(fields, dict):
        raise TypeError("a decision is an object")
    return fields
