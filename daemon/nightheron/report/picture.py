"""The picture that goes with the morning's digest: drawn in a process of its own, which may fail or hang.

    python -m nightheron.report.picture        one JSON object on stdin, the PNG on stdout

Exit codes: 0 drawn, 1 it could not be, 3 the library that draws is not installed.
"""

from __future__ import annotations

import io
import json
import resource
import signal
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from nightheron.report import svg
from nightheron.report.series import Bin, Lines, Series

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DEADLINE_S = 60
MEMORY_MOST = 192 << 20
ASKED_MOST = 4 << 20
DOTS_PER_INCH = 130
NO_LIBRARY = 3
COLOURS = {
    svg.INK: "#1d2326",
    svg.MUTED: "#5a6468",
    svg.PAPER: "#ffffff",
    svg.LINE: "#14465f",
    svg.BAND: "#bcd3df",
    svg.FLOOR: "#9b3a12",
    svg.GAS: "#4d7a54",
    svg.GAP: "#6d6d6d",
    svg.TANK: "#4a3f86",
    svg.TRIP: "#a1122c",
}
"""The page's own on paper, where the stand-ins are."""


def main() -> int:
    """Draw what is asked for."""
    signal.setitimer(signal.ITIMER_REAL, DEADLINE_S)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_MOST, MEMORY_MOST))
    try:
        job = json.loads(sys.stdin.buffer.read(ASKED_MOST))
        sys.stdout.buffer.write(drawn(job))
    except ImportError:
        return NO_LIBRARY
    except (ValueError, KeyError, TypeError, MemoryError):
        return 1
    return 0


def drawn(job: Mapping[str, Any]) -> bytes:
    """The PNG. Raises ImportError when matplotlib is not installed."""
    from matplotlib import rc_context

    from nightheron.report.chart import RC, made

    series = _series(job["series"])
    with rc_context(RC):
        closings: Sequence[tuple[str, Mapping[str, Any]]] = [(kind, one) for kind, one in job["closings"]]
        figure = made(series, closings, job["gaps"], {}, ZoneInfo(job["zone"]))
        figure.suptitle(f"{series.name}: pH, and gas filled where open", fontsize=9, color=COLOURS[svg.INK])
        _colour(figure)
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=DOTS_PER_INCH, facecolor=COLOURS[svg.PAPER])
    return file.getvalue()


def _series(plain: Mapping[str, Any]) -> Series:
    bins = {int(place): Bin(**one) for place, one in plain["bins"].items()}
    limits = [Lines(**one) for one in plain["limits"]]
    return Series(**{**plain, "bins": bins, "limits": limits, "last": None})


def _colour(figure: Figure) -> None:
    """Put real colours where the stand-ins are."""
    for artist in figure.findobj():
        for kind in ("color", "facecolor", "edgecolor"):
            get, put = getattr(artist, f"get_{kind}", None), getattr(artist, f"set_{kind}", None)
            if get is not None and put is not None:
                found = next(_named(get()), None)
                if found is not None:
                    put(found)


def _named(value: Any) -> Iterator[str]:
    """The real colour for a stand-in, however matplotlib holds it; nothing for any other."""
    from matplotlib.colors import to_hex, to_rgba_array

    try:
        rows = to_rgba_array(value)
    except (ValueError, TypeError):
        return
    for row in rows:
        if row[3] > 0.0 and to_hex(row) in COLOURS:
            yield COLOURS[to_hex(row)]


if __name__ == "__main__":
    sys.exit(main())
