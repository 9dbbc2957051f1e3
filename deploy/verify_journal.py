#!/usr/bin/env python3
"""Verify a nightheron journal without nightheron: only this page and Python 3.10 or newer.

    python3 verify_journal.py [ARCHIVE ...] /var/lib/nightheron/journal.db [--head HEX]

The file is an SQLite database with one table, ``entries``. A row's ``body`` is JSON, stored as hashed:

    hash = SHA-256( 32 bytes of the hash of the row before || body bytes ), in lower-case hex;
    the first row (seq 1) follows 32 zero bytes; ``prev`` repeats the hash of the row before.

``seq`` counts 1, 2, 3 ... without a hole. The columns seq, utc, boot, mono_ns, kind and chamber repeat
what the body says. ``inputs`` is NULL, or bytes whose SHA-256 is ``inputs_sha256`` in the body. Where the
body names inputs that are NULL, a later row of kind ``thinned`` says so. Within one ``boot``, ``mono_ns``
never falls. Exit codes: 0 all rows fit, 1 one does not, 2 no journal.

Old rows may have been archived. Such a journal begins later, and a row of kind ``seal`` in it names the last
archived row and its hash. An archive has a table ``archive`` that says what it holds; given with the journal,
each file must begin where the one before it ends.

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
DIGITS = set("0123456789abcdef")


def no_json(name):
    """NaN and Infinity, which Python reads and JSON does not have."""
    raise ValueError(name)


def why_wrong(row, previous):
    """One phrase or None, and what the body says. ``row`` as SELECT has it."""
    _, _, boot, mono_ns, _, _, body, prev, hash_, inputs = row
    last_seq, last_hash, last_boot, last_ns = previous
    if type(body) is not bytes or type(inputs) not in (bytes, type(None)):
        return "body or inputs are not bytes", {}
    if row[0] != last_seq + 1:
        return f"row {last_seq + 1} is missing before it", {}
    if prev != last_hash or hash_ != hashlib.sha256(bytes.fromhex(last_hash) + body).hexdigest():
        return "the chain is broken here", {}
    try:
        if body[:1] != b"{" or body[-1:] != b"}":
            raise ValueError
        said = json.loads(body.decode(), parse_constant=no_json)
        differs = [
            name
            for name, cell in zip(COPIES, row, strict=False)
            if said[name] != cell or type(said[name]) is not type(cell)
        ]
    except (ValueError, KeyError, TypeError, RecursionError):
        return "the body is not a JSON object with the header", {}
    if differs:
        return f"the column {differs[0]} differs from the body", {}
    if inputs is not None and hashlib.sha256(inputs).hexdigest() != said.get("inputs_sha256"):
        return "the inputs are not those the body names", {}
    if last_boot == boot and mono_ns < last_ns:
        return "mono_ns runs backward", {}
    return None, said


class Part:
    """One file, gone through from its first row to its last."""

    def __init__(self, path):
        self.path, self.first, self.last, self.note, self.wrong = path, 0, 0, None, None
        self.hashes, self.seals, self.thinned, self.bare = {0: "00" * 32}, [], [], []
        wal = Path(f"{path}-wal")
        still = "" if wal.exists() and wal.stat().st_size else "&immutable=1"
        try:
            db = sqlite3.connect(f"{path.as_uri()}?mode=ro{still}", uri=True)
            if db.execute("SELECT type FROM sqlite_master WHERE name = 'entries'").fetchone() != ("table",):
                raise sqlite3.DatabaseError("entries is not a table")
            for row in db.execute(SELECT):
                self.take(row)
            if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'archive'").fetchone():
                self.note = db.execute("SELECT first_seq, last_seq, prev, hash FROM archive").fetchall()
        except (sqlite3.Error, OverflowError, UnicodeError) as fault:
            self.wrong = self.wrong or f"after row {self.last}: {fault}"
        self.wrong = self.wrong or self.why_not_begin()

    def take(self, row):
        """The next row; nothing more once one was wrong."""
        if self.wrong:
            return
        if not self.first:
            self.first, self.last, self.clock = 1, 0, ("", 0)
            if row[0] > 1 and type(row[7]) is str and len(row[7]) == 64 and set(row[7]) <= DIGITS:
                self.first, self.last = row[0], row[0] - 1
                self.hashes = {self.last: row[7]}
        wrong, said = why_wrong(row, (self.last, self.hashes[self.last], *self.clock))
        if wrong:
            self.wrong = f"row {row[0]}: {wrong}"
            return
        self.last, self.hashes[row[0]], self.clock = row[0], row[8], (row[2], row[3])
        if row[9] is None and "inputs_sha256" in said:
            self.bare.append(row[0])
        if row[4] == "seal":
            self.seals.append((said.get("last_seq"), said.get("last_hash")))
        first, last = said.get("from_seq"), said.get("to_seq")
        if row[4] == "thinned" and type(first) is type(last) is int and last < row[0]:
            self.thinned.append((first, last))

    def why_not_begin(self):
        """Why its first row may not be the first; None when it may."""
        before = self.hashes.get(self.first - 1)
        if self.note is not None:
            holds = (self.first, self.last, before, self.hashes[self.last])
            return None if self.note == [holds] else "it does not hold what its note says"
        if self.first <= 1 or any(self.hashes.get(seq) == hash_ for seq, hash_ in self.seals):
            return None
        return f"row {self.first - 1} is missing before the first, and no seal names it"


def chain_of(parts):
    """What is wrong with the parts in order, as one chain; None when nothing is."""
    for part in parts:
        if part.wrong:
            return f"{part.path.name}: {part.wrong}"
    reach = parts[0]
    for part in parts[1:]:
        common = min(reach.last, part.last)
        if part.first > reach.last + 1:
            return f"row {reach.last + 1} is in none of the files"
        if part.hashes.get(common, 0) != reach.hashes[common]:
            return f"row {common} differs between {reach.path.name} and {part.path.name}"
        reach = part if part.last > reach.last else reach
    named = [run for part in parts for run in part.thinned]
    if not all(part.note for part in parts):
        for seq in sorted(seq for part in parts for seq in part.bare):
            named = [run for run in named if run[1] >= seq]  # in order, so those before it are done with
            if not any(first <= seq for first, _ in named):
                return f"row {seq}: its inputs are gone, and no row says that they were thinned"
    return None


def main(arguments):
    """Read, check, and say what was found."""
    head = None
    if len(arguments) > 2 and arguments[-2] == "--head":
        *arguments, _, head = arguments
    if not arguments or any(one.startswith("-") for one in arguments):
        print("usage: verify_journal.py [ARCHIVE ...] JOURNAL [--head HEX]", file=sys.stderr)
        return 2
    paths = [Path(one).absolute() for one in arguments]
    for path in paths:
        if not path.is_file():
            print(f"{path}: there is no journal", file=sys.stderr)
            return 2
    parts = sorted(map(Part, paths), key=lambda part: (part.first, part.last))
    wrong = chain_of(parts)
    if not wrong and head is not None and not any(head.lower() in part.hashes.values() for part in parts):
        wrong = f"the chain does not contain the head {head}"
    if wrong:
        print(f"NOT OK  {wrong}")
        return 1
    end = max(parts, key=lambda part: part.last)
    first, note = parts[0].first, "" if not end.note else " (archives only: what follows is elsewhere)"
    rows = end.last - max(first, 1) + 1 if end.last else 0
    begins = f" from row {first} on" if first > 1 else ""
    print(f"ok  {rows} rows{begins}, head {end.hashes[end.last] if end.last else 'none'}{note}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
