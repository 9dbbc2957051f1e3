"""``nightheron verify``: is the journal whole, and what cannot be known from it."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron.journal.together import Together
    from nightheron.journal.verify import Result

HELP = "check that no entry of the journal was changed, removed or added"
NO_HEAD = "the chain does not contain the head that was given"
NOT_ALONE = (
    "Cannot be judged from the file alone: whether its tail was cut off, or all of it was "
    "computed anew. Give a head noted elsewhere with --head."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options beside --config."""
    parser.add_argument(
        "files",
        nargs="*",
        type=Path,
        metavar="FILE",
        help="these archives or copies instead of the journal; several must be one chain without a gap",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--head",
        metavar="HEX",
        help="demand that this hash, noted earlier, is in the chain; its first 8 digits or more will do",
    )


def run(args: argparse.Namespace) -> int:
    """0 whole, 1 a finding, 2 no journal."""
    from nightheron.cli.journal_path import NoJournal, journal_path
    from nightheron.journal.together import together
    from nightheron.journal.verify import verify

    if args.head is not None and not re.fullmatch(r"[0-9a-fA-F]{8,64}", args.head):
        print("--head takes an entry's hash: 64 hexadecimal digits, or its first 8 or more.", file=sys.stderr)
        return 2
    try:
        if args.files:
            return _files(together(args.files, args.head), as_json=args.json, demanded=bool(args.head))
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
    why = result.why or (None if result.ok else NO_HEAD)
    if as_json:
        print(
            json.dumps(_body(result.ok, result.entries, result.head, result.first_bad, why, result.first_seq))
        )
        return
    print(_looked(path, result))
    if result.ok:
        print(f"Every entry follows the one before it. Head {result.head or 'none: the journal is empty'}.")
        print(*_begins(result), sep="", end="")
    else:
        place = f"entry {result.first_bad}: " if result.first_bad is not None else ""
        print(f"NOT OK: {place}{why}.")
    if result.wanted_head is None:
        print(NOT_ALONE)


def _looked(path: Path, result: Result) -> str:
    thinned = result.claims.bare_rows
    text = (
        f"{path}: looked at {result.entries} entries, {result.bytes_looked_at} bytes; "
        f"{result.inputs_looked_at} of them carry packed inputs"
    )
    return f"{text}, {thinned} had some that were thinned." if thinned else f"{text}."


def _begins(result: Result) -> list[str]:
    if result.first_seq <= 1:
        return []
    return [
        f"It begins at entry {result.first_seq}: those before it were archived, as it says itself. "
        "Whether they are whole, nightheron verify ARCHIVE... JOURNAL tells.\n"
    ]


def _files(found: Together, *, as_json: bool, demanded: bool) -> int:
    """Several files, or one that is named."""
    first = found.parts[0].result.first_seq
    if as_json:
        said = _body(found.why is None, found.entries, found.head, found.first_bad, found.why, first)
        parts = [
            {
                "file": str(one.path),
                "archive": one.result.archive,
                "first_seq": one.result.first_seq,
                "last_seq": one.result.last_seq,
                "head": one.result.head,
            }
            for one in found.parts
        ]
        print(json.dumps(said | {"files": parts}))
        return 0 if found.why is None else 1
    for one in found.parts:
        kind = "archive, " if one.result.archive else ""
        held = f"{kind}entries {one.result.first_seq} to {one.result.last_seq}"
        print(f"{_looked(one.path, one.result)[:-1]} ({held}).")
    if found.why is not None:
        place = f"entry {found.first_bad}: " if found.first_bad is not None else ""
        print(f"NOT OK: {place}{found.why}.")
        return 1
    print(*_told(found, first), sep="\n")
    if not demanded:
        print(NOT_ALONE)
    return 0


def _told(found: Together, first: int) -> list[str]:
    lines = [f"Every entry follows the one before it: one chain, {found.entries} entries. Head {found.head}."]
    if first > 1:
        before = found.parts[0].result.before
        lines.append(
            f"It begins at entry {first}; entry {first - 1}, whose hash is {before}, is in none of them."
        )
    if all(one.result.archive for one in found.parts):
        lines.append("Only archives were given: what follows them is in the journal, or in a later archive.")
    return lines


def _body(
    ok: bool, entries: int, head: str | None, first_bad: int | None, why: str | None, first_seq: int
) -> dict[str, Any]:
    return {
        "ok": ok,
        "entries": entries,
        "head": head,
        "first_bad": first_bad,
        "why": why,
        "first_seq": first_seq,
    }
