"""nightheron check: validate the configuration; show the wiring, the rules and the response-time budget."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from nightheron.settings import (
    BadConfiguration,
    KeyFault,
    budget,
    data_dir_fault,
    load,
    warnings,
)

HELP = "validate the configuration; show wiring, rules and response-time budget"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What this command takes beside --config."""
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """0 when the configuration can be used, with or without warnings; 2 when it cannot."""
    path: Path = args.config
    try:
        site = load(path, os.environ)
        unusable = data_dir_fault(site.data_dir)
        if unusable is not None:
            raise BadConfiguration((unusable,))
    except BadConfiguration as bad:
        return _refused(_cause_first(bad.faults, path), str(path), as_json=args.json)
    from nightheron.cli import check_text

    rows, cautions = budget(site), warnings(site)
    if args.json:
        print(check_text.as_json(site, rows, cautions))
    else:
        print(check_text.as_text(site, rows, cautions))
    return 0


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
