"""Drift on simulated chambers: what is found, how soon, under which cause, and how often for nothing.

    python -m tests.bench.drift [--sites 6] [--years 5] [--write]

Every method gets the same samples: each stream's middle of six hours, less its median at that hour of the
day, over 1.4826 MAD, both from the first fourteen days. The guard's own search (its charts and its table of
causes, from the same hours) stands beside a bare CUSUM (k 1/2, h 5, no correction) and beside Page-Hinkley
and ADWIN of river with their defaults. A method finds a case when any of its streams speaks after it began;
alarms are counted from the fifteenth day on, and of one stream once a week at most.
``--write`` puts the tables into tests/bench/RESULTS.md, between its marks.
"""

from __future__ import annotations

import argparse
import copy
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from nightheron.guard.ageing import DAY_S, Record, ageing, leaves_band
from nightheron.guard.causes import Cause
from nightheron.guard.cusum import Chart, Cusum
from nightheron.guard.streams import Stream
from nightheron.guard.usual import BLOCK_HOURS, LEARN_BLOCKS, learn
from nightheron.model import Reason
from river.drift import ADWIN, PageHinkley

from tests.support.drifting import Change, Lived

LEARN_D = LEARN_BLOCKS / 4 + 0.75
CASE_D = 14.0
CALIBRATED_D = 14.0
AGAIN_D = 7.0
RESULTS = Path(__file__).with_name("RESULTS.md")
BEGIN, END = "<!-- drift: begin -->", "<!-- drift: end -->"
METHODS = ("guard", "bare CUSUM", "Page-Hinkley", "ADWIN")


def ramp(put: Callable[..., None], to: float, days: float) -> Change:
    """``put(plant, bay, share)`` with a share that goes from 0 to ``to`` over ``days``, and stays."""
    return lambda plant, bay, at: put(plant, bay, to * min(1.0, at / days))


@dataclass(frozen=True)
class Case:
    """Something that drifts: what is told of it, and the cause that must be named."""

    name: str
    change: Change
    reason: Reason
    cause: Cause
    days: float = CASE_D
    """For so long it is looked for."""


def _set(part: str, name: str, healthy: float = 1.0) -> Callable[..., None]:
    """Multiplies (healthy 1) or sets (else) a field of the chamber's or the site's ``wrong``."""

    def put(plant: object, bay: object, share: float) -> None:
        owner = bay if hasattr(bay, part) else plant
        bad = getattr(owner, part)
        bad = getattr(bad, "bad", bad)
        now = getattr(bad, name) if (part, name) in WANDERING else healthy
        setattr(bad, name, now * (1.0 + share) if healthy else share)

    return put


WANDERING = {("gas", "needle"), ("water", "feed"), ("room_bad", "air")}
CASES = (
    Case("needle +20 % in a week", ramp(_set("gas", "needle"), 0.2, 7), Reason.DRIFT, Cause.NEEDLE_OPEN),
    Case("flow -30 % in two days", ramp(_set("water", "feed"), -0.3, 2), Reason.DRIFT, Cause.EFFLUENT),
    Case(
        "0.005 pH/day between twins",
        lambda _, bay, __: setattr(bay.probes[1].bad, "drift_ph_per_day", 0.005),
        Reason.PROBE_DRIFT,
        Cause.ONE_PROBE,
    ),
    Case(
        "probe slope -1 %/week, beside a twin (42 d)",
        lambda _, bay, at: setattr(bay.probe.bad, "slope", 1.0 - 0.01 * at / 7.0),
        Reason.PROBE_DRIFT,
        Cause.ONE_PROBE,
        42.0,
    ),
    Case("gas -30 % in five days", ramp(_set("gas", "cylinder"), -0.3, 5), Reason.DRIFT, Cause.CYLINDER),
    Case("line -25 % in a week", ramp(_set("gas", "line"), -0.25, 7), Reason.DRIFT, Cause.LINE),
    Case(
        "valve passes 10 % when shut",
        ramp(_set("valve", "leaks", 0.0), 0.1, 3),
        Reason.DRIFT,
        Cause.VALVE_PASSES,
    ),
    Case("media -40 % in a week", ramp(_set("water", "media"), -0.4, 7), Reason.DRIFT, Cause.MEDIA),
    Case(
        "circulation -60 % in three days",
        ramp(_set("water", "circulation"), -0.6, 3),
        Reason.DRIFT,
        Cause.CIRCULATION,
    ),
    Case(
        "probe fouls to 150 s in a week",
        lambda _, bay, at: setattr(bay.probe.bad, "lag_s", 20.0 + 130.0 * min(1.0, at / 7.0)),
        Reason.DRIFT,
        Cause.FOULED,
    ),
    Case(
        "noise x 3 in three days",
        lambda _, bay, at: setattr(bay.probe.bad, "noise_ph", 0.004 + 0.008 * min(1.0, at / 3.0)),
        Reason.PROBE_DRIFT,
        Cause.INTERFERENCE,
    ),
    Case(
        "room air -70 % in two days",
        ramp(_set("room_bad", "air"), -0.7, 2),
        Reason.TANK_DRIFT,
        Cause.ROOM_CO2,
    ),
)
"""The four stated sizes first; the others to see whether the cause is named."""


@dataclass
class Found:
    """What one run found; days count from the beginning of the case, or of watching."""

    at_d: dict[str, float] = field(default_factory=dict)
    """By method, when it first spoke."""
    count: dict[str, int] = field(default_factory=dict)
    """By method, how often it began to speak."""
    told: list[tuple[float, Reason, str]] = field(default_factory=list)
    watched_d: float = 0.0


# ---- the same samples for every method ----


def samples(lived: Lived) -> Iterator[tuple[Stream, list[tuple[float, float]]]]:
    """Of each stream (day, standardised value), the days from which it is standardised among them."""
    learned_h = LEARN_BLOCKS * BLOCK_HOURS
    for stream in Stream:
        rows = [
            [hour // BLOCK_HOURS, of_day, values[stream]]
            for hour, (of_day, values) in enumerate(lived.hourly)
            if stream in values
        ]
        first = [row for row in rows if row[0] < LEARN_BLOCKS]
        if len(first) < learned_h // 8:
            continue
        usual = learn(first, 1e-9)
        blocks: dict[int, list[float]] = {}
        for block, of_day, value in rows:
            blocks.setdefault(int(block), []).append(value - usual.at_hour[int(of_day)])
        yield (
            stream,
            [((b + 1) * BLOCK_HOURS / 24.0, median(off) / usual.sd) for b, off in blocks.items()],
        )


def bare_cusum() -> Callable[[float], bool]:
    """k 1/2 and h 5, set back to 0 when it spoke."""
    chart, sums = Chart(0.5, 5.0), [Cusum()]

    def add(z: float) -> bool:
        said = sums[0].add(z, chart) != 0
        if said:
            sums[0] = Cusum()
        return said

    return add


def of_river(make: Callable[[], ADWIN | PageHinkley]) -> Callable[[], Callable[[float], bool]]:
    """A detector of river, with its defaults."""

    def begin() -> Callable[[float], bool]:
        detector = make()

        def add(z: float) -> bool:
            detector.update(z)  # type: ignore[no-untyped-call]  # river has no types
            return bool(detector.drift_detected)

        return add

    return begin


OTHERS = {"bare CUSUM": bare_cusum, "Page-Hinkley": of_river(PageHinkley), "ADWIN": of_river(ADWIN)}


def judge(lived: Lived, from_d: float) -> Found:
    """Every method over the whole life; what spoke before ``from_d`` was not of the case."""
    found = Found(told=[one for one in lived.told if one[0] > from_d], watched_d=lived.days - LEARN_D)
    if found.told:
        found.at_d["guard"] = found.told[0][0] - from_d
    found.count["guard"] = len(lived.told)
    series = list(samples(lived))
    for name, begin in OTHERS.items():
        spoke: list[float] = []
        found.count[name] = 0
        for _, values in series:
            add = begin()
            own = [day for day, z in values if add(z) and day > LEARN_D]
            found.count[name] += episodes(own)
            spoke += own
        after = [day for day in spoke if day > from_d]
        if after:
            found.at_d[name] = min(after) - from_d
    return found


def episodes(days: Sequence[float]) -> int:
    """How often a stream began to speak: what it says again within a week is the same alarm."""
    return sum(place == 0 or day - days[place - 1] > AGAIN_D for place, day in enumerate(days))


# ---- runs ----


def healthy(number: int, days: float) -> Found:
    """A site that nothing happens to."""
    lived = Lived(number)
    lived.live(days)
    return judge(lived, LEARN_D)


def cases(number: int, only: str = "") -> dict[str, Found]:
    """Every case on one site whose name holds ``only``, from the same two weeks."""
    learned = Lived(number)
    learned.live(LEARN_D)
    found = {}
    for case in CASES:
        if only not in case.name:
            continue
        lived = copy.deepcopy(learned)
        lived.live(case.days, case.change)
        found[case.name] = judge(lived, LEARN_D)
    return found


def run(sites: int, years: int, only: str = "") -> tuple[list[Found], dict[str, list[Found]]]:
    """All of it, one after the other, with progress on stderr."""
    begun = time.monotonic()

    def say(what: str) -> None:
        print(f"{time.monotonic() - begun:6.0f} s  {what}", file=sys.stderr, flush=True)

    by_case: dict[str, list[Found]] = {case.name: [] for case in CASES}
    for number in range(1, sites + 1):
        for name, one in cases(number, only).items():
            by_case[name].append(one)
        say(f"cases on site {number} of {sites}")
    quiet = []
    for number in range(1, years + 1):
        quiet.append(healthy(number, 365.0))
        say(f"healthy year {number} of {years}: told {[reason.value for _, reason, _ in quiet[-1].told]}")
    return quiet, by_case


# ---- calibrations ----


def calibrated(slope_per_week: float, dice: random.Random) -> float | None:
    """Days until the ageing is told, at most a year; None when it never is.

    Calibrated every ``CALIBRATED_D`` days, each time off by 0.3 % and 0.5 mV (sd, assumed).
    """
    records = []
    for n in range(round(364 / CALIBRATED_D)):
        at_d = n * CALIBRATED_D
        slope = 98.0 + slope_per_week * at_d / 7.0 + dice.gauss(0.0, 0.3)
        records.append(Record(at_d * DAY_S, slope, dice.gauss(0.0, 0.5)))
        if ageing(records):
            return at_d
    return None


def covered(dice: random.Random, after: int) -> bool | None:
    """Whether the interval told after so many calibrations holds the day on which -1 %/week passes 90 %."""
    points = [(14.0 * n, 98.0 - 2.0 * n + dice.gauss(0.0, 0.3)) for n in range(after)]
    leaves = leaves_band(points, (90.0, 105.0))
    if leaves is None:
        return None
    true_d = 56.0 - points[-1][0]
    return leaves.soonest_d <= true_d + 1.0 and (leaves.latest_d is None or true_d <= leaves.latest_d)


# ---- the tables ----


def table(quiet: Sequence[Found], by_case: dict[str, list[Found]]) -> Iterator[str]:
    """Lines of Markdown."""
    years = sum(one.watched_d for one in quiet) / 365.0
    yield "| | " + " | ".join(METHODS) + " | cause named | named first |"
    yield "| --- |" + " --- |" * (len(METHODS) + 2)
    if quiet:
        rates = [f"{sum(one.count[m] for one in quiet) / years:.2f}" for m in METHODS]
        what = f"false alarms a chamber-year ({years:.1f} watched; two probes and a tank's each)"
        yield f"| {what} | " + " | ".join(rates) + " | | |"
    for case in (one for one in CASES if by_case[one.name]):
        runs = by_case[case.name]
        cells = [_cell(runs, method) for method in METHODS]
        spoken = [one for one in runs if one.told]
        named = sum(case.cause.value in one.told[0][2] for one in spoken)
        first = sum(_first_cause(one.told[0][2]) == case.cause.value for one in spoken)
        yield f"| {case.name} | " + " | ".join(cells) + f" | {named}/{len(spoken)} | {first}/{len(spoken)} |"


def _cell(runs: Sequence[Found], method: str) -> str:
    days = [one.at_d[method] for one in runs if method in one.at_d]
    share = f"{len(days)}/{len(runs)}"
    return f"{share}, {median(days):.1f} d" if days else share


def _first_cause(text: str) -> str:
    likely = text.partition("Likely")[2].partition(": ")[2]
    return likely.partition(";")[0].partition(". ")[0]


def ages(seed: int) -> Iterator[str]:
    """What calibrations alone say of a probe."""
    dice = random.Random(seed)  # noqa: S311 - noise, no secret
    aged = [calibrated(-1.0, dice) for _ in range(200)]
    well = [calibrated(-0.05, dice) for _ in range(200)]
    held = {n: [c for c in (covered(dice, n) for _ in range(400)) if c is not None] for n in (3, 4)}
    told = sorted(day for day in aged if day is not None)
    again = sum(day is not None for day in well)
    shares = " and ".join(f"{sum(c) / len(c):.0%} after {n} calibrations" for n, c in held.items())
    yield (
        f"Probe slope -1 %/week from 98 %, calibrated every {CALIBRATED_D:.0f} days to 0.3 %: told for "
        f"{len(told)} of {len(aged)} probes, in the median {median(told):.0f} days after the first "
        f"calibration (90 % is passed on day 56); -0.05 %/week: told for {again} of {len(well)} probes in a "
        f"year. The interval told holds the true day for {shares}."
    )


def main(argv: Sequence[str] | None = None) -> int:
    """0 when the figures are reached, 1 when not."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.drift", description=__doc__)
    parser.add_argument("--sites", type=int, default=6, help="sites on which every case is played (6)")
    parser.add_argument("--years", type=int, default=5, help="healthy years, a site each (5)")
    parser.add_argument("--only", default="", metavar="TEXT", help="only cases whose name holds this")
    parser.add_argument("--write", action="store_true", help="put the tables into RESULTS.md")
    args = parser.parse_args(argv)
    begun, cpu = time.monotonic(), time.process_time()
    quiet, by_case = run(args.sites, args.years, args.only)
    git = ["git", "rev-parse", "--short", "HEAD"]
    commit = subprocess.run(git, capture_output=True, text=True, check=False).stdout.strip()  # noqa: S603 - fixed words
    told = [(case, one) for case in CASES for one in by_case[case.name] if one.told]
    named = sum(case.cause.value in one.told[0][2] for case, one in told)
    minutes, cpu_minutes = (time.monotonic() - begun) / 60, (time.process_time() - cpu) / 60
    lines = [
        "## Drift",
        "",
        f"`python -m tests.bench.drift --sites {args.sites} --years {args.years}`; a site's number is its "
        f"seed; commit {commit}; {cpu_minutes:.0f} minutes of one core ({minutes:.0f} on a busy machine). "
        f"Each cell: in how many of the sites it was found, within {CASE_D:.0f} days where no other span is "
        "named, and the median delay.",
        "",
        *table(quiet, by_case),
        "",
        f"The cause was named in {named} of {len(told)} first alerts ({named / max(1, len(told)):.0%}).",
        *ages(1),
    ]
    print("\n".join(lines))
    if args.write:
        _write("\n".join([BEGIN, *lines, END]))
    years = max(1.0, sum(one.watched_d for one in quiet) / 365.0)
    false = sum(one.count["guard"] for one in quiet) / years
    stated = all(one.told for case in CASES[:4] for one in by_case[case.name])
    return 0 if false <= 0.5 and stated and named >= 0.95 * len(told) else 1


def _write(block: str) -> None:
    text = RESULTS.read_text() if RESULTS.exists() else "# Measured\n"
    before, begin, rest = text.partition(BEGIN)
    after = rest.partition(END)[2] if begin else "\n"
    RESULTS.write_text(before.rstrip("\n") + "\n\n" + block + after)


if __name__ == "__main__":
    sys.exit(main())
