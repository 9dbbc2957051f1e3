"""``nightheron replay``: the recorded inputs through the core again; does it decide the same?"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron.journal.span import Span
    from nightheron.report.replayed import Result, Skipped
    from nightheron.report.what_if import WhatIf

HELP = "run a recorded span through the core again: it must decide the same, or what if a limit had differed"
WIDTH = 100
SHOWN_MOST = 10
"""Skipped spans that are told one by one."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--since", metavar="WHEN", help="RFC 3339 time, a date, or a span before now such as 8h"
    )
    parser.add_argument("--until", metavar="WHEN", help="the same; a date includes its whole day")
    parser.add_argument(
        "--what-if",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="with this limit, e.g. chamber.west.floor_ph=6.5, up to the first difference; may be repeated",
    )


def run(args: argparse.Namespace) -> int:
    """0 identical, 1 not or the journal is damaged, 2 no journal, or a time or limit that is none."""
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.settings.faults import BadConfiguration

    try:
        path = journal_path(Path(args.config), os.environ)
        answer, result = _replay(path, args)
    except (NoJournal, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2
    except BadConfiguration as fault:
        print("\n".join(f"--what-if {one}." for one in fault.faults), file=sys.stderr)
        return 2
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read ({fault}); run nightheron verify.", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps(answer, ensure_ascii=False))
    else:
        print("\n".join(_lines(answer, result, what_if=bool(args.what_if))))
    return 0 if result.identical else 1


def _replay(path: Path, args: argparse.Namespace) -> tuple[dict[str, Any], Result]:
    from nightheron.journal.pack import unpack
    from nightheron.journal.span import find, rows, start_before
    from nightheron.report.replay import replay
    from nightheron.report.replayed import Result
    from nightheron.version import program_version

    span = find(path, *_times(args))
    what_if = _what_if(path, span, args.what_if)
    result, by_change = Result(), True
    if span is not None:
        change = what_if.limits if what_if else None
        with _progress(span) as show:
            read, start = rows(path, span.from_seq, span.last_seq), start_before(path, span.from_seq)
            if what_if is not None:
                read = (row for row in read if row.chamber is None or row.chamber in what_if.changes)
            result = replay(read, unpack, span.first_seq, change, show, start)
            if what_if is not None and result.first_difference is not None:
                # Only what the recorded limits do not also bring about is the change's doing.
                again = rows(path, span.from_seq, result.first_difference.seq)
                again = (row for row in again if row.chamber is None or row.chamber in what_if.changes)
                by_change = replay(again, unpack, span.first_seq, None, show).identical
    found = result.first_difference
    answer: dict[str, Any] = {
        "identical": result.identical,
        "decisions": result.decisions,
        "rows": result.rows,
        "evaluations": result.evaluations,
        "skipped": [one.body() for one in result.skipped],
        "first_difference": found.body() if found else None,
        "begins_seq": next((row.seq for row in rows(path, 1, 2**62)), None),
        "version": program_version(),
        "runs": [one.body() for one in result.runs],
        "not_compared": sorted(result.not_compared),
    }
    if what_if is not None:
        answer["what_if"] = {
            f"chamber.{n}.{k}": v for n, limits in what_if.changes.items() for k, v in limits.items()
        }
        answer["by_what_if"] = by_change if found else None
    return answer, result


def _times(args: argparse.Namespace) -> tuple[str | None, str | None]:
    from nightheron.cli.times import times_of
    from nightheron.journal.when import parse_when
    from nightheron.runtime.clock import Clock

    now = Clock().utc()
    zone = times_of(Path(args.config), now).zone
    since = parse_when(args.since, now, zone) if args.since else None
    return since, parse_when(args.until, now, zone, end=True) if args.until else None


def _what_if(path: Path, span: Span | None, texts: list[str]) -> WhatIf | None:
    if not texts:
        return None
    from nightheron.guard.limits import ChamberLimits
    from nightheron.guard.snapshot import from_json
    from nightheron.journal.span import rows
    from nightheron.report.what_if import parse

    recorded: dict[ChamberLimits, None] = {}
    for row in rows(path, span.from_seq, span.last_seq, kind="snapshot") if span else ():
        with contextlib.suppress(KeyError, ValueError, TypeError):  # told as skipped by the replay itself
            recorded[from_json(ChamberLimits, json.loads(row.body)["limits"])] = None
    return parse(texts, list(recorded))


@contextlib.contextmanager
def _progress(span: Span) -> Iterator[Callable[[int], None]]:
    """A line on a terminal that is wiped at the end; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda seq: None
        return
    length, shown = max(1, span.last_seq - span.from_seq), [-1]

    def show(seq: int) -> None:
        percent = 100 * (seq - span.from_seq) // length
        if percent != shown[0]:
            shown[0] = percent
            print(f"\rreplaying: {percent:3d} %", end="", file=sys.stderr, flush=True)

    try:
        yield show
    finally:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _lines(answer: dict[str, Any], result: Result, *, what_if: bool) -> list[str]:
    """The answer for people."""
    told = [f"{result.rows} rows replayed, {result.decisions} decisions, {result.evaluations} evaluations."]
    if what_if:
        told.append("With " + ", ".join(f"{key}={value:g}" for key, value in answer["what_if"].items()) + ":")
    told += _other_version(answer)
    if result.rows == 0 and result.identical:
        told.append("Nothing in this span could be replayed.")
        if (answer["begins_seq"] or 1) > 1:
            told.append(f"The journal begins at entry {answer['begins_seq']}: those before it were archived.")
    elif result.identical:
        told.append("Not one decision differs." if what_if else "Every decision is the same, bit for bit.")
    else:
        told += _difference(answer["first_difference"])
        if what_if and answer["by_what_if"]:
            told.append(
                "Beyond this the gas, and so the water, would have been another: the recorded readings "
                "say nothing of what would have followed."
            )
        elif what_if:
            told.append("The recorded limits do not give what was recorded either; replay without --what-if.")
    told += [_left_out(one) for one in result.skipped[:SHOWN_MOST]]
    if len(result.skipped) > SHOWN_MOST:
        told.append(f"{len(result.skipped) - SHOWN_MOST} more spans were NOT REPLAYED; --json lists them.")
    return [line for text in told for line in textwrap.wrap(text, WIDTH, subsequent_indent="  ")]


def _other_version(answer: dict[str, Any]) -> list[str]:
    """Who recorded it, where that was another version; and whose the difference may then be."""
    own, found = answer["version"], answer["first_difference"]
    others = list(
        dict.fromkeys(one["version"] for one in answer["runs"] if one["version"] not in (own, None))
    )
    if not others:
        return []
    if found is None or found["version"] in (own, None):
        told = [f"Recorded in part or whole by nightheron {', '.join(others)}, replayed by {own}."]
        if unwritten := answer["not_compared"]:
            more = f" and {len(unwritten) - SHOWN_MOST} more" if len(unwritten) > SHOWN_MOST else ""
            told.append(
                f"Not compared, for it was not written down then: {', '.join(unwritten[:SHOWN_MOST])}{more}."
            )
        return told
    return [
        f"Recorded by nightheron {found['version']} and replayed by {own}: what differs may be the program's "
        f"change and not the journal's. A replay by nightheron {found['version']} of a copy can tell."
    ]


def _difference(found: dict[str, Any]) -> list[str]:
    lines = [f"First difference in entry {found['seq']}, {found['utc']}, {found['chamber']}: {found['why']}."]
    if "state" in found["recorded"]:
        lines += [f"  recorded {_said(found['recorded'])}", f"  replayed {_said(found['replayed'])}"]
    if found["fields"]:
        lines.append(f"  differing: {', '.join(found['fields'])}")
    return lines


def _said(decision: dict[str, Any]) -> str:
    """One decision, recorded or replayed, in a line."""
    shown = "no pH" if decision["ph"] is None else f"pH {decision['ph']:g}"
    reasons = ", ".join(map(str, decision["reasons"] or [])) or "nothing"
    return f"gas {decision['gas']}, {decision['state']}, against it: {reasons}; {shown}"


def _left_out(one: Skipped) -> str:
    goes_on = f" It goes on from entry {one.goes_on_seq}." if one.goes_on_seq is not None else ""
    return (
        f"NOT REPLAYED: {one.chamber}, {one.rows} rows from {one.from_utc} to {one.to_utc} "
        f"(entries {one.from_seq} to {one.to_seq}): {one.why}.{goes_on}"
    )
