"""Random nights with faults through the service's own loop into a real journal, and their replay.

    python -m tests.support.recorded_nights --nights 200 --hours 6

deals a chamber, breaks things, kills the guard and lets people act, all by the night's number, and says
whether every decision is made again, bit for bit. ``tests/bench/RESULTS.md`` has what it last said.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from nightheron.journal.query import Wanted, entries
from nightheron.journal.verify import verify
from nightheron.model import NS, Act
from nightheron.report.replayed import Result
from nightheron.rig.dealt import Dealt, dealt
from nightheron.rig.faults import library
from nightheron.rig.nights import CHAMBER
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.virtual import VirtualRun, VirtualSite, pass_unwatched
from nightheron.settings import load
from nightheron.settings.site import Site

from tests.support.replays import replayed

LIBRARY = library()
BEGINS = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
TICKS_PER_S = 4
ACTS = (Act.SERVICE_ON, Act.SERVICE_OFF, Act.RELEASE, Act.TEST, Act.CLOSE)
Happening = tuple[float, Callable[["Night"], None]]


@dataclass
class Night:
    """One night on its way."""

    site: Site
    clock: VirtualClock
    water: VirtualSite
    run: VirtualRun = field(init=False)

    def __post_init__(self) -> None:
        self.run = VirtualRun(self.site, self.clock, self.water)

    def put(self, name: str) -> None:
        """Something breaks."""
        self.water.faults.put(LIBRARY[name], CHAMBER)

    def mend(self) -> None:
        """All is well again, as far as things go."""
        self.water.faults.mend()

    def killed(self, dead_s: float) -> None:
        """The guard dies and comes back."""
        self.run.die()
        for _ in range(round(dead_s * TICKS_PER_S)):
            pass_unwatched(self.clock, self.water)
        self.run = VirtualRun(self.site, self.clock, self.water)

    def act(self, act: Act) -> None:
        """A person acts."""
        self.run.act(CHAMBER, act, "somebody", "one of the nights", 600.0)

    def foreign(self) -> None:
        """Somebody else sends OPEN."""
        self.run.foreign(CHAMBER, "OPEN")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one night."""

    number: int
    broken: tuple[str, ...]
    reasons: frozenset[str]
    result: Result
    whole: bool
    """The journal verifies."""

    @property
    def same(self) -> bool:
        """All of it was replayed, and nothing differs."""
        found = self.result
        return self.whole and found.identical and not found.skipped and found.evaluations > 0


def night(number: int, hours: float, folder: Path) -> Outcome:
    """The night of that number, played into ``folder`` and replayed."""
    dice = random.Random(f"recorded {number}")  # noqa: S311 - a made-up night, no secret
    chamber = _chamber(number)
    config = folder / "nightheron.toml"
    config.write_text(chamber.text.replace('unit = "mv"\n', ""))  # the virtual loop hears pH
    clock = VirtualClock(1000 * NS, BEGINS, f"boot-{number}")
    one = Night(load(config, {}), clock, VirtualSite(chamber.plant()))
    broken, happenings = _dealt_happenings(dice, hours * 3600)
    lived_s = 0.0
    for at_s, happens in happenings:
        one.run.live(at_s - lived_s)
        lived_s = at_s
        happens(one)
    one.run.live(hours * 3600 - lived_s)
    one.run.stop("the night is over")
    path = folder / "journal.db"
    lists = [row["reasons"] for row in entries(path, Wanted(kind="decision"))]
    reasons = frozenset(str(reason) for one in lists if isinstance(one, list) for reason in one)
    return Outcome(number, broken, reasons, replayed(path), verify(path).ok)


def _chamber(number: int) -> Dealt:
    """One that can be: now and then what is dealt is a pH at which media give too little."""
    for turn in range(9):
        with contextlib.suppress(ValueError):
            return dealt(f"recorded {number}" + "!" * turn)
    raise RuntimeError(f"no chamber can be dealt for night {number}")


def _dealt_happenings(dice: random.Random, length_s: float) -> tuple[tuple[str, ...], list[Happening]]:
    """What breaks, by name, and all that happens, in order of time."""
    broken = tuple(dice.sample(sorted(LIBRARY), dice.choice((1, 1, 2, 3))))
    happenings: list[Happening] = []

    def at(happens: Callable[[Night], None], early: float = 0.05, late: float = 0.95) -> None:
        # Whole ticks, so that the night's length is exact.
        happenings.append((round(dice.uniform(early, late) * length_s * TICKS_PER_S) / TICKS_PER_S, happens))

    for name in broken:
        at(lambda one, name=name: one.put(name), late=0.7)  # type: ignore[misc]  # bound now, not later
    if dice.random() < 0.7:
        at(Night.mend, early=0.6)
    for _ in range(dice.choice((0, 0, 1, 2))):
        dead_s = round(dice.uniform(0.5, 90.0), 0)
        at(lambda one, dead_s=dead_s: one.killed(dead_s))  # type: ignore[misc]  # bound now, not later
    for _ in range(dice.choice((0, 1, 2, 4))):
        act = dice.choice(ACTS)
        at(lambda one, act=act: one.act(act))  # type: ignore[misc]  # bound now, not later
    if dice.random() < 0.2:
        at(Night.foreign)
    return broken, sorted(happenings, key=lambda one: one[0])


def main() -> int:
    """0 when every night is made again; 1 when one is not."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--hours", type=float, default=6.0)
    args = parser.parse_args()
    began, outcomes = time.monotonic(), []
    with contextlib.suppress(KeyboardInterrupt):  # then what was played so far is told
        for number in range(args.first, args.first + args.nights):
            with tempfile.TemporaryDirectory() as place:
                one = night(number, args.hours, Path(place))
            outcomes.append(one)
            if not one.same:
                print(f"night {number} ({', '.join(one.broken)}): {one.result}", flush=True)
            elif sys.stderr.isatty():
                print(f"\r{len(outcomes)} of {args.nights}", end="", file=sys.stderr, flush=True)
    print(said(outcomes, args.hours, time.monotonic() - began))
    return 0 if all(one.same for one in outcomes) else 1


def said(outcomes: list[Outcome], hours: float, took_s: float) -> str:
    """The sum of the nights."""
    if not outcomes:
        return "no night was played to its end"
    first, last = outcomes[0].number, outcomes[-1].number
    same = sum(one.same for one in outcomes)
    decisions = sum(one.result.decisions for one in outcomes)
    evaluations = sum(one.result.evaluations for one in outcomes)
    broken = {name for one in outcomes for name in one.broken}
    reasons = {name for one in outcomes for name in one.reasons}
    runs = sum(len(one.result.runs) for one in outcomes)
    return (
        f"nights {first} to {last} of {hours:g} h: {same} of {len(outcomes)} replay bit for bit; "
        f"{decisions} decisions, {evaluations} evaluations, {runs} runs of the service, "
        f"{len(broken)} of {len(LIBRARY)} faults, {len(reasons)} reasons ({', '.join(sorted(reasons))}); "
        f"{took_s / 60:.0f} min"
    )


if __name__ == "__main__":
    sys.exit(main())
