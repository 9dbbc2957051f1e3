"""The sum of a campaign for people: what was asked of it, the table by fault, and the worst nights."""

from __future__ import annotations

from collections.abc import Iterator

from nightheron.rig.campaign_sum import FALSE_MOST, RIGHT_LEAST, YEAR_S, OfFault, Sum


def text(found: Sum, seed: int) -> Iterator[str]:
    """Line by line."""
    false, share = found.false_per_30, found.right_share
    beyond = sorted(found.beyond_ph)
    yield f"{found.nights} nights, {found.watched_s / 3600:.0f} h, gas open {found.opened_s / 3600:.0f} h"
    yield f"hazard minutes         {found.hazard_s / 60:.2f} (must be 0) {_counts(found.hazards)}"
    if false is not None:
        counted = _counts({name: float(n) for name, n in found.false.items()})
        of = f"per 30 of {found.healthy} healthy nights (at most {FALSE_MOST:g})"
        yield f"false trips            {false:.2f} {of} {counted}"
    if share is not None:
        yield (
            f"cause named right      {100 * share:.1f} % of {found.right + found.wrong} named "
            f"(at least {100 * RIGHT_LEAST:g} %); {found.unnamed} had no name yet when the night ended"
        )
    unseen = f"{found.below_open_s / 3600:.1f} h with gas ordered open, where the probe did not show it"
    yield f"water below its floor  {found.below_s / 3600:.1f} h, of it {unseen}"
    yield f"gas against the order  {found.against_s / 3600:.1f} h, through valves that did not shut"
    if beyond:
        nights = f"{len(beyond)} nights more than 0.05 below the floor though valve and probe obeyed"
        figures = f"{beyond[len(beyond) // 2]:.3f} pH median, {beyond[-1]:.3f} most"
        yield f"beyond the physics     {figures}, of {nights}:"
        yield "                       that much had gas shut as the water passed the floor saved"
    yield ""
    yield from _reasons(found)
    yield ""
    yield from _table(found)
    yield ""
    yield "worst nights, to be played again with --seed and --night:"
    for hazard_s, depth_ph, night, case in found.worst:
        how = f"hazard {hazard_s:5.1f} s, {depth_ph:.2f} below the floor"
        yield f"  --seed {seed} --night {night:<6} {how}, {case}"
    yield ""
    yield from (f"RED: {why}" for why in found.red())
    if not found.red():
        yield "green"


def _reasons(found: Sum) -> Iterator[str]:
    """How fast each reason names what it is for, and how often it is wrong where nothing is."""
    years = found.sound_s / YEAR_S
    heads = f"{'named first, and right':24} {'nights':>6} {'after':>17}"
    yield f"{heads}  false a chamber-year, of {years:.3f} watched"
    for name, one in found.by_reason().items():
        after = "-"
        if one.median_s is not None and one.slowest_s is not None:
            after = f"{_span(one.median_s)} ({_span(one.slowest_s)})"
        rate = "-" if one.false_per_year is None else f"{one.false_per_year:.1f}"
        yield f"{name:24} {one.right:6} {after:>17}  {rate} ({one.false})"


def _table(found: Sum) -> Iterator[str]:
    heads = f"{'nights':>6} {'right':>5} {'wrong':>5} {'first name after':>17} {'depth':>6} {'at best':>7}"
    yield f"{'fault':32} {heads}  named"
    for name, one in sorted(found.of_faults.items()):
        names = ", ".join(f"{what} {n}" for what, n in sorted(one.names.items(), key=lambda p: -p[1])[:3])
        yield (
            f"{name:32} {one.nights:6} {_of(one.right, one)} {_of(one.wrong, one)} {_after(one):>17} "
            f"{one.depth_ph:6.2f} {one.at_best_ph:7.2f}  {names or '-'}"
        )


def _of(n: int, one: OfFault) -> str:
    return f"{n:5}" if one.knowable else "    -"


def _after(one: OfFault) -> str:
    if not one.detected_s:
        return "-"
    middle = sorted(one.detected_s)[len(one.detected_s) // 2]
    return f"{_span(middle)} ({_span(max(one.detected_s))})"


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _counts(named: dict[str, float]) -> str:
    return "" if not named else "(" + ", ".join(f"{name} {n:g}" for name, n in named.items()) + ")"
