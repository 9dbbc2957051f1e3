"""From lines that were heard to a pattern that reads them, whole lines only.

A line is text and numbers in turn. Lines with the same text have the same shape; the shape heard most is
read, and a line with another word in it (``ERR``) stays unread on purpose. A lone digit counts as text,
since it is most likely the number of a channel, and two channels are never read as one probe.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

NUMBER = re.compile(r"(?:(?<![0-9.])[+-])?[0-9]+(?:\.[0-9]+)?")
_JOINED = re.compile(r"[-:/.,][0-9]|[0-9][-:/.,]")
_NAME = {unit: re.compile(rf"(?<![A-Za-z]){unit}(?![A-Za-z])", re.IGNORECASE) for unit in ("ph", "mv")}
_LETTERS = re.compile(r"[A-Za-z%\u00b0]")
_ELSE = re.compile(
    r"[%\u00b0]|(?<![A-Za-z])(?:t|temp\w*|[cfkv]|m?a|volts?|[um]?s(?:/cm)?|pp[mt]|mg|sal\w*|orp|rh|redox|eh|do|tds|ec)"
    r"(?![A-Za-z])",
    re.IGNORECASE,
)
"""Names of what is no pH: temperature, conductivity, redox, oxygen, current. Common practice, no source."""
_REDOX = re.compile(r"(?<![A-Za-z])(?:orp|rh|redox|eh)(?![A-Za-z])", re.IGNORECASE)
_NUMBER_PATTERN = r"[+-]?\d+(?:\.\d+)?"
LINES_LEAST = 2
PLAUSIBLE_PH = (4.0, 9.0)
"""A number without a name is taken for pH only in here."""
MOST_MV = 600.0


@dataclass(frozen=True, slots=True)
class Proposal:
    """A pattern and what it reads of what was heard."""

    pattern: str
    unit: str
    sure: bool
    """The line names what the number is."""
    example: str
    values: tuple[float, ...]
    decimals: int
    others: tuple[str, ...]
    """Lines of other shapes, which it leaves unread."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Cut:
    """One line: ``texts`` has one more part than ``numbers``."""

    line: str
    texts: tuple[str, ...]
    numbers: tuple[str, ...]

    @property
    def shape(self) -> tuple[str, ...]:
        last = len(self.texts) - 1
        return tuple(_bare(text, i > 0, i < last) for i, text in enumerate(self.texts))


def propose(lines: Sequence[str]) -> Proposal | None:
    """A pattern for these stripped lines; None when they hold no number that could be pH or mV."""
    cuts = [_cut(line) for line in lines]
    best: tuple[int, list[_Cut], list[tuple[int, int, str]]] | None = None
    for shape, count in Counter(cut.shape for cut in cuts if cut.numbers).most_common():
        mine = [cut for cut in cuts if cut.shape == shape]
        ranked = sorted(_candidates(shape, mine)) if count >= LINES_LEAST else []
        if ranked and (best is None or ranked[0][0] < best[0]):
            best = ranked[0][0], mine, ranked
    if best is None:
        return None
    _, mine, ranked = best
    return _proposal(mine, ranked, [cut.line for cut in cuts if cut.shape != mine[0].shape])


def _cut(line: str) -> _Cut:
    found = list(NUMBER.finditer(line))
    if len(found) > 1:
        found = [one for one in found if not _is_mark(line, one)]
    texts, numbers, at = [], [], 0
    for one in found:
        texts.append(line[at : one.start()])
        numbers.append(one.group())
        at = one.end()
    return _Cut(line, (*texts, line[at:]), tuple(numbers))


def _is_mark(line: str, one: re.Match[str]) -> bool:
    return len(one.group()) == 1 and not _joined(line, one.start(), one.end())


def _joined(line: str, start: int, end: int) -> bool:
    """Part of a date, a time, a version, or a number with a decimal comma."""
    around = line[max(0, start - 2) : start], line[end : end + 2]
    return any(_JOINED.fullmatch(part) for part in around)


def _bare(text: str, after_number: bool, before_number: bool) -> str:
    """A text without the blanks that only pad the numbers beside it."""
    if after_number and before_number and text and not text.strip():
        return " "
    text = text.lstrip() if after_number else text
    text = text.rstrip() if before_number else text
    return re.sub(r"\s+", " ", text)


def _candidates(shape: Sequence[str], cuts: Sequence[_Cut]) -> list[tuple[int, int, str]]:
    """(rank, column, unit) of every column that could be the reading; the least rank is the best."""
    found = []
    leads = bool(_LETTERS.search(shape[0]))
    for column in range(len(shape) - 1):
        tokens = [cut.numbers[column] for cut in cuts]
        name = shape[column] if leads else shape[column + 1]
        rank_unit = _rank([float(token) for token in tokens], all("." in t for t in tokens), name)
        if rank_unit is not None and not any(_in_a_date(cut, column) for cut in cuts):
            found.append((rank_unit[0], column, rank_unit[1]))
    return found


def _rank(values: Sequence[float], decimal: bool, name: str) -> tuple[int, str] | None:
    as_ph = decimal and all(0.0 <= value <= 14.0 for value in values)
    as_mv = all(abs(value) <= MOST_MV for value in values)
    if _NAME["ph"].search(name):
        return (0, "ph") if as_ph else None
    if _NAME["mv"].search(name) and not _REDOX.search(name):
        return (1, "mv") if as_mv else None
    if _ELSE.search(name):
        return None
    plausible = all(PLAUSIBLE_PH[0] <= value <= PLAUSIBLE_PH[1] for value in values)
    if as_ph and plausible and not _LETTERS.search(name):
        return 2, "ph"
    if as_ph:
        return 3, "ph"
    return (4, "mv") if as_mv and decimal else None


def _in_a_date(cut: _Cut, column: int) -> bool:
    """An integer tied to another number, or a number tied to a third part as in a version."""
    before, after = cut.texts[column][-1:], cut.texts[column + 1][:1]
    last = len(cut.numbers) - 1
    joins = ("-:/.", "-:/.") if "." in cut.numbers[column] else ("-:/.,", "-:/.,")
    left = column > 0 and cut.texts[column] == before and before != "" and before in joins[0]
    right = column < last and cut.texts[column + 1] == after and after != "" and after in joins[1]
    return left or right


def _proposal(
    cuts: Sequence[_Cut], ranked: Sequence[tuple[int, int, str]], others: Sequence[str]
) -> Proposal:
    rank, column, unit = ranked[0]
    tokens = [cut.numbers[column] for cut in cuts]
    notes = []
    if sum(one[0] == rank for one in ranked) > 1:
        notes.append("more than one number of the line could be the reading; the first is taken")
    if rank >= 3:
        what = "pH" if unit == "ph" else "mV"
        notes.append(f"the line does not say what the number is; it may be {what}, or something else")
    return Proposal(
        pattern=_pattern(cuts, column),
        unit=unit,
        sure=rank <= 1,
        example=cuts[-1].line,
        values=tuple(float(token) for token in tokens),
        decimals=max(len(token.partition(".")[2]) for token in tokens),
        others=tuple(dict.fromkeys(others)),
        notes=tuple(notes),
    )


def _pattern(cuts: Sequence[_Cut], column: int) -> str:
    parts = []
    last = len(cuts[0].texts) - 1
    for place in range(last + 1):
        texts = [cut.texts[place] for cut in cuts]
        parts.append(_text_pattern(texts, place > 0, place < last))
        if place < last:
            tokens = [cut.numbers[place] for cut in cuts]
            parts.append(_value_pattern(tokens) if place == column else _NUMBER_PATTERN)
    return "".join(parts)


def _value_pattern(tokens: Sequence[str]) -> str:
    sign = "[+-]?" if any(token.startswith("+") for token in tokens) else "-?"
    places = {len(token.partition(".")[2]) for token in tokens}
    if places == {0}:
        return rf"(?P<value>{sign}\d+)"
    if 0 in places:
        return rf"(?P<value>{sign}\d+(?:\.\d+)?)"
    # A written last nought shows that the device always fills its places: then fewer are a cut line.
    fills = len(places) == 1 and any(token.endswith("0") for token in tokens)
    digits = r"\d+" if not fills else r"\d" if places == {1} else rf"\d{{{places.pop()}}}"
    return rf"(?P<value>{sign}\d+\.{digits})"


def _text_pattern(texts: Sequence[str], after_number: bool, before_number: bool) -> str:
    bare = _bare(texts[0], after_number, before_number)
    if bare == " " and after_number and before_number:
        return _blanks(texts)
    lead = _blanks([t[: len(t) - len(t.lstrip())] for t in texts]) if after_number else ""
    tail = _blanks([t[len(t.rstrip()) :] for t in texts]) if before_number and bare else ""
    if before_number and not bare and not after_number:
        lead = _blanks(texts)
    return lead + "".join(_escaped(c) for c in bare) + tail


def _blanks(runs: Sequence[str]) -> str:
    if not any(runs):
        return ""
    kind = " " if all(set(run) <= {" "} for run in runs) else r"\s"
    return kind + ("+" if all(runs) else "*")


def _escaped(character: str) -> str:
    if character == " ":
        return r"\s+"
    if character in r"\.^$*+?{}[]|()":
        return "\\" + character
    if not character.isprintable():
        return f"\\x{ord(character):02x}" if ord(character) < 256 else f"\\U{ord(character):08x}"
    return character
