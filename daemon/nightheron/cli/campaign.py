"""Play seeded nights with faults through the guard's own core: ``python -m nightheron.cli.campaign``.

Exit codes: 0 green, 1 red, 2 the arguments or a file cannot be used.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from nightheron.rig.campaign_sum import Sum

MOST = 1_000_000


def main(argv: Sequence[str] | None = None) -> int:
    """Run a campaign, or one night of one."""
    parser = argparse.ArgumentParser(
        prog="python -m nightheron.cli.campaign",
        description="Seeded nights of simulated chambers with faults, through the guard's own core.",
        allow_abbrev=False,
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of everything (1)")
    parser.add_argument("--nights", type=int, default=10_000, metavar="M", help="how many (10000)")
    parser.add_argument("--case", action="append", metavar="NAME", help="only its nights of these; repeat it")
    parser.add_argument(
        "--night", type=int, metavar="K", help="this one alone, with a journal and its report"
    )
    parser.add_argument("--dir", type=Path, metavar="DIR", help="for --night: keep its journal here; new")
    parser.add_argument(
        "--processes", type=int, default=os.cpu_count() or 1, metavar="P", help="at once (every core)"
    )
    parser.add_argument("--minutes", type=float, metavar="T", help="begin no night after so long")
    parser.add_argument("--out", type=Path, metavar="FILE", help="each night as a line of JSON; new")
    parser.add_argument("--sum", type=Path, metavar="FILE", help="only add up what --out wrote")
    parser.add_argument("--json", action="store_true", help="the sum as JSON")
    args = parser.parse_args(argv)
    if not 1 <= args.nights <= MOST or not 1 <= args.processes <= 256 or args.seed < 0:
        parser.error(f"--nights is 1 to {MOST}, --processes 1 to 256, --seed not below 0")
    if args.case is not None and (why := _unknown(args.case)):
        parser.error(why)
    if args.night is not None:
        from nightheron.cli.campaign_night import one_night

        return one_night(args.seed, args.night, args.dir, as_json=args.json)
    try:
        if args.sum is not None:
            return _show(args, *_summed(args.sum))
        with args.out.open("x", encoding="utf-8") if args.out else Path(os.devnull).open("w") as lines:
            return _campaign(args, lines)
    except OSError as why:
        print(f"{args.sum or args.out} cannot be used: {why.strerror}", file=sys.stderr)
        return 2
    except (ValueError, TypeError):
        print(f"{args.sum} holds lines that --out did not write", file=sys.stderr)
        return 2


def _unknown(cases: Sequence[str]) -> str:
    from nightheron.rig.night_plan import pack

    unknown = sorted(set(cases) - set(pack()))
    return f"there is no case {unknown[0]!r}; there are: {', '.join(sorted(set(pack())))}" if unknown else ""


def _campaign(args: argparse.Namespace, lines: TextIO) -> int:
    from nightheron.rig.campaign import plans, run
    from nightheron.rig.campaign_sum import Sum
    from nightheron.rig.campaign_workers import run_on
    from nightheron.runtime.clock import Clock

    clock = Clock()
    found, begun_ns, nights = Sum(), clock.now_ns(), plans(args.seed, args.nights)
    nights = [one for one in nights if args.case is None or one.case in args.case]
    most_ns = 60e9 * args.minutes if args.minutes is not None else math.inf

    def over() -> bool:
        return clock.now_ns() - begun_ns >= most_ns

    played = run(nights, over) if args.processes == 1 else run_on(nights, args.processes, over)
    for outcome in played:
        found.add(outcome)
        print(json.dumps(asdict(outcome)), file=lines, flush=True)
        _progress(found, len(nights), (clock.now_ns() - begun_ns) / 1e9)
    took_s = (clock.now_ns() - begun_ns) / 1e9
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
    return _show(args, found, took_s)


def _summed(lines: Path) -> tuple[Sum, None]:
    from nightheron.rig.campaign_sum import Sum
    from nightheron.rig.campaign_workers import outcome_of

    found = Sum()
    for line in lines.read_text(encoding="utf-8").splitlines():
        found.add(outcome_of(json.loads(line)))
    return found, None


def _show(args: argparse.Namespace, found: Sum, took_s: float | None) -> int:
    from nightheron.rig.campaign_text import text

    if args.json:
        took = None if took_s is None else round(took_s, 1)
        print(json.dumps(found.body() | {"seed": args.seed, "seconds": took}))
    else:
        print("\n".join(text(found, args.seed)))
        if took_s is not None:
            print(f"seed {args.seed}, {took_s:.0f} s on {args.processes} process(es)")
    return 1 if found.red() else 0


def _progress(found: Sum, nights: int, took_s: float) -> None:
    """A line on a terminal; nothing in a pipe."""
    if not sys.stderr.isatty():
        return
    left_s = took_s / found.nights * (nights - found.nights)
    said = f"{found.nights} of {nights} nights, {found.hazard_s / 60:.2f} hazard minutes"
    said += f", {left_s / 60:.0f} min left"
    print(f"\r{said}\x1b[K", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
