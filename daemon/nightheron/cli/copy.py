"""``nightheron copy FILE``: a copy of the journal, also while the service runs, verified."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

HELP = "copy the journal into a file, also while the service runs, and verify the copy"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a file that is not there yet")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace) -> int:
    """0 copied and whole, 1 copied and not whole or the journal cannot be read, 2 cannot be made."""
    import sqlite3

    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.copy import CannotCopy, copy

    try:
        result = copy(journal_path(Path(args.config), os.environ), args.file)
    except (NoJournal, CannotCopy) as fault:
        print(fault, file=sys.stderr)
        return 2
    except (sqlite3.Error, OSError) as fault:
        print(f"The journal cannot be read ({fault}); run nightheron verify.", file=sys.stderr)
        return 1
    if args.json:
        said = {
            "ok": result.ok,
            "entries": result.entries,
            "head": result.head,
            "first_bad": result.first_bad,
        }
        print(json.dumps(said))
    elif result.ok:
        print(f"{args.file}: {result.entries} entries, whole. Head {result.head or 'none: it is empty'}.")
    else:
        print(f"{args.file}: copied as it is, and NOT OK: {result.why}.")
    return 0 if result.ok else 1
