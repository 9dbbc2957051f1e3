"""How what was found is shown: for people, each with the block to paste, and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from nightheron_drivers.protocols import Found

from nightheron.chemistry.nernst import slope_mv_per_ph
from nightheron.cli.find_block import Pace, block, pace_of
from nightheron.model import JsonValue

UNITS = {"ph": "pH", "mv": "mV"}
HEADS = {"port": "Serial ports", "broker": "Broker", "topic": "Topics that look like pH"}
QUIET = "nothing was heard; either nothing is sent there, or its rules do not let this user hear it"
WIDTH = 100
UNNAMED_MOST = 10
"""So many topics are shown whose value alone looks like pH; with a block only where no name says pH."""
LAST = """\
Paste a block under its [[chamber]] (for a tank: as [tank.probe] under its [[tank]]), then hold the probe
into a buffer and see with `nightheron listen` that it is this probe and that it reads the buffer."""


def as_text(found: Sequence[Found]) -> str:
    """All of it, in the order ports, broker, topics."""
    parts = []
    for kind, head in HEADS.items():
        shown = [one for one in found if one.kind == kind]
        unnamed = [one for one in shown if kind == "topic" and not one.sure]
        left_out = unnamed[UNNAMED_MOST:]
        brief = len(unnamed) < len(shown)
        lines = [_one(one, brief=brief and one in unnamed) for one in shown if one not in left_out]
        if left_out:
            lines.append(f"{len(left_out)} more have such values and no such name; --json lists them.")
        if lines:
            parts.append("\n\n".join([head, *lines]))
    if any(block(one, pace_of(one)) for one in found):
        parts.append(LAST)
    return "\n\n".join(parts)


def as_json(found: Sequence[Found]) -> dict[str, JsonValue]:
    """``{"ports": [...], "brokers": [...], "topics": [...]}``; ``toml`` is the block or null."""
    rows: dict[str, list[JsonValue]] = {"ports": [], "brokers": [], "topics": []}
    for one in found:
        pace = pace_of(one)
        row: dict[str, JsonValue] = {one.kind: one.where, **one.facts, "notes": list(one.notes)}
        if one.kind != "broker":
            row |= {
                "options": dict(one.options) if one.options is not None else None,
                "unit": one.unit if one.options is not None else None,
                "sure": one.sure,
                "readings": pace.readings,
                "interval_s": pace.interval_s,
                "longest_interval_s": pace.longest_s,
                "resolution": pace.resolution,
                "toml": block(one, pace),
            }
        rows[one.kind + "s"].append(row)
    return dict(rows)


def _one(found: Found, *, brief: bool) -> str:
    """One port, broker or topic; ``brief`` leaves the block out."""
    if found.kind == "broker":
        topics, messages = found.facts.get("topics"), found.facts.get("messages")
        heard = f"{messages} messages on {topics} topics were heard" if messages else QUIET
        heard = "; ".join(found.notes) or heard
        return _wrapped(f"{found.where}: {heard}.")
    if found.options is None:
        return _wrapped(f"{found.where}: {'; '.join(found.notes)}.")
    pace = pace_of(found)
    lines = [_plain(f"{found.where}{_pointer(found)}")]
    said = [*_learned(found), *_pace_lines(found, pace), *_doubts(found, pace)]
    lines += [_wrapped(f"  {line}") for line in said]
    toml = None if brief else block(found, pace)
    return "\n".join([*lines, "", toml] if toml else lines)


def _wrapped(line: str) -> str:
    """In the width of a page; names and paths stay whole."""
    return textwrap.fill(
        _plain(line), WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
    )


def _plain(line: str) -> str:
    """What a device or a stranger's topic says must not steer the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in line)


def _pointer(found: Found) -> str:
    pointer = (found.options or {}).get("value_pointer")
    return f"  at {pointer}" if pointer else ""


def _learned(found: Found) -> Iterable[str]:
    facts = found.facts
    if found.kind == "topic":
        yield f"payload: {facts['payload']}, the last value {facts['last']}"
        return
    described = [str(facts[k]) for k in ("device", "description") if facts.get(k) and facts[k] != "n/a"]
    yield f"{', '.join(described)}; {facts['name']}"
    yield f"{facts['baud']} baud, lines end with {facts['line_end']}; the last one read: {facts['example']}"
    unread = facts.get("unread")
    if isinstance(unread, list) and unread:
        yield f"left unread: {'; '.join(str(line) for line in unread)}"


def _pace_lines(found: Found, pace: Pace) -> Iterable[str]:
    unit = UNITS[found.unit]
    if found.facts.get("retained_only"):
        yield "retained only: the broker kept it from before and nothing new came, so it is no reading"
        return
    if pace.interval_s is None:
        yield f"read as {unit} once; its interval is not known: listen longer with --seconds"
        return
    moved = f"smallest step {pace.resolution:g}" if pace.resolution else "the value did not move"
    yield (
        f"read as {unit} {pace.readings} times, every {pace.interval_s:.2f} s, "
        f"at most {pace.longest_s:.2f} s apart; {moved}"
    )
    if not pace.known:
        yield "too few to know its interval: listen longer with --seconds"


def _doubts(found: Found, pace: Pace) -> Iterable[str]:
    yield from found.notes
    if not found.sure:
        yield "what it is was judged by its value alone: make sure with a buffer"
    if found.unit == "mv":
        yield (
            f"mV: about 0 in a buffer of pH 7 and {3 * slope_mv_per_ph(25.0):+.0f} in one of pH 4 at 25 degC "
            "(the ideal electrode, which is reckoned with until there is a calibration record)"
        )
    if pace.known and pace.too_seldom:
        yield "it speaks too seldom to guard anything by"
