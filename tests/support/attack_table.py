"""The attack list as FORMAT.md has it; ``python -m tests.support.attack_table`` writes it anew."""

from __future__ import annotations

from pathlib import Path

from tests.support import attacks, attacks_kept

PLACE = Path(__file__).parents[2] / "daemon" / "nightheron" / "journal" / "FORMAT.md"
BEGIN, END = "<!-- attacks: made by python -m tests.support.attack_table -->", "<!-- attacks end -->"
VERDICTS = (attacks.CAUGHT, attacks.HERE, attacks_kept.TOGETHER, attacks.OUTSIDE, attacks.NOT)
"""The best first, as the table is ordered."""


def everything() -> list[attacks.Attack | attacks_kept.KeptAttack]:
    """Every attack, by verdict."""
    both: list[attacks.Attack | attacks_kept.KeptAttack] = [*attacks.ATTACKS, *attacks_kept.ATTACKS]
    return sorted(both, key=lambda one: VERDICTS.index(one.verdict))


def table() -> str:
    """The list in Markdown."""
    lines = ["| attack | verdict | why |", "| --- | --- | --- |"]
    return "\n".join([*lines, *(f"| {one.what} | {one.verdict} | {one.why} |" for one in everything())])


def filled_in(text: str) -> str:
    """The document with the table as it must be."""
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{table()}\n{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PLACE.write_text(filled_in(PLACE.read_text()))
