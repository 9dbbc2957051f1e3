"""What the world is told of a chamber: one shape for the control socket and for telemetry."""

from __future__ import annotations

from collections.abc import Sequence

from nightheron.guard.explain import until_text, why_lines
from nightheron.guard.interlock import RULES
from nightheron.guard.limits import ChamberLimits
from nightheron.model import Decision, JsonValue
from nightheron.runtime.loop import View


def chamber_status(decision: Decision, limits: ChamberLimits, since: str) -> dict[str, JsonValue]:
    """One chamber, as in ``status --json`` and on the broker."""
    return {
        "name": limits.name,
        "state": decision.state.value,
        "gas": decision.gas.value,
        "since": since,
        "reason": decision.reason.value if decision.reason else None,
        "reasons": [reason.value for reason in decision.reasons],
        "ph": decision.ph,
        "health": decision.health.value,
        "flag": int(decision.flag),
        "test": decision.test,
        "tank_ph": decision.tank_ph,
        "verdict": decision.verdict.value if decision.verdict else None,
        "until": until_text(decision, limits),
        "evidence": {reason.value: text for reason, text in decision.evidence if text},
        "sentences": {name: sentence for name, sentence, _ in why_lines(decision)},
        "first": _first(decision),
    }


def site_status(
    site: str, view: View, limits: Sequence[ChamberLimits], journal: tuple[int, str] | None
) -> dict[str, JsonValue]:
    """The whole of ``status --json``."""
    rows = zip(view.decisions, limits, view.since, strict=True)
    return {
        "site": site,
        "chambers": [chamber_status(decision, one, since) for decision, one, since in rows],
        "alarms": [alarm.body() for alarm in view.alarms],
        "journal": {"seq": journal[0] if journal else None, "head": journal[1] if journal else None},
    }


def _first(decision: Decision) -> str | None:
    """The first reason of this closing in words, also when it stands no longer."""
    rule = RULES.get(decision.reason) if decision.reason else None
    return rule.sentence if rule else None
