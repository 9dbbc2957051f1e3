"""``nightheron rig``: play a simulated site on pseudo-terminals and a broker, and put faults into it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nightheron.rig.faults import Fault

HELP = "play a simulated site to try the service on, without hardware; put faults in"
ACTS = ("play", "fault", "mend", "look", "faults")
FOLDER = "nightheron-rig"
SOCKET = "rig.sock"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to do, and the site to play."""
    parser.add_argument("act", nargs="?", choices=ACTS, default="play", help="default: play")
    parser.add_argument(
        "name", nargs="?", help="of a fault, for fault, mend and faults; mend without one mends all"
    )
    parser.add_argument(
        "--dir",
        type=Path,
        default=Path(FOLDER),
        metavar="DIR",
        help=f"where its lines are made (default {FOLDER})",
    )
    parser.add_argument("--chamber", default="", help="for fault and mend; default: the first, and every one")
    parser.add_argument(
        "--broker", metavar="HOST[:PORT]", help="with a second chamber, the tank and all instruments on MQTT"
    )
    parser.add_argument(
        "--speed", type=float, default=1.0, metavar="N", help="how much faster the water lives (1)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of all noise (1)")
    parser.add_argument("--fault-file", type=Path, metavar="FILE", help="faults of your own, as TOML")


def run(args: argparse.Namespace) -> int:
    """0 done, 1 the rig refused, 2 the request cannot be understood, 3 no rig or no broker answers."""
    from nightheron.rig.faults import BadFault, library

    try:
        faults = library(args.fault_file)
    except (BadFault, OSError) as why:
        print(f"{args.fault_file} cannot be used: {why}", file=sys.stderr)
        return 2
    if args.act == "play" and args.name is not None:
        print(f"To put a fault in: nightheron rig fault {args.name}", file=sys.stderr)
        return 2
    if args.act == "faults":
        return _list(faults, args.name)
    if args.act != "play":
        return _ask(args)
    from nightheron.cli.rig_play import play

    return play(args, faults)


def _list(faults: dict[str, Fault], name: str | None) -> int:
    if name is None:
        width = max(map(len, faults))
        for fault in faults.values():
            print(f"{fault.name:{width}}  {fault.says}")
        return 0
    if name not in faults:
        print(f"There is no fault {name!r}; nightheron rig faults lists them.", file=sys.stderr)
        return 2
    fault = faults[name]
    print(f"{fault.name} ({fault.breaks})\n  {fault.says}\n  To notice: {fault.notice}")
    print(f"  Unguarded, the water: {', '.join(fault.water)}. The probe: {', '.join(fault.probe)}.")
    if fault.hands:
        print(f"  To do by hand: {fault.hands}.")
    return 0


def _ask(args: argparse.Namespace) -> int:
    """One line to the rig that plays in --dir, and what it said."""
    from nightheron.cli.rig_ask import ask

    if args.act == "fault" and args.name is None:
        print("Which fault? nightheron rig faults lists them.", file=sys.stderr)
        return 2
    line = "look"
    if args.act == "fault":
        line = f"fault {args.chamber or 'first'} {args.name}"
    elif args.act == "mend":
        line = f"mend {args.chamber or 'all'} {args.name or 'all'}"
    try:
        said = ask(args.dir / SOCKET, line)
    except OSError as why:
        print(
            f"No rig plays in {args.dir} ({why.strerror or why}); start one with nightheron rig, "
            "or say where with --dir.",
            file=sys.stderr,
        )
        return 3
    if said.startswith("error: "):
        print(said.removeprefix("error: ").capitalize(), file=sys.stderr)
        return 1
    print(
        "\n".join(said.removeprefix("ok: ").split("; ")) if args.act == "look" else said.removeprefix("ok: ")
    )
    return 0
