"""One night of the campaign again, with a journal of its own, which ends in the report of any night."""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightheron.rig.campaign import Outcome
    from nightheron.rig.night_plan import NightPlan


def one_night(seed: int, number: int, folder: Path | None, *, as_json: bool) -> int:
    """Play it; 0 green, 1 in hazard or broken, 2 when the folder cannot be made."""
    try:
        with _place(folder) as place:
            outcome, found, text = _played(seed, number, place)
    except OSError as why:
        print(f"{folder} cannot be made: {why.strerror}; give one that is not there", file=sys.stderr)
        return 2
    if as_json:
        print(json.dumps({"outcome": asdict(outcome), "night": found}))
    else:
        print("\n".join(text))
    return 1 if outcome.hazard_s > 0.0 or outcome.fault else 0


@contextlib.contextmanager
def _place(folder: Path | None) -> Iterator[Path]:
    """The folder that was asked for, or one that is gone afterwards."""
    if folder is None:
        with tempfile.TemporaryDirectory(prefix="nightheron-night-") as made:
            yield Path(made)
    else:
        folder.mkdir()
        yield folder


def _played(seed: int, number: int, folder: Path) -> tuple[Outcome, dict[str, Any], list[str]]:
    from nightheron.cli.night import look, text_of
    from nightheron.cli.times import Times
    from nightheron.journal.when import utc_text
    from nightheron.rig.campaign import chamber_of, play, warmed
    from nightheron.rig.night_plan import plan
    from nightheron.runtime.kept import BEGINS, Kept
    from nightheron.settings import load

    wanted = plan(seed, number)
    config = folder / "nightheron.toml"
    config.write_text(chamber_of(wanted).text, encoding="utf-8")
    kept = Kept(load(config, {}))
    lived = None if wanted.pool is None else warmed(seed, wanted.pool)
    outcome, _ = play(wanted, lived, lambda played: [kept.follow(played)])
    kept.end()
    path, end = folder / "journal.db", BEGINS + timedelta(seconds=wanted.length_s + 60.0)
    times = Times("UTC", UTC, end)
    found = look(path, utc_text(BEGINS), utc_text(end), times)
    lines = [*_said(wanted, outcome), "", text_of(path, found, times)]
    return outcome, found, [*lines, "", f"its configuration and journal: {folder}"]


def _said(wanted: NightPlan, outcome: Outcome) -> list[str]:
    """What was done to it, and what the campaign's judge says."""
    from nightheron.rig.night_plan import faults

    where = "a chamber that has lived for a day" if outcome.warm else "a new chamber"
    lines = [f"seed {wanted.seed}, night {wanted.night}: {wanted.case}, {where}", "What was done to it:"]
    for one in wanted.happenings:
        hours, seconds = divmod(round(one.at_s), 3600)
        what = faults()[one.name].says if one.do == "put" else (one.act.value if one.act else one.do)
        more = f" for {one.for_s:g} s" if one.for_s else ""
        lines.append(f"  {hours}:{seconds // 60:02d} h  {what}{more}")
    best = "" if outcome.at_best_ph is None else f"; shut at once: {outcome.at_best_ph:.2f}"
    named = [f"{name} after {at_s:.0f} s" for name, at_s in outcome.named.items()]
    lines += [
        f"hazard: {outcome.hazard_s:.1f} s {outcome.hazards or ''}",
        *(f"  {why} from {from_s:.1f} to {to_s:.1f} s" for why, from_s, to_s in outcome.where),
        f"lowest water: {outcome.lowest_ph:.2f}, floor {outcome.floor_ph:.2f}{best}",
        f"named: {', '.join(named) or 'nothing'}",
    ]
    return lines if not outcome.fault else [*lines, f"the program broke: {outcome.fault}"]
