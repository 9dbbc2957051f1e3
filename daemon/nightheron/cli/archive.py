"""``nightheron archive FILE``: move the oldest part of the journal into a file of its own, verified."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shlex
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron.journal.archive import Cut
    from nightheron.journal.verify import Result

HELP = "move the oldest entries of the journal into a file that verifies alone and with the journal"
LEAST_DAYS = 2
"""So much always stays: the service and the night's report look back on it."""
OFFLINE_ROWS = 5000
FINDING, USAGE = 1, 2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a file that is not there yet, on any disk")
    parser.add_argument(
        "--before",
        metavar="WHEN",
        help="archive what is older: RFC 3339 time, a date, or a span before now such as 180d "
        f"(default: site.keep_days; at least {LEAST_DAYS}d)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace) -> int:
    """0 archived or nothing old enough, 1 not sound or not taken, 2 usage, 3 the service is not reached."""
    import sqlite3

    from nightheron.cli.ask import CannotAsk
    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.archive import CannotArchive, oldest_part, write

    try:
        before = _before(args)
        path = journal_path(Path(args.config), os.environ)
        cut = oldest_part(path, before)
        if cut is None:
            return _nothing(args, before)
        with _progress() as show:
            result = write(path, args.file, cut, show)
        refused = _seal(args, path, cut)
    except (NoJournal, CannotArchive, ValueError) as fault:
        print(fault, file=sys.stderr)
        return FINDING if isinstance(fault, CannotArchive) and "not sound" in str(fault) else USAGE
    except CannotAsk as fault:
        print(f"{args.file} is written and whole, the journal is as it was. {fault}", file=sys.stderr)
        return fault.code
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read ({fault}); run nightheron verify.", file=sys.stderr)
        return FINDING
    if refused is not None:
        print(f"{args.file} is written and whole, the journal is as it was: {refused}.", file=sys.stderr)
        return FINDING
    _told(args, path, cut, result)
    return 0


def _before(args: argparse.Namespace) -> str:
    """Raises ValueError for a time that is none, or too near."""
    from nightheron.cli.times import times_of
    from nightheron.journal.when import parse_when, utc_text
    from nightheron.runtime.clock import Clock

    now = Clock().utc()
    newest = utc_text(now - timedelta(days=LEAST_DAYS))
    if args.before is None:
        return utc_text(now - timedelta(days=max(LEAST_DAYS, _keep_days(args))))
    before = parse_when(args.before, now, times_of(Path(args.config), now).zone)
    if before > newest:
        raise ValueError(f"--before must lie at least {LEAST_DAYS} days back: the service looks back so far.")
    return before


def _keep_days(args: argparse.Namespace) -> int:
    """The site's, from its table alone: whoever archives may be somebody who reads none of its secrets."""
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import read_document
    from nightheron.settings.tables import SiteTable

    default = SiteTable.model_fields["keep_days"].default
    try:
        site = read_document(Path(args.config)).get("site")
    except BadConfiguration as fault:
        raise ValueError("\n".join(f"{one.key}: {one.why}" for one in fault.faults)) from None
    days = site.get("keep_days", default) if isinstance(site, dict) else default
    if type(days) is not int:
        raise ValueError("site.keep_days is no whole number; run nightheron check.")
    return days


def _seal(args: argparse.Namespace, path: Path, cut: Cut) -> str | None:
    """Have the journal name the archive and let its entries go; why it was not done, None when it was."""
    from nightheron.cli.ask import ask
    from nightheron.journal.connect import service_holds

    file = str(args.file.resolve())
    if service_holds(path.parent):
        request = {"ask": "seal", "last_seq": cut.last_seq, "last_hash": cut.last_hash, "file": file}
        answer = ask(args, request)
        return None if answer.get("ok") else str(answer.get("error"))
    return _seal_alone(path, cut, file)


def _seal_alone(path: Path, cut: Cut, file: str) -> str | None:
    """No service runs: take its lock, so that none can start, and do what it would do."""
    import getpass

    from nightheron.journal.keeping import Keeping, Sealing
    from nightheron.journal.store import Store, Unavailable
    from nightheron.journal.verify import verify
    from nightheron.runtime.clock import Clock, rfc3339
    from nightheron.runtime.errors import CannotStart
    from nightheron.runtime.housekeeping import stamp
    from nightheron.runtime.lock import take_lock

    try:
        lock = take_lock(path.parent)
    except CannotStart as fault:
        return str(fault).rstrip(".")
    with contextlib.closing(lock):
        found = verify(path)
        if not found.ok:
            # A start would set a damaged journal aside; that is not for this command to do.
            return f"the journal is not sound ({found.why}); run nightheron verify"
        clock = Clock()
        try:
            store = Store(path.parent, rfc3339(clock.utc()))
        except Unavailable as fault:
            return str(fault)
        with contextlib.closing(store):
            keeping = Keeping(store, stamp(clock), OFFLINE_ROWS)
            asked = Sealing(cut.last_seq, cut.last_hash, file, getpass.getuser())
            keeping.seal(asked)
            while keeping.work() is not None and asked.refused is None:
                pass
    return asked.refused


def _nothing(args: argparse.Namespace, before: str) -> int:
    if args.json:
        print(json.dumps({"ok": True, "entries": 0, "file": None}))
    else:
        print(f"Nothing to archive: no whole part of the journal is older than {before}.")
    return 0


def _told(args: argparse.Namespace, path: Path, cut: Cut, result: Result) -> None:
    if args.json:
        said: dict[str, Any] = {
            "ok": True,
            "file": str(args.file),
            "entries": result.entries,
            "first_seq": cut.first_seq,
            "last_seq": cut.last_seq,
            "head": cut.last_hash,
        }
        print(json.dumps(said))
        return
    print(f"{args.file}: entries {cut.first_seq} to {cut.last_seq}, whole. Its last hash {cut.last_hash}.")
    print("The journal names it in a row of kind seal, and lets these entries go; their room is used again.")
    print("Keep the file on another disk as well. Archives and journal together, oldest first or not:")
    print(f"  nightheron verify {shlex.quote(str(args.file))} {shlex.quote(str(path))}")


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[float], None]]:
    """A line on a terminal that is wiped at the end; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    try:
        yield lambda share: print(f"\rarchiving: {100 * share:3.0f} %", end="", file=sys.stderr, flush=True)
    finally:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
