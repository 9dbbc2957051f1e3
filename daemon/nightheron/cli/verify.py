"""``nightheron verify``: is the journal whole, and what cannot be known from it."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nightheron.journal.verify import Result

HELP = "check that no entry of the journal was changed, removed or added"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--head",
        metavar="HEX",
        help="demand that this hash, noted earlier, is in the chain; its first 8 digits or more will do",
    )


def run(args: argparse.Namespace) -> int:
    """0 whole, 1 a finding, 2 no journal."""
    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.verify import verify

    if args.head is not None and not re.fullmatch(r"[0-9a-fA-F]{8,64}", args.head):
        print("--head takes an entry's hash: 64 hexadecimal digits, or its first 8 or more.", file=sys.stderr)
        return 2
    try:
        path = journal_path(Path(args.config), os.environ)
        result = verify(path, args.head)
    except NoJournal as fault:
        print(fault, file=sys.stderr)
        return 2
    except OSError as fault:
        print(f"{fault.filename}: {fault.strerror}.", file=sys.stderr)
        return 2
    _print(path, result, as_json=args.json)
    return 0 if result.ok else 1


def _print(path: Path, result: Result, *, as_json: bool) -> None:
    why = result.why
    if why is None and not result.ok:
        why = "the chain does not contain the head that was given"
    if as_json:
        answer = {
            "ok": result.ok,
            "entries": result.entries,
            "head": result.head,
            "first_bad": result.first_bad,
            "why": why,
        }
        print(json.dumps(answer))
        return
    print(
        f"{path}: looked at {result.entries} entries, {result.bytes_looked_at} bytes; "
        f"{result.inputs_looked_at} of them carry packed inputs."
    )
    if result.ok:
        print(f"Every entry follows the one before it. Head {result.head or 'none: the journal is empty'}.")
    else:
        place = f"entry {result.first_bad}: " if result.first_bad is not None else ""
        print(f"NOT OK: {place}{why}.")
    if result.wanted_head is None:
        print(
            "Cannot be judged from the file alone: whether its tail was cut off, or all of it was "
            "computed anew. Give a head noted elsewhere with --head."
        )
