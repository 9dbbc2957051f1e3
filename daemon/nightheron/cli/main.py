"""The command ``nightheron``: finds the command named, and nothing else is imported.

Exit codes: 0 fine, 1 a finding, 2 usage or configuration, 3 the service cannot be reached, 70 a fault
of the program itself, 130 interrupted.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType

PROGRAM_FAULT = 70
INTERRUPTED = 130
USAGE = 2
COMMANDS = (
    ("run", "nightheron.cli.run"),
    ("check", "nightheron.cli.check"),
    ("rehearse", "nightheron.cli.rehearse"),
    ("demo", "nightheron.cli.demo"),
    ("status", "nightheron.cli.status"),
    ("why", "nightheron.cli.why"),
    ("night", "nightheron.cli.night"),
    ("log", "nightheron.cli.log"),
    ("verify", "nightheron.cli.verify"),
    ("copy", "nightheron.cli.copy"),
    ("archive", "nightheron.cli.archive"),
    ("replay", "nightheron.cli.replay"),
    ("valve", "nightheron.cli.valve"),
    ("service", "nightheron.cli.service"),
    ("changed", "nightheron.cli.changed"),
    ("release", "nightheron.cli.release"),
    ("alarms", "nightheron.cli.alarms"),
    ("ack", "nightheron.cli.ack"),
    ("shelve", "nightheron.cli.shelve"),
    ("listen", "nightheron.cli.listen"),
    ("rig", "nightheron.cli.rig"),
)
"""In the order of ``--help``. A command file has HELP, add_arguments(parser) and run(args) -> exit code."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code and lets no traceback out."""
    try:
        code = _run(sys.argv[1:] if argv is None else argv)
        sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever read has seen enough; Python must not complain again when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as fault:  # a person gets a sentence, whatever happened
        said = f"{type(fault).__name__}: {fault}".splitlines()[0][:300]
        _say(f"nightheron met a fault of its own and stopped ({said}). Gas is never opened by this.")
        return PROGRAM_FAULT
    return code


def _run(argv: Sequence[str]) -> int:
    modules = {name: path for name, path in COMMANDS if find_spec(path) is not None}
    wanted = next((word for word in argv if not word.startswith("-")), None)
    parser = _parser(modules, wanted, argv)
    args = parser.parse_args(argv)
    if args.command is None:
        parser.print_help()
        return USAGE
    # `check` names each of them itself, beside the faults of the file.
    refused = "" if args.command == "check" else _unknown_variables()
    if refused:
        _say(refused)
        return USAGE
    args.config = Path(args.config or os.environ.get("NIGHTHERON_CONFIG") or _default_config())
    code = modules_of(modules[args.command]).run(args)
    return int(code)


def _parser(modules: dict[str, str], wanted: str | None, argv: Sequence[str]) -> argparse.ArgumentParser:
    """A parser that has every command's name and only the wanted one's arguments."""
    parser = argparse.ArgumentParser(
        prog="nightheron",
        description="Keeps watch over a CO2-fed chamber of calcium carbonate; shuts the gas on any doubt.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, path in modules.items():
        if name != wanted and (wanted in modules or "--version" in argv):
            commands.add_parser(name)
            continue
        module = modules_of(path)
        one = commands.add_parser(name, help=module.HELP, description=module.HELP, allow_abbrev=False)
        one.add_argument(
            "--config",
            metavar="PATH",
            help="the configuration (default: NIGHTHERON_CONFIG, else /etc/nightheron/nightheron.toml)",
        )
        module.add_arguments(one)
    return parser


def modules_of(path: str) -> ModuleType:
    """Import one command."""
    return import_module(path)


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: object, **__: object) -> None:
        from nightheron.version import program_version

        print(f"nightheron {program_version()}")
        parser.exit()


def _unknown_variables() -> str:
    """One sentence for each variable with our prefix that nothing reads; empty when there is none."""
    if not any(name.upper().startswith("NIGHTHERON_") for name in os.environ):
        return ""
    from nightheron.settings.source import environment_faults

    return "\n".join(str(fault) for fault in environment_faults(os.environ))


def _default_config() -> str:
    from nightheron.settings.source import DEFAULT_PATH

    return str(DEFAULT_PATH)


def _say(text: str) -> None:
    print(text, file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
