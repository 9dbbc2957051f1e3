"""Write a year of a simulated site, a line a minute: ``python -m nightheron.rig.year --out FILE``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from nightheron.rig.nights import HEAD, minutes, row, year_site


def main(argv: Sequence[str] | None = None) -> int:
    """0 written, 2 when the arguments or the file cannot be used."""
    parser = argparse.ArgumentParser(prog="python -m nightheron.rig.year", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="the file to write, as CSV; never replaced")
    parser.add_argument("--days", type=int, default=365, help="how many (365)")
    parser.add_argument("--site", type=int, default=0, metavar="N", help="which site; 0 is the plain one (0)")
    parser.add_argument("--step-s", type=float, default=5.0, help="seconds a step of the water, 1 to 10 (5)")
    args = parser.parse_args(argv)
    if not 1 <= args.days <= 36_500 or not 1.0 <= args.step_s <= 10.0 or 60.0 % args.step_s:
        parser.error("--days is 1 to 36500, and --step-s a part of a minute from 1 to 10")
    try:
        with args.out.open("x") as table:
            table.write(HEAD + "\n")
            for one in minutes(args.days, year_site(args.site, args.step_s)):
                table.write(row(one) + "\n")
                if one.minute % 14400 == 0 and sys.stderr.isatty():
                    print(f"\rday {one.minute // 1440}", end="", file=sys.stderr, flush=True)
    except OSError as fault:
        print(f"{args.out} cannot be written: {fault.strerror}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
