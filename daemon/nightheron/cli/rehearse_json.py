"""A rehearsal as one JSON object with lasting names, for a pull request.

``ok`` is false where the command ends in 1. Times are seconds, pH is on the NBS scale, ``harm_s`` counts each
second once and ``kinds_s`` by kind; ``told`` is the reason that somebody was first told of, or null.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import asdict

from nightheron.model import JsonValue
from nightheron.rig.rehearsal import Score
from nightheron.rig.rehearse_run import Rehearsed, Row, Wanted
from nightheron.rig.stand_in import assumed


def as_json(found: Iterable[Rehearsed], wanted: Wanted, accepted: Collection[str]) -> str:
    """One object, ended by no newline."""
    chambers = [_chamber_json(one, accepted) for one in found]
    body: dict[str, JsonValue] = {
        "ok": all(one["ok"] is True for one in chambers),
        "simulated": True,
        "answer_s": wanted.answer_s,
        "accepted": list(accepted),
        "chambers": [dict(one) for one in chambers],
    }
    return json.dumps(body, indent=2, allow_nan=False)


def _chamber_json(one: Rehearsed, accepted: Collection[str]) -> dict[str, JsonValue]:
    return {
        "chamber": one.stand.limits.name,
        "ok": not one.harmful(accepted),
        "hours": round(one.hours, 3),
        "night": None if one.night is None else dict(asdict(one.night)),
        "assumed": list(assumed(one.stand)),
        "harm_means": dict(one.stand.harm.words()),
        "healthy": _row_json(one.healthy, accepted),
        "faults": [_row_json(row, accepted) for row in one.rows],
        "not_played": [{"fault": name, "why": why} for name, why in one.left_out],
        "would_help": [
            {
                "change": advice.trial.key,
                "what": advice.trial.what,
                "harm_s_before": round(advice.before_s, 1),
                "harm_s_after": round(advice.after_s, 1),
                "faults": [
                    {"fault": name, "harm_s_before": round(before_s, 1), "harm_s_after": round(after_s, 1)}
                    for name, before_s, after_s in advice.faults
                ],
            }
            for advice in one.advice
        ],
    }


def _row_json(row: Row, accepted: Collection[str]) -> dict[str, JsonValue]:
    return {
        "fault": row.fault.name,
        "says": row.fault.says,
        "harmful": bool(row.guarded.harm_s),
        "accepted": row.fault.name in accepted,
        "guard": _score_json(row.guarded),
        "thermostat": _score_json(row.unguarded),
    }


def _score_json(score: Score) -> dict[str, JsonValue]:
    found: dict[str, JsonValue] = {}
    for key, value in asdict(score).items():
        found[key] = round(value, 3) if isinstance(value, float) else value
    return found
