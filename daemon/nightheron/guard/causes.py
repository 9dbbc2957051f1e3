"""From what moved to what is likely: the table of causes, and the one check that tells them apart.

A row holds for what its streams do; the causes stand in order, the likeliest first. Where two rows hold, the
first of the table counts, but of falling, rising and answering the one that changed most leads. The words are
common practice, no source; what each fault does to the water was looked at on the simulated site.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from nightheron.guard.streams import KINDS, Stream, in_words
from nightheron.model import Reason


class Cause(StrEnum):
    """What may be behind it, in words that go into a sentence."""

    NEEDLE_OPEN = "the needle valve crept open"
    NEEDLE_SHUT = "the needle valve crept shut"
    REGULATOR = "the regulator gives more, as it may when the cylinder ends"
    CYLINDER = "the cylinder is nearly empty"
    LINE = "the gas line, diffuser or check valve is clogged"
    VALVE_PASSES = "the valve lets gas through while shut"
    EFFLUENT = "the effluent is clogged or the feed is weak"
    FEED_MORE = "more water goes through"
    MEDIA = "the media is spent"
    MEDIA_NEW = "media is fresh or was topped up"
    CIRCULATION = "the circulation is weak"
    FOULED = "the probe is fouled"
    SLOPE = "the probe has lost slope"
    INTERFERENCE = "electrical interference"
    CABLE = "probe or cable grows old"
    ONE_PROBE = "one of the two probes drifts"
    EFFLUENT_CO2 = "the effluent brings too much CO2"
    ROOM_CO2 = "the room's air holds more CO2"
    TANK_PROBE = "the tank's probe drifts"
    AIRED = "more air, less effluent or more plants"


@dataclass(frozen=True, slots=True)
class Row:
    """One pattern. ``signs`` are all that must hold, the leading one first."""

    reason: Reason
    signs: tuple[tuple[Stream, int], ...]
    causes: tuple[Cause, ...]
    check: str
    """The one check that tells them apart, as an order."""
    or_probe: bool = False
    """A chamber's only probe that drifts slowly would show the same."""


_S, _C = Stream, Cause
BUFFER = "With one probe, its slow drift and slowly changing water look the same: check it with a buffer"

TABLE: tuple[Row, ...] = (
    Row(
        Reason.DRIFT,
        ((_S.EFFLUENT, -1), (_S.SHARE, -1)),
        (_C.MEDIA,),
        "look at the media: sunk down or packed? Fill up or rinse, then test the effluent's alkalinity again",
    ),
    Row(
        Reason.DRIFT,
        ((_S.ANSWER, 1),),
        (_C.FOULED, _C.CIRCULATION),
        "see whether the water in the vessel turns as it used to; if it does, clean the probe",
    ),
    Row(
        Reason.DRIFT,
        ((_S.FALL, -1), (_S.RISE, -1)),
        (_C.CIRCULATION, _C.FOULED, _C.SLOPE),
        "see whether the water in the vessel turns as it used to; if it does, hold the probe in two buffers",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.FALL, 1),),
        (_C.NEEDLE_OPEN, _C.REGULATOR, _C.MEDIA, _C.CIRCULATION),
        "count the bubbles for a minute with gas open. More than you set: needle or regulator. As you set: "
        "see whether the water in the vessel turns as it used to; if it does, test the effluent: less "
        "alkalinity than usual means spent media",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.FALL, -1),),
        (_C.CYLINDER, _C.LINE, _C.NEEDLE_SHUT),
        "read both gauges with gas open. Cylinder low: change it. Both as ever and fewer bubbles than "
        "you set: line, diffuser or needle",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.RISE, -1),),
        (_C.VALVE_PASSES, _C.EFFLUENT, _C.MEDIA),
        "measure the effluent for a minute. Less than you set: line or feed. As you set: shut the hand valve "
        "on the cylinder for the next rest, and a rise as fast as before means that the valve passes gas",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.RISE, 1),),
        (_C.FEED_MORE, _C.MEDIA_NEW),
        "measure the effluent for a minute and hold it against what you set",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.SHARE, -1),),
        (_C.NEEDLE_OPEN, _C.EFFLUENT, _C.MEDIA),
        "count the bubbles and measure the effluent, each for a minute, and hold both against what you set",
        or_probe=True,
    ),
    Row(
        Reason.DRIFT,
        ((_S.SHARE, 1),),
        (_C.CYLINDER, _C.LINE, _C.FEED_MORE),
        "read the cylinder's gauge, then count the bubbles for a minute and hold them against what you set",
        or_probe=True,
    ),
    Row(
        Reason.PROBE_DRIFT,
        ((_S.STEP, 1),),
        (_C.INTERFERENCE,),
        "hold the probe in a cup of tank water beside the chamber while gas is switched: a reading that "
        "still steps is interference from valve or plug",
    ),
    Row(
        Reason.PROBE_DRIFT,
        ((_S.STEP, -1),),
        (_C.INTERFERENCE,),
        "hold the probe in a cup of tank water beside the chamber while gas is switched: a reading that "
        "still steps is interference from valve or plug",
    ),
    Row(
        Reason.PROBE_DRIFT,
        ((_S.NOISE, 1),),
        (_C.INTERFERENCE, _C.CABLE),
        "hold the probe in a cup of tank water beside the chamber: quiet there means stray current or "
        "bubbles in the vessel, noisy means plug, cable or probe",
    ),
    Row(
        Reason.PROBE_DRIFT,
        ((_S.TWINS, 1),),
        (_C.ONE_PROBE,),
        "hold both probes in the same buffer; the one that does not read it is the one",
    ),
    Row(
        Reason.PROBE_DRIFT,
        ((_S.TWINS, -1),),
        (_C.ONE_PROBE,),
        "hold both probes in the same buffer; the one that does not read it is the one",
    ),
    Row(
        Reason.TANK_DRIFT,
        ((_S.TANK, -1),),
        (_C.EFFLUENT_CO2, _C.ROOM_CO2, _C.TANK_PROBE),
        "air the room for an hour. pH rises: the room's air. It does not: hold the tank's probe in a buffer; "
        "if that is right it is the effluent",
    ),
    Row(
        Reason.TANK_DRIFT,
        ((_S.TANK, 1),),
        (_C.TANK_PROBE, _C.AIRED),
        "hold the tank's probe in a buffer",
    ),
)
"""Rows of one reason shut each other out; those of different reasons do not."""
GROUPS = (Reason.DRIFT, Reason.PROBE_DRIFT, Reason.TANK_DRIFT)


@dataclass(frozen=True, slots=True)
class Moved:
    """What one stream does: ``found`` +1, -1 or 0 by its chart, and how far it stands off now."""

    found: int
    off: float


def explain(moved: Mapping[Stream, Moved]) -> list[Row]:
    """The rows that hold, one a reason, probe rows each for itself; none while nothing was found."""
    rows: list[Row] = []
    noise = moved.get(Stream.NOISE)
    if noise is not None and noise.found > 0:  # a noisy reading cannot time the water
        moved = {stream: one for stream, one in moved.items() if stream not in _TIMED}
    for row in TABLE:
        if row.reason is not Reason.PROBE_DRIFT and any(one.reason is row.reason for one in rows):
            continue
        if _holds(row, moved):
            rows.append(row)
    return rows


def _holds(row: Row, moved: Mapping[Stream, Moved]) -> bool:
    here = [(stream, sign, moved.get(stream)) for stream, sign in row.signs]
    if not all(one is not None and _signed(stream, one) == sign for stream, sign, one in here):
        return False
    lead, sign = row.signs[0]
    share = moved.get(Stream.SHARE)
    # how long gas is open follows from how fast pH falls and rises, and is the steadier number of the three
    by_share = lead in _BY_SHARE and share is not None and share.found == sign * _BY_SHARE[lead]
    if not by_share and not any(one is not None and one.found == sign for _, sign, one in here):
        return False
    if lead not in _TIMED or len(row.signs) > 1:
        return True
    return all(_far(lead, moved[lead]) >= _far(other, moved[other]) for other in _TIMED if other in moved)


_TIMED = (Stream.FALL, Stream.RISE, Stream.ANSWER)
"""Read off the gas cycles; of these the one that changed most leads."""
_BY_SHARE = {Stream.FALL: -1, Stream.RISE: 1}


def _far(stream: Stream, one: Moved) -> float:
    return abs(one.off) / KINDS[stream].worth


def _signed(stream: Stream, one: Moved) -> int:
    """Which way it stands off: as found, or by at least half of what is worth telling."""
    if one.found and one.found * one.off > 0.0:
        return one.found
    return 0 if _far(stream, one) < 0.5 else (1 if one.off > 0.0 else -1)


def words(row: Row, moved: Mapping[Stream, Moved], *, probes: int) -> str:
    """What a person is told: what is seen, what is likely, in order, and the check; without a last stop."""
    also = [Stream.FALL, Stream.RISE, Stream.SHARE, Stream.TANK] if row.reason is Reason.DRIFT else []
    streams = dict.fromkeys([stream for stream, _ in row.signs] + also)
    seen = [in_words(s, moved[s].off) for s in streams if s in moved and _signed(s, moved[s])]
    likely = "Likely" if len(row.causes) == 1 else "Likely, in this order"
    told = f"{'; '.join(seen)}. {likely}: {'; '.join(row.causes)}. To tell: {row.check}"
    return f"{told}. {BUFFER}" if row.or_probe and probes == 1 else told


def steps(text: str) -> list[str]:
    """``words`` in its three steps, to be shown in lines; any other text is one."""
    seen, likely, rest = text.partition(" Likely")
    causes, check, how = rest.partition(" To tell: ")
    return [seen, f"Likely{causes}", f"To tell: {how}"] if likely and check else [text]
