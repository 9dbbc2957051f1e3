"""No blind band: every value that a probe can be stuck at, over its first day, for several chambers.

    python -m nightheron.rig.grid [--by 0.01] [--period-s 30]

For each value from 5.00 to 8.50 the core hears that value and nothing else: from its start on, from the midst
of an opening on, or from the midst of a rest on. Gas may then be open for one trial, or for one longest
opening where an answer came before, and never again. The figure is the seconds beyond; it must be 0.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import (
    NS,
    Close,
    Committed,
    Event,
    Gas,
    KeeperSaid,
    Observed,
    OpenUntil,
    Record,
    Signal,
    Started,
    State,
    ValveSaid,
)
from nightheron.rig.dealt import loaded
from nightheron.rig.dealt_file import Keys, configuration

LOWEST_PH, HIGHEST_PH = 5.00, 8.50
DAY_S = 86_400
FROM_START, FLOWING, SHUT = "from the start", "while gas flows", "while gas is shut"
MODES = (FROM_START, FLOWING, SHUT)
MOVES_S, MOVES_PH = 600, 0.2
"""An opening that is answered: in so long the reading falls by so much."""


@dataclass(frozen=True, slots=True)
class Case:
    """One chamber, and how its probes are stuck."""

    name: str
    keys: Keys
    noise_ph: float = 0.0
    """Before the reading is rounded."""
    decimals: int = 2
    off_ph: float = 0.0
    """The stuck value lies so far above the digit, so that noise flickers."""
    others_ph: float | None = None
    """What the further probes are stuck at; None: the same value."""

    def limits(self, period_s: float) -> ChamberLimits:
        """Of this chamber, its probes asked so often."""
        stale_s = max(5.0, 3.0 * period_s)
        keys = replace(self.keys, period_s=period_s, stale_s=stale_s, lease_s=max(5.0, 2.0 * period_s))
        return loaded(configuration(keys))


def plain(floor_ph: float, resume_ph: float, probes: int = 1, longest_s: float = 21600.0) -> Keys:
    """A file with the defaults of the reference but these."""
    return Keys(
        floor_ph=floor_ph,
        resume_ph=resume_ph,
        deep_low_margin_ph=0.3,
        settle_s=30.0,
        min_rest_s=120.0,
        longest_opening_s=longest_s,
        trial_opening_s=600.0,
        trial_pause_s=1800.0,
        probes=probes,
        period_s=1.0,
        stale_s=5.0,
        millivolts=False,
        lease_s=5.0,
        feedback=False,
        broker=False,
        device_timer=False,
        tank="",
        signals=(),
    )


CASES = (
    Case("floor inside", plain(6.60, 6.70)),
    Case("floor inside, flickers", plain(6.60, 6.70), noise_ph=0.002, off_ph=0.005),
    Case("floor inside, three decimals, noise", plain(6.60, 6.70), noise_ph=0.002, decimals=3),
    Case("floor below the grid", plain(5.00, 5.01, longest_s=3600.0)),
    Case("floor above the grid", plain(8.40, 8.60)),
    Case("floor and resume close", plain(7.00, 7.02, longest_s=3600.0), noise_ph=0.002, off_ph=0.005),
    Case("two probes", plain(6.60, 6.70, 2, 3600.0)),
    Case("three probes, two stuck elsewhere", plain(6.60, 6.70, 3, 3600.0), others_ph=6.85),
)


@dataclass(frozen=True, slots=True)
class Stuck:
    """What came of one value."""

    case: str
    mode: str
    ph: float
    open_s: float
    """Of gas after the probe stuck."""
    limit_s: float
    ends: State

    @property
    def beyond_s(self) -> float:
        """How long gas was open beyond what it may."""
        return max(0.0, self.open_s - self.limit_s)


class _Day:
    """The core alone with what its probes say, reading by reading."""

    def __init__(self, case: Case, limits: ChamberLimits) -> None:
        self.case, self.limits = case, limits
        self.core = Chamber(limits)
        self.now_ns, self.until_ns, self.open_ns = 1000 * NS, 0, 0
        self.step_ns = round(limits.probes[0].period_s * NS)
        self.dice = random.Random(7)  # noqa: S311 - noise, no secret
        self.feed(Started(self.now_ns, None, 0, False, True))
        self.feed(KeeperSaid(self.now_ns, alive=True))
        self.feed(ValveSaid(self.now_ns, 0, link=True, acked=Gas.CLOSED))

    @property
    def open(self) -> bool:
        return self.now_ns < self.until_ns

    def feed(self, event: Event) -> None:
        for effect in self.core.feed(event):
            if isinstance(effect, OpenUntil):
                self.until_ns = effect.until_ns
            elif isinstance(effect, Close):
                self.until_ns = 0
            elif isinstance(effect, Record):
                self.feed(Committed(self.now_ns, effect.token))

    def reads(self, ph: float, others_ph: float | None = None) -> None:
        """One step of time, and what each probe says at its end."""
        until_ns = self.now_ns + self.step_ns
        self.open_ns += max(0, min(until_ns, self.until_ns) - self.now_ns)
        self.now_ns = until_ns
        for number in range(len(self.limits.probes)):
            one_ph = ph if number == 0 or others_ph is None else others_ph
            noisy = one_ph + self.case.off_ph + self.dice.gauss(0.0, self.case.noise_ph)
            value = round(noisy, self.case.decimals)
            self.feed(Observed(self.now_ns, Signal.CHAMBER_PH, number, value, f"{value:g}"))

    def moves(self, begins_ph: float, by_ph: float) -> None:
        """Water that moves as water does."""
        steps = max(1, round(MOVES_S * NS / self.step_ns))
        for step in range(steps):
            self.reads(begins_ph + by_ph * (step + 1) / steps)


def stuck(case: Case, mode: str, ph: float, period_s: float) -> Stuck:
    """One value for one day."""
    day, limits = _Day(case, case.limits(period_s)), case.limits(period_s)
    if mode != FROM_START:
        _has_lived(day, shut=mode == SHUT)
    before_ns = day.open_ns
    for _ in range(round(DAY_S * NS / day.step_ns)):
        day.reads(ph, case.others_ph)
        if day.core.decision.state is State.LATCHED and not day.open:
            break  # only a person ends it
    limit_s = limits.trial_opening_s if mode == FROM_START else limits.longest_opening_s
    tick_s = day.step_ns / NS
    opened_s = (day.open_ns - before_ns) / NS
    return Stuck(case.name, mode, ph, opened_s, limit_s + tick_s, day.core.decision.state)


def _has_lived(day: _Day, *, shut: bool) -> None:
    """An opening that was answered; and, where asked, the cut that followed and its proof."""
    limits = day.limits
    high_ph = limits.resume_ph + MOVES_PH
    while not day.open:
        day.reads(high_ph)
    day.moves(high_ph, -0.5 * MOVES_PH)
    if shut:
        day.moves(high_ph - 0.5 * MOVES_PH, limits.floor_ph - 0.05 - (high_ph - 0.5 * MOVES_PH))
        day.moves(limits.floor_ph - 0.05, 0.04)


def values(by_ph: float) -> list[float]:
    """Every value of the grid."""
    count = round((HIGHEST_PH - LOWEST_PH) / by_ph)
    return [round(LOWEST_PH + by_ph * place, 4) for place in range(count + 1)]


def grid(by_ph: float, period_s: float, cases: Sequence[Case]) -> Iterator[Stuck]:
    """Every case, every way to be stuck, every value."""
    for case in cases:
        for mode in MODES:
            for ph in values(by_ph):
                yield stuck(case, mode, ph, period_s)


def main(argv: Sequence[str] | None = None) -> int:
    """0 when gas was never open beyond its limit, else 1."""
    parser = argparse.ArgumentParser(prog="python -m nightheron.rig.grid", description=__doc__)
    parser.add_argument("--by", type=float, default=0.01, metavar="PH", help="from value to value (0.01)")
    parser.add_argument("--period-s", type=float, default=30.0, help="seconds from reading to reading (30)")
    parser.add_argument("--json", action="store_true", help="the figures as JSON")
    args = parser.parse_args(argv)
    if not 0.001 <= args.by <= 1.0 or not 0.25 <= args.period_s <= 30.0:
        parser.error("--by is 0.001 to 1, and --period-s 0.25 to 30")
    lines: dict[tuple[str, str], list[Stuck]] = {}
    for one in grid(args.by, args.period_s, CASES):
        lines.setdefault((one.case, one.mode), []).append(one)
        if sys.stderr.isatty():
            print(f"\r{one.case}, {one.mode}: {one.ph:.2f}\x1b[K", end="", file=sys.stderr, flush=True)
    beyond = [one for some in lines.values() for one in some if one.beyond_s > 0.0]
    rows = [
        {
            "case": case,
            "mode": mode,
            "values": len(some),
            "opened": sum(one.open_s > 0.0 for one in some),
            "longest_s": max(one.open_s for one in some),
            "limit_s": some[0].limit_s,
            "beyond": [one.ph for one in some if one.beyond_s > 0.0],
        }
        for (case, mode), some in lines.items()
    ]
    if args.json:
        print(json.dumps({"by": args.by, "period_s": args.period_s, "rows": rows, "beyond": len(beyond)}))
    else:
        for row in rows:
            opened = f"{row['values']:4} values, {row['opened']:4} opened"
            longest = f"longest {row['longest_s']:6.0f} s of {row['limit_s']:6.0f} s"
            print(f"{row['case']:36} {row['mode']:18} {opened}, {longest}; beyond: {row['beyond'] or 'none'}")
        print(f"{len(beyond)} values with gas open beyond its limit (must be 0)")
    return 1 if beyond else 0


if __name__ == "__main__":
    sys.exit(main())
