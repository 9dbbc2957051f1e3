"""``nightheron demo``: one simulated night through the service's own loop, on a virtual clock."""

from __future__ import annotations

import argparse
import contextlib
import shlex
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from nightheron.report.series import Series
    from nightheron.settings.site import Site

HELP = "one simulated night, faults included; shows what the guard does and how to check it"
FOLDER = "nightheron-demo"
MARKER = "made-by-nightheron-demo"
MARKED = "This folder was made by nightheron demo, which replaces it when it runs again.\n"
CONFIG, REPORT, PAGE = "nightheron.toml", "night.txt", "night.html"
INTRODUCTION = """\
This is a SIMULATION: a greenhouse that does not exist, on a virtual clock, its
two chambers and their tank reckoned second by second. The decisions, the rows
and the journal are real, made by the service's own loop. Times are UTC.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Where to put the result."""
    parser.add_argument(
        "--dir",
        type=Path,
        default=Path(),
        metavar="DIR",
        help=f"make {FOLDER}/ here (default: where you are)",
    )


def run(args: argparse.Namespace) -> int:
    """0 made, 2 when the folder cannot be made or is somebody else's."""
    from nightheron.settings import BadConfiguration

    target = args.dir / FOLDER
    try:
        refused = _refused(target)
        if refused is None:
            # Names this short keep the path of the work no longer than that of the result.
            with tempfile.TemporaryDirectory(prefix=".nh-", dir=args.dir) as work:
                text = _make(Path(work) / "n", target)
                if target.exists():
                    target.rename(Path(work) / "before")
                (Path(work) / "n").rename(target)
    except OSError as fault:
        refused = f"{target} cannot be made: {fault.strerror}. Give another place with --dir."
    except BadConfiguration as fault:
        refused = f"{target} cannot be used: {fault.faults[0].why}. Give another place with --dir."
    if refused is not None:
        print(refused, file=sys.stderr)
        return 2
    print(text)
    return 0


def _refused(target: Path) -> str | None:
    if not target.parent.is_dir():
        return f"{target.parent} is not a directory; --dir takes one that exists."
    if target.is_symlink() or (target.exists() and not (target / MARKER).is_file()):
        return (
            f"{target} is there and was not made by the demo; move it away, or give another place with --dir."
        )
    return None


def _make(folder: Path, target: Path) -> str:
    """Play the night into ``folder``; the report, whose commands name ``target``."""
    from nightheron.rig.greenhouse import CONFIGURATION
    from nightheron.settings import load

    folder.mkdir()
    (folder / MARKER).write_text(MARKED)
    (folder / CONFIG).write_text(CONFIGURATION)
    site = load(folder / CONFIG, {})
    with _progress() as show:
        play(site, show)
    report = "\n".join([_report(site, target), *_page(site, folder, target)])
    (folder / REPORT).write_text(report + "\n")
    return report


def play(site: Site, show: Callable[[float], None]) -> None:
    """The night of ``rig.greenhouse``, into the site's journal; ``show`` gets the share done."""
    from nightheron.model import NS
    from nightheron.rig.faults import library
    from nightheron.rig.greenhouse import BEGINS, BOOT, INCIDENTS, LENGTH_S, plant
    from nightheron.runtime.clock import VirtualClock
    from nightheron.runtime.virtual import VirtualRun, VirtualSite, pass_unwatched

    clock, water, faults = VirtualClock(1000 * NS, BEGINS, BOOT), VirtualSite(plant()), library()
    begin_ns = clock.now_ns()
    guard = VirtualRun(site, clock, water)

    def live_until(end_s: float) -> None:
        while (left_s := end_s - (clock.now_ns() - begin_ns) / NS) > 0:
            guard.live(min(left_s, 300.0))
            show((clock.now_ns() - begin_ns) / NS / LENGTH_S)

    for incident in INCIDENTS:
        live_until(incident.at_s)
        if incident.put:
            water.faults.put(faults[incident.put], incident.chamber)
        if incident.mend:
            water.faults.mend(incident.mend, incident.chamber)
        if incident.act is not None:
            guard.act(incident.chamber, incident.act, "ana", incident.why, incident.for_s)
        if incident.foreign:
            guard.foreign(incident.chamber, incident.foreign)
        if incident.restart_s is not None:
            guard.die()
            back_ns = clock.now_ns() + round(incident.restart_s * NS)
            while clock.now_ns() < back_ns:
                pass_unwatched(clock, water)
            guard = VirtualRun(site, clock, water)
    live_until(LENGTH_S)
    guard.stop("the night is over")


def _report(site: Site, target: Path) -> str:
    from datetime import UTC, timedelta

    from nightheron.journal.query import Wanted, entries
    from nightheron.journal.when import utc_text
    from nightheron.report.night import night
    from nightheron.report.night_text import clock, legend, story, summary, table
    from nightheron.rig.greenhouse import BEGINS, INCIDENTS, LENGTH_S

    path = site.data_dir / "journal.db"
    since, until = utc_text(BEGINS), utc_text(BEGINS + timedelta(seconds=LENGTH_S))
    found: dict[str, Any] = night(entries(path), since, until)
    lines = [INTRODUCTION, "What was done to it:"]
    for one in INCIDENTS:
        lines += [f"  {clock(utc_text(BEGINS + timedelta(seconds=one.at_s)), UTC)}  {one.text}"]
    lines += ["", "What the guard did:", *table(found, UTC, many=True), "", *summary(found), ""]
    lines += legend(found)
    trip = found["trips"][0]
    rows = [row for row in entries(path, Wanted(since=trip["from"])) if row["kind"] in ("decision", "alarm")]
    lines += ["", "One of them from near:", *story(trip, rows, UTC)]
    return "\n".join([*lines, "", *_how_to_verify(path, target)])


def _page(site: Site, folder: Path, target: Path) -> list[str]:
    """The night as a page with pictures, where the library that draws them is installed; where it is."""
    from datetime import UTC, timedelta

    from nightheron.cli.night import look
    from nightheron.cli.night_html import html_of
    from nightheron.cli.times import Times
    from nightheron.journal.when import utc_text
    from nightheron.rig.greenhouse import BEGINS, LENGTH_S

    path, end = site.data_dir / "journal.db", BEGINS + timedelta(seconds=LENGTH_S)
    seen: dict[str, Series] = {}
    times = Times("UTC", UTC, end)
    found = look(path, utc_text(BEGINS), utc_text(end), times, seen=seen)
    try:
        page = html_of(f"{site.name} (simulated)", path, found, seen, times)
    except ValueError as fault:
        return [f"No page with pictures: {fault}"]
    (folder / PAGE).write_text(page, encoding="utf-8")
    return [f"The same as a page with pictures: {target / PAGE}"]


def _how_to_verify(journal: Path, target: Path) -> list[str]:
    from nightheron.journal.verify import verify

    result = verify(journal)
    program, config = shlex.quote(_program()), shlex.quote(str(target / CONFIG))
    return [
        f"The journal has {result.entries} entries; each holds the hash of the one before. Its head,",
        f"  {result.head}",
        "is the same whenever this version plays this night. See for yourself:",
        f"  {program} verify --config {config}",
        f"  {program} log --config {config} --kind decision",
        f"  {program} check --config {config}",
        "and, without this program, from the folder of its sources:",
        f"  python3 deploy/verify_journal.py {shlex.quote(str(target / 'journal.db'))}",
        f"All this is kept in {target / REPORT}.",
    ]


def _program() -> str:
    """How this program is called here: by its name where the shell finds it, else as it was called now."""
    called = Path(sys.argv[0])
    return "nightheron" if shutil.which("nightheron") or called.name != "nightheron" else str(called)


@contextlib.contextmanager
def _progress() -> Any:
    """A line on a terminal that is wiped at the end; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    try:
        yield lambda share: print(
            f"\rplaying the night: {100 * share:3.0f} %", end="", file=sys.stderr, flush=True
        )
    finally:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
