"""What the world is told of a chamber: one shape for the control socket and for telemetry."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nightheron.guard.explain import sentence, until_text, why_lines
from nightheron.guard.limits import ChamberLimits
from nightheron.model import NS, Decision, JsonValue
from nightheron.runtime.loop import View

VERDICTS = ("proved", "not_proved", "could_not_tell")
When = Callable[[int], str]
"""UTC of a CLOCK_BOOTTIME."""


def chamber_status(
    decision: Decision, limits: ChamberLimits, since: str, when: When | None = None
) -> dict[str, JsonValue]:
    """One chamber, as in ``status --json`` and on the broker.

    ``gas`` is the order that stands; ``delivered`` says whether the valve took it, ``undelivered_s`` for
    how long it has not, ``taken`` which order it took last, ``seen``
    where it reports to stand. Times are null where ``when`` is not given.
    """
    waited_s = (decision.at_ns - decision.ordered_ns) / NS
    return {
        "name": limits.name,
        "state": decision.state.value,
        "gas": decision.gas.value,
        "delivered": decision.delivered,
        "undelivered_s": round(waited_s, 1) if decision.delivered is False else None,
        "taken": decision.taken.value if decision.taken else None,
        "taken_since": _utc(decision.taken_ns, when),
        "seen": decision.seen.value if decision.seen else None,
        "device_timer_s": limits.valve.device_timer_s,
        "trial": decision.trial_ends_ns is not None,
        "trial_ends": _utc(decision.trial_ends_ns, when),
        "bleed": decision.bleed_ends_ns is not None,
        "bleed_ends": _utc(decision.bleed_ends_ns, when),
        "since": since,
        "reason": decision.reason.value if decision.reason else None,
        "reasons": [reason.value for reason in decision.reasons],
        "ph": decision.ph,
        "health": decision.health.value,
        "flag": int(decision.flag),
        "test": decision.test,
        "tank_ph": decision.tank_ph,
        "probes": list(decision.probes),
        "signals": {signal.value: value for signal, value in decision.signals},
        "verdict": decision.verdict.value if decision.verdict else None,
        "verdict_s": None if decision.verdict_s is None else round(decision.verdict_s, 1),
        "verdicts_24h": dict(zip(VERDICTS, decision.verdicts_day or (0, 0, 0), strict=True)),
        "until": until_text(decision, limits),
        "evidence": {reason.value: text for reason, text in decision.evidence if text},
        "sentences": {name: sentence for name, sentence, _ in why_lines(decision)},
        "first": _first(decision),
    }


def site_status(
    site: str,
    timezone: str,
    view: View,
    limits: Sequence[ChamberLimits],
    journal: tuple[int, str] | None,
    when: When | None = None,
) -> dict[str, JsonValue]:
    """The whole of ``status --json``."""
    rows = zip(view.decisions, limits, view.since, strict=True)
    return {
        "site": site,
        "timezone": timezone,
        "chambers": [chamber_status(decision, one, since, when) for decision, one, since in rows],
        "alarms": [alarm.body() | {"told": list(view.told.get(alarm.id, ()))} for alarm in view.alarms],
        "journal": {"seq": journal[0] if journal else None, "head": journal[1] if journal else None},
    }


def _first(decision: Decision) -> str | None:
    """The first reason of this closing in words, also when it stands no longer."""
    return sentence(decision.reason, decision) if decision.reason else None


def _utc(at_ns: int | None, when: When | None) -> str | None:
    return when(at_ns) if when is not None and at_ns is not None else None
