"""A person's own regular expression, checked before it may read anything.

While Python matches, no other thread runs: a pattern that takes seconds on one hostile line would
stop the guard. So it is timed first, in a process of its own whose processor time is limited.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from functools import lru_cache
from itertools import permutations

from nightheron_drivers.linebus import LINE_MOST

SLOW_S = 0.005
"""Longer than this on one line is refused."""

_CPU_MOST_S = 2
_WALL_MOST_S = 30.0

# Times each line three times and keeps the least, so that a busy machine refuses nothing.
_TIMER = f"""
import json, re, resource, sys, time
resource.setrlimit(resource.RLIMIT_CPU, ({_CPU_MOST_S}, {_CPU_MOST_S}))
pattern, lines = json.load(sys.stdin)
find = re.compile(pattern).fullmatch
def took(line):
    begin = time.process_time()
    find(line)
    return time.process_time() - begin
print(max(min(took(line) for _ in range(3)) for line in lines))
"""


def pattern_fault(pattern: str) -> str | None:
    """Why this pattern cannot read a probe's lines, in one sentence, or None when it can."""
    try:
        groups = re.compile(pattern).groupindex
    except (re.error, RecursionError, OverflowError) as why:
        return f"is not a regular expression: {why}"
    if "value" not in groups:
        return "has no group named value; write the number as (?P<value>-?\\d+\\.\\d+)"
    if not _fast(pattern):
        return (
            f"takes over {SLOW_S * 1000:.0f} ms on a hostile line of {LINE_MOST} bytes and would hold up "
            "the guard; avoid a repeat inside a repeat, such as (\\d+)*"
        )
    return None


@lru_cache(maxsize=256)
def _fast(pattern: str) -> bool:
    lines = hostile_lines(pattern)
    try:
        done = subprocess.run(  # noqa: S603 - our own interpreter and program; the pattern goes in as data
            [sys.executable, "-I", "-S", "-c", _TIMER],
            input=json.dumps([pattern, lines]),
            capture_output=True,
            text=True,
            timeout=_WALL_MOST_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False
    # Over its processor time the child is killed and prints nothing.
    return done.returncode == 0 and float(done.stdout) <= SLOW_S


def hostile_lines(pattern: str) -> list[str]:
    """Long lines that nearly match: runs of what the pattern speaks of, with an end that fits nothing."""
    prefix = _literal_prefix(pattern)
    own = sorted({c for c in pattern if " " <= c <= "~" and c not in "\\()[]{}?*+|^$"})
    letters = list(dict.fromkeys([*"07a .-_", *own]))[:24]
    runs = letters + ["".join(pair) for pair in permutations(["7", ".", " ", "a"], 2)]
    lines = []
    for run in runs:
        for start in dict.fromkeys(["", prefix]):
            line = start + run * LINE_MOST
            lines += [line[:LINE_MOST], line[: LINE_MOST - 1] + "\x01"]
    return lines


def _literal_prefix(pattern: str) -> str:
    """The plain text a pattern begins with, so that what follows it is reached."""
    match = re.match(r"(?:[A-Za-z0-9 _:=,;#/@!%&<>\"'~-]|\\[^A-Za-z0-9])*(?![*?{])", pattern)
    return re.sub(r"\\(.)", r"\1", match.group()) if match else ""
