"""``nightheron run``: the service, in the foreground."""

from __future__ import annotations

import argparse
import os
import sys

HELP = "guard the chambers: the service, in the foreground"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """No options beside --config."""
    del parser


def run(args: argparse.Namespace) -> int:
    """0 stopped in good order, 1 could not start (another runs), 2 configuration, 70 a fault."""
    from nightheron.cli.journal_path import closed_to_us
    from nightheron.settings import BadConfiguration, load

    # Before anything in there is read: what it holds would be called missing or broken.
    refused = closed_to_us(args.config, os.environ)
    if refused:
        print(refused, file=sys.stderr)
        return 2
    try:
        site = load(args.config, os.environ)
    except BadConfiguration as fault:
        print(fault, file=sys.stderr)
        return 2
    from nightheron.runtime.errors import CannotStart
    from nightheron.runtime.service import serve

    try:
        return serve(site, os.environ)
    except CannotStart as fault:
        print(fault, file=sys.stderr)
        return 1
