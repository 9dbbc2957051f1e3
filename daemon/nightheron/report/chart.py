"""The picture of one chamber's span: pH with its limits, gas, tank; drawn by matplotlib, imported only here.

Colours are stand-ins that ``svg.inline`` turns into the page's own, so that one picture serves light, dark
and paper. Nothing is told by colour alone: lines differ in dash, bars in hatching, and all have words.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from nightheron.report.series import Series, seconds_of
from nightheron.report.svg import BAND, FLOOR, GAP, GAS, INK, LINE, MUTED, PAPER, TANK, TRIP, inline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE_IN, NARROW_IN = 7.4, 3.55
BARS_MOST = 250
"""More closings than these are drawn as the share of time open."""
GAPS_MOST = 60
BREAK_S = 180.0
"""Without a reading for so long the line is broken; a minute has a row."""
HATCH = {"cuts": "", "rests": "", "trips": "xxxxx", "other": "||||"}
"""Of closed gas by kind. No dots: matplotlib writes each of them as a curve, 200 kB in all."""
RC: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "nightheron",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "axes.unicode_minus": False,
}
Closings = Sequence[tuple[str, Mapping[str, Any]]]
"""(list it belongs to, closing)."""


def draw(
    series: Series,
    closings: Closings,
    gaps: Sequence[Mapping[str, Any]],
    numbers: Mapping[int, str],
    zone: tzinfo,
    name: str,
    *,
    narrow: bool = False,
) -> str:
    """An ``<svg>`` element whose ids begin with ``name``. ``numbers``: event number to the UTC of its mark.

    Raises ImportError when matplotlib is not installed.
    """
    import matplotlib as mpl

    with mpl.rc_context(RC):
        figure = made(series, closings, gaps, numbers, zone, narrow=narrow)
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    return inline(file.getvalue(), name)


def made(
    series: Series,
    closings: Closings,
    gaps: Sequence[Mapping[str, Any]],
    numbers: Mapping[int, str],
    zone: tzinfo,
    *,
    narrow: bool = False,
) -> Figure:
    """The picture before it is written; its colours are stand-ins. To be called and written within ``RC``."""
    from matplotlib.figure import Figure

    heights = [3.4, 0.62, 1.5] if series.has_tank else [3.4, 0.62]
    width = NARROW_IN if narrow else WIDE_IN
    figure = Figure(figsize=(width, 0.56 * sum(heights) + 0.45), layout="constrained")
    figure.get_layout_engine().set(h_pad=0.02, w_pad=0.02, hspace=0.0)  # type: ignore[union-attr,call-arg]  # the engine asked for above
    axes = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    _ph(axes[0], series, narrow=narrow)
    _gas(axes[1], series, closings)
    if series.has_tank:
        _tank(axes[2], series)
    for one in axes:
        _plain(one)
        for begin, end in _shaded(gaps, series):
            _shade(one, begin, end)
    _mark(axes[0], numbers, 3 if narrow else 2)
    _time(axes[-1], series, zone, narrow=narrow)
    return figure


def _ph(axes: Axes, series: Series, *, narrow: bool) -> None:
    points = series.points(2 if narrow else 1)
    at, low, high, line = _columns(points, series)
    axes.fill_between(at, low, high, color=BAND, linewidth=0)
    axes.plot(at, line, color=LINE, linewidth=1.3)
    values = [v for _, one in points for v in (one.ph_low, one.ph_high, one.ph) if v is not None]
    for n, limits in enumerate(series.limits):
        end_s = series.limits[n + 1].at_s if n + 1 < len(series.limits) else series.until_s
        span = [_moment(limits.at_s), _moment(end_s)]
        axes.plot(span, [limits.floor_ph] * 2, color=FLOOR, linewidth=1.2, dashes=(5, 2))
        axes.plot(span, [limits.resume_ph] * 2, color=MUTED, linewidth=1.1, dashes=(1, 1.6))
        values += [limits.floor_ph, limits.resume_ph]
    if series.limits:
        last = series.limits[-1]
        for ph, word, color in ((last.floor_ph, "floor", FLOOR), (last.resume_ph, "resume", MUTED)):
            axes.annotate(
                f" {word}" if narrow else f" {word} {ph:.2f}",
                (1, ph),
                xycoords=("axes fraction", "data"),
                color=color,
                va="center",
                fontsize=8,
                annotation_clip=False,
            )
    if values:
        room = max(0.04, 0.12 * (max(values) - min(values)))
        axes.set_ylim(min(values) - room / 2, max(values) + 2 * room)
    axes.set_ylabel("chamber pH", color=INK)


def _gas(axes: Axes, series: Series, closings: Closings) -> None:
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.set_ylabel("gas", color=INK, rotation=0, ha="right", va="center")
    points = [(at, one) for at, one in series.points() if one.watched_s > 0]
    if not points:
        return
    if len(closings) > BARS_MOST:
        at = [_moment(moment) for moment, _ in points]
        axes.fill_between(at, 0, [one.open_s / one.watched_s for _, one in points], color=GAS, step="mid")
        return
    ends = (points[0][0] - series.bin_s, points[-1][0] + series.bin_s)
    axes.axvspan(
        _moment(max(ends[0], series.since_s)), _moment(min(ends[1], series.until_s)), color=GAS, lw=0
    )
    for kind, closing in closings:
        begin = max(series.since_s, seconds_of(closing["from"]))
        end = min(series.until_s, seconds_of(closing["to"]) if closing["to"] else ends[1])
        if begin < end:
            axes.axvspan(
                _moment(begin),
                _moment(end),
                facecolor=PAPER,
                edgecolor=TRIP if kind == "trips" else MUTED,
                hatch=HATCH[kind],
                linewidth=0.6,
            )


def _tank(axes: Axes, series: Series) -> None:
    found = [(at, one) for at, one in series.points() if one.tank is not None]
    at, values = _broken([(moment, one.tank) for moment, one in found], series)
    axes.plot(at, values, color=TANK, linewidth=1.3)
    shown = [one.tank for _, one in found if one.tank is not None]
    low = series.limits[-1].tank_low_ph if series.limits else None
    if low is not None:
        axes.axhline(low, color=FLOOR, linewidth=1.1, dashes=(5, 2))
        axes.annotate(
            " low", (1, low), xycoords=("axes fraction", "data"), color=FLOOR, va="center", fontsize=8
        )
        shown.append(low)
    room = max(0.03, 0.15 * (max(shown) - min(shown)))
    axes.set_ylim(min(shown) - room, max(shown) + room)
    axes.set_ylabel("tank pH", color=INK)


def _shaded(gaps: Sequence[Mapping[str, Any]], series: Series) -> list[tuple[float, float]]:
    """Time nobody watched: few gaps each wide enough to be seen, of many the long ones as they were."""
    known = [(seconds_of(gap["from"]), seconds_of(gap["to"])) for gap in gaps if gap["from"] is not None]
    least = (series.until_s - series.since_s) / 250
    if len(known) > GAPS_MOST:
        known = sorted((gap for gap in known if gap[1] - gap[0] >= least), key=lambda g: g[0] - g[1])
    wide = [(begin, max(end, begin + least)) for begin, end in known[:GAPS_MOST]]
    cut = [(max(begin, series.since_s), min(end, series.until_s)) for begin, end in wide]
    return [(begin, end) for begin, end in cut if begin < end]


def _shade(axes: Axes, begin: float, end: float) -> None:
    axes.axvspan(
        _moment(begin), _moment(end), facecolor=PAPER, edgecolor=GAP, hatch="/////", lw=0.4, zorder=3
    )


def _mark(axes: Axes, numbers: Mapping[int, str], rows: int) -> None:
    """Event numbers along the upper edge, in turn in several rows, since they stand close."""
    at: list[float] = []
    heights: list[float] = []
    for place, (number, utc) in enumerate(numbers.items()):
        moment = _moment(seconds_of(utc))
        height = 0.94 - 0.09 * (place % rows)
        at += [moment, moment, math.nan]
        heights += [0, height - 0.05, math.nan]
        mark = axes.annotate(
            str(number),
            (moment, height),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="center",
            color=INK,
            fontsize=8,
            fontweight="bold",
            zorder=5,
        )
        mark.set_gid(f"event-{number}")
    # One line with breaks: as many lines of their own would be most of the picture's size.
    across = axes.get_xaxis_transform()
    axes.plot(at, heights, transform=across, color=MUTED, linewidth=0.5, dashes=(1, 3))


def _plain(axes: Axes) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(MUTED)
    axes.tick_params(colors=INK, color=MUTED, width=0.6, length=3)


def _time(axes: Axes, series: Series, zone: tzinfo, *, narrow: bool) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    axes.set_xlim(_moment(series.since_s), _moment(series.until_s))
    locator = AutoDateLocator(tz=zone, minticks=2 if narrow else 3, maxticks=5 if narrow else 10)  # type: ignore[no-untyped-call]  # matplotlib's
    midnight = "%d %b" if series.until_s - series.since_s > 1.1 * 86400 else "%H:%M"
    words = ["", "%Y", "%b", "%d %b", midnight, "%H:%M"]
    formatter = ConciseDateFormatter(locator, tz=zone, zero_formats=words, show_offset=False)  # type: ignore[no-untyped-call]  # matplotlib's
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(formatter)


def _columns(points: Sequence[tuple[float, Any]], series: Series) -> tuple[list[Any], ...]:
    """Times, lowest, highest and last pH, with breaks where nothing was read."""
    found = [(at, one) for at, one in points if one.ph_low is not None and one.ph_high is not None]
    at, low = _broken([(moment, one.ph_low) for moment, one in found], series)
    _, high = _broken([(moment, one.ph_high) for moment, one in found], series)
    _, line = _broken([(m, one.ph if one.ph is not None else one.ph_low) for m, one in found], series)
    return at, low, high, line


def _broken(points: Sequence[tuple[float, float | None]], series: Series) -> tuple[list[float], list[float]]:
    at: list[float] = []
    values: list[float] = []
    before = -math.inf
    for moment, value in points:
        if at and moment - before > max(BREAK_S, 4.5 * series.bin_s):
            at.append(_moment((moment + before) / 2))
            values.append(math.nan)
        at.append(_moment(moment))
        values.append(math.nan if value is None else value)
        before = moment
    return at, values


def _moment(seconds: float) -> float:
    """matplotlib counts days since 1970."""
    return seconds / 86400
