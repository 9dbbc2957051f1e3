"""nightheron check: validate the configuration; show the wiring, the rules and the response-time budget."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from nightheron.settings import (
    BadConfiguration,
    KeyFault,
    budget,
    data_dir_fault,
    load,
    warnings,
)

if TYPE_CHECKING:
    from nightheron.settings.site import Site

HELP = "validate the configuration; show wiring, rules and response-time budget"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What this command takes beside --config."""
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--away", metavar="SPAN", help="may it be left alone so long, such as 14d; and a sheet to print"
    )


def run(args: argparse.Namespace) -> int:
    """0 when the configuration can be used, with or without warnings; 2 when it cannot.

    With --away: 0 safe to leave, 1 not.
    """
    path: Path = args.config
    span: str | None = getattr(args, "away", None)
    try:
        site = load(path, os.environ)
        unusable = data_dir_fault(site.data_dir)
        if unusable is not None:
            raise BadConfiguration((unusable,))
    except BadConfiguration as bad:
        return _refused(_cause_first(bad.faults, path), str(path), as_json=args.json)
    if span is not None:
        return _away(site, span, as_json=args.json)
    from nightheron.cli import check_text

    rows, cautions = budget(site), warnings(site)
    if args.json:
        print(check_text.as_json(site, rows, cautions))
    else:
        print(check_text.as_text(site, rows, cautions))
    return 0


def _away(site: Site, span: str, *, as_json: bool) -> int:
    from nightheron.cli.away import away, days_of

    try:
        days = days_of(span)
    except ValueError as fault:
        print(fault, file=sys.stderr)
        return 2
    return away(site, warnings(site), days, as_json=as_json)


def _cause_first(faults: tuple[KeyFault, ...], path: Path) -> tuple[KeyFault, ...]:
    """A data directory that is closed to this user comes before what could not be read in it."""
    from nightheron.cli.journal_path import closed_to_us

    closed = closed_to_us(path, os.environ)
    if not closed or any(fault.key == "site.data_dir" for fault in faults):
        return faults
    key, _, why = closed.partition(": ")
    return (KeyFault(key, why), *(fault for fault in faults if "calibration record" not in fault.why))


def _refused(faults: tuple[KeyFault, ...], path: str, *, as_json: bool) -> int:
    if as_json:
        import json

        errors = [{"key": f.key, "why": f.why} for f in faults]
        print(json.dumps({"ok": False, "errors": errors, "warnings": [], "budget": []}, indent=2))
        return 2
    for fault in faults:
        print(f"{fault.key}: {fault.why}", file=sys.stderr)
    count = "one fault" if len(faults) == 1 else f"{len(faults)} faults"
    print(f"{count} in {path!r}; nothing was started and gas stays shut", file=sys.stderr)
    return 2
