#!/usr/bin/env python3
"""Verify a nightheron journal without nightheron: only this page and Python 3.10 or newer.

    python3 verify_journal.py /var/lib/nightheron/journal.db [--head HEX]

The file is an SQLite database with one table, ``entries``. A row's ``body`` is JSON, stored as hashed:

    hash = SHA-256( 32 bytes of the hash of the row before || body bytes ), in lower-case hex;
    the first row (seq 1) follows 32 zero bytes; ``prev`` repeats the hash of the row before.

``seq`` counts 1, 2, 3 ... without a hole. The columns seq, utc, boot, mono_ns, kind and chamber repeat
what the body says. ``inputs`` is NULL, or bytes whose SHA-256 is ``inputs_sha256`` in the body. Within
one ``boot``, ``mono_ns`` never falls. Exit codes: 0 all rows fit, 1 one does not, 2 no journal.

This shows edits, insertions, removals and exchanges before the head. A tail cut off, or a whole chain
computed anew, can be seen only with a head noted elsewhere: give it with --head, and it must be one of
the chain's hashes.
Copy journal.db together with journal.db-wal if the service was running: the newest rows are in the second.
"""

import hashlib
import json
import sqlite3
import sys
from pathlib import Path

COPIES = ("seq", "utc", "boot", "mono_ns", "kind", "chamber")
SELECT = "SELECT seq, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs FROM entries ORDER BY seq"


def why_wrong(row, previous):
    """One phrase, or None. row: seq, utc, boot, mono_ns, kind, chamber, body, prev, hash, inputs."""
    seq, _, boot, mono_ns, _, _, body, prev, hash_, inputs = row
    last_seq, last_hash = (previous[0], previous[8]) if previous else (0, "00" * 32)
    if type(body) is not bytes or type(inputs) not in (bytes, type(None)):
        return "body or inputs are not bytes"
    if seq != last_seq + 1:
        return f"row {last_seq + 1} is missing before it"
    if prev != last_hash or hash_ != hashlib.sha256(bytes.fromhex(last_hash) + body).hexdigest():
        return "the chain is broken here"
    try:
        said = json.loads(body)
        differs = [
            name
            for name, cell in zip(COPIES, row, strict=False)
            if said[name] != cell or type(said[name]) is not type(cell)
        ]
    except (ValueError, KeyError, TypeError):
        return "the body is not a JSON object with the header"
    if differs:
        return f"the column {differs[0]} differs from the body"
    if inputs is not None and hashlib.sha256(inputs).hexdigest() != said.get("inputs_sha256"):
        return "the inputs are not those the body names"
    if previous and previous[2] == boot and mono_ns < previous[3]:
        return "mono_ns runs backward"
    return None


def main(arguments):
    """Read, check, and say what was found."""
    head = arguments[2].lower() if len(arguments) == 3 and arguments[1] == "--head" else None
    if len(arguments) not in (1, 3) or (len(arguments) == 3 and head is None):
        print("usage: verify_journal.py JOURNAL [--head HEX]", file=sys.stderr)
        return 2
    path = Path(arguments[0]).absolute()
    if not path.is_file():
        print(f"{path}: there is no journal", file=sys.stderr)
        return 2
    wal = Path(f"{path}-wal")
    still = "" if wal.exists() and wal.stat().st_size else "&immutable=1"
    previous, found, wrong = None, head is None, None
    try:
        db = sqlite3.connect(f"{path.as_uri()}?mode=ro{still}", uri=True)
        kind = db.execute("SELECT type FROM sqlite_master WHERE name = 'entries'").fetchone()
        for row in db.execute(SELECT):
            wrong = "entries is not a table" if kind != ("table",) else why_wrong(row, previous)
            if wrong:
                wrong = f"row {row[0]}: {wrong}"
                break
            previous, found = row, found or row[8] == head
    except (sqlite3.Error, OverflowError, UnicodeError) as fault:
        wrong = f"after row {previous[0] if previous else 0}: {fault}"
    if wrong or not found:
        print(f"NOT OK  {wrong or 'the chain does not contain the head ' + head}")
        return 1
    print(f"ok  {previous[0] if previous else 0} rows, head {previous[8] if previous else 'none'}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
