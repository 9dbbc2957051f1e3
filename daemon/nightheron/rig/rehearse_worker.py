"""A process that plays faults of a rehearsal: a task a line on stdin, what came of it a line on stdout.

Its arguments are the configuration and, where there is one, a fault file of one's own. It ends with stdin.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path

from nightheron.model import JsonValue
from nightheron.rig.changes import trials
from nightheron.rig.faults import Fault
from nightheron.rig.own_night import Fit
from nightheron.rig.played import Played
from nightheron.rig.rehearsal import NeverOpens, guarded, ready, unguarded
from nightheron.rig.rehearse_plan import faults_of
from nightheron.rig.stand_in import Stand, stand_of
from nightheron.settings import load


class Bench:
    """What one process has at hand: stands and healthy chambers, each made once."""

    def __init__(self, path: Path, own: Path | None) -> None:
        self._site = load(path, os.environ)
        self._faults: dict[str, Fault] = faults_of(own)
        self._ready = lru_cache(maxsize=8)(self._made)

    def play(self, task: dict[str, JsonValue]) -> JsonValue:
        """One task: {"chamber", "fault", "hours", "answer_s", "guard", "change", "share", "fit"}."""
        chamber, change = str(task["chamber"]), task.get("change")
        share, fitted = float(str(task.get("share") or 0.0)), json.dumps(task.get("fit"))
        name, hours = task.get("fault"), float(str(task["hours"]))
        answer = task.get("answer_s")
        fault = None if name is None else self._faults[str(name)]
        try:
            if not task["guard"]:
                return asdict(unguarded(self._stand(chamber, None, 0.0, fitted), fault, hours))
            stand, healthy = self._ready(chamber, None if change is None else str(change), share, fitted)
            answer_s = None if answer is None else float(str(answer))
            return asdict(guarded(healthy, stand, fault, hours, answer_s))
        except NeverOpens as never:
            return {"never_opens": str(never)}

    def _made(self, chamber: str, change: str | None, share: float, fitted: str) -> tuple[Stand, Played]:
        stand = self._stand(chamber, change, share, fitted)
        return stand, ready(stand)

    def _stand(self, chamber: str, change: str | None, share: float, fitted: str) -> Stand:
        stand = stand_of(self._site, next(one for one in self._site.chambers if one.name == chamber))
        found = json.loads(fitted)
        stand = stand if found is None else Fit(**found).on(stand)
        return stand if change is None else trials(stand, share)[change].makes(stand)


def main(argv: Sequence[str] | None = None) -> int:
    """Work until there is no more."""
    path, *own = sys.argv[1:] if argv is None else argv
    bench = Bench(Path(path), Path(own[0]) if own else None)
    for line in sys.stdin:
        print(json.dumps(bench.play(json.loads(line))), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
