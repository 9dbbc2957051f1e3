"""A process that plays nights of the campaign: a task a line on stdin, what came of it a line on stdout.

    ["warm", seed, place]     let a chamber of the pool live, and keep it in the folder
    ["play", seed, night]     play one night; the answer is its outcome

Its one argument is the folder, which its siblings share. It ends with its stdin.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from nightheron.rig.campaign import play, warmed
from nightheron.rig.night_plan import plan


def main(argv: Sequence[str] | None = None) -> int:
    """Work until there is no more."""
    folder = Path((sys.argv[1:] if argv is None else argv)[0])
    for line in sys.stdin:
        what, seed, number = json.loads(line)
        if what == "warm":
            lived_in(folder, seed, number).write_bytes(warmed(seed, number))
            answer = None
        else:
            night = plan(seed, number)
            lived = None if night.pool is None else lived_in(folder, seed, night.pool).read_bytes()
            answer = asdict(play(night, lived)[0])
        print(json.dumps(answer), flush=True)
    return 0


def lived_in(folder: Path, seed: int, place: int) -> Path:
    """Where that chamber of the pool is kept."""
    return folder / f"{seed}-{place}.lived"


if __name__ == "__main__":
    sys.exit(main())
