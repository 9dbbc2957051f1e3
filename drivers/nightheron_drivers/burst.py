"""What to make of many messages that waited and come at once.

Two duties pull apart. Old readings must not pass for many fresh ones, so a burst cannot be handed on
line by line. A low value must never be made unseen, so it cannot be thrown away either. The second
wins: of a burst its least, its greatest and its newest value are handed on as readings, in their
order, and the rest as one refused message that says how many there were. The least closes gas if it
is below the floor; the greatest is there because an electrode's millivolts run the other way. What
is too good to be true gains nothing: a whole settle window of readings is needed to open.
"""

from __future__ import annotations

from collections.abc import Sequence

from nightheron_drivers.protocols import Heard

BURST_MOST = 4
"""So many messages of one probe at once are a slow machine; more are a backlog."""


def thinned(heard: Sequence[Heard]) -> list[Heard]:
    """The same messages, or of each probe with a backlog those that matter, in their order."""
    by_probe: dict[str, list[int]] = {}
    for index, one in enumerate(heard):
        by_probe.setdefault(one.probe, []).append(index)
    kept: list[tuple[int, Heard]] = []
    for indices in by_probe.values():
        if len(indices) <= BURST_MOST:
            kept += [(index, heard[index]) for index in indices]
        else:
            kept += _matter(heard, indices)
    return [one for _, one in sorted(kept, key=lambda pair: pair[0])]


def _matter(heard: Sequence[Heard], indices: list[int]) -> list[tuple[int, Heard]]:
    values = {index: value for index in indices if (value := heard[index].value) is not None}
    matter = {indices[-1]}
    if values:
        lowest = min(values, key=values.__getitem__)
        highest = max(values, key=values.__getitem__)
        matter |= {lowest, highest, max(values)}
    first = heard[indices[0]]
    rest = Heard(
        first.probe, first.at_ns, None, f"{len(indices) - len(matter)} more that had waited", "backlog"
    )
    # The count goes first, so that the burst ends with its newest reading.
    return [(indices[0] - 1, rest), *((index, heard[index]) for index in sorted(matter))]
