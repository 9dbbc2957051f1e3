"""What must happen before gas opens, and what must be done now, in words, from a decision and the table."""

from __future__ import annotations

from nightheron.guard.facts import STOPPING
from nightheron.guard.interlock import RULES
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.sense import HELD
from nightheron.guard.signals import KINDS
from nightheron.model import Decision, Gas, Reason

CAUTION = (
    "If the CO2 detector sounds, or you have a headache or short breath: "
    "stay out, air the room from outside, call for help."
)
SHUT_BY_HAND = "NOW: shut the hand valve at the cylinder"
NORMAL = "; normal work"
_NOUNS = {kind.reason: kind.noun for kind in KINDS.values()}


def until_text(decision: Decision, limits: ChamberLimits) -> str:
    """One sentence: what must happen before gas opens; says so when gas is open."""
    if decision.gas is Gas.OPEN:
        return "gas is open"
    needs = [_need(reason, decision, limits) for reason in decision.reasons]
    return "; ".join(dict.fromkeys(n for n in needs if n)) or "the row of the opening written down"


def why_lines(decision: Decision) -> list[tuple[str, str, str]]:
    """Per standing reason: its name, the sentence for people, and the evidence."""
    evidence = dict(decision.evidence)
    return [(r.value, sentence(r, decision), evidence.get(r, "")) for r in decision.reasons]


def sentence(reason: Reason, decision: Decision) -> str:
    """The reason in words; a close that the valve has not taken is never called normal work."""
    said = RULES[reason].sentence if reason in RULES else reason.value.replace("_", " ")
    if reason is Reason.STARTING and is_stopping(decision):
        return STOPPING
    if HELD in dict(decision.evidence).get(reason, "") and reason in _NOUNS:
        return f"{_NOUNS[reason]} is within its limits, and must stay so for its hold before gas may flow"
    return said.removesuffix(NORMAL) if decision.delivered is False else said


def is_stopping(decision: Decision) -> bool:
    """The service ends: the same reason as at a start, told in other words."""
    return dict(decision.evidence).get(Reason.STARTING) == STOPPING


def in_words(reason: Reason, decision: Decision) -> str:
    """The reason's sentence with the evidence behind it, said once."""
    said, shown = sentence(reason, decision), dict(decision.evidence).get(reason, "")
    return f"{said} ({shown})" if shown and shown != said else said


def not_delivered(name: str, seconds: float, why: str) -> str:
    """What to do when gas is ordered shut, the valve did not take it, and it was last known open."""
    return (
        f"{name}: CLOSE NOT DELIVERED for {seconds:.0f} s: {why}; gas may still flow. "
        f"{SHUT_BY_HAND}, then look at broker, network and valve. {CAUTION}"
    )


def _need(reason: Reason, decision: Decision, limits: ChamberLimits) -> str:
    now = "no reading" if decision.ph is None else f"{decision.ph:.2f}"
    match reason:
        case Reason.FLOOR:
            return f"chamber pH at {limits.resume_ph:.2f} (now {now})"
        case Reason.SETTLING:
            return f"every reading at or above {limits.resume_ph:.2f} for {limits.settle_s:g} s (now {now})"
        case Reason.MIN_REST:
            return f"at least {limits.min_rest_s:g} s shut"
        case Reason.TANK_LOW if limits.tank is not None:
            tank = "no reading" if decision.tank_ph is None else f"{decision.tank_ph:.2f}"
            return f'tank "{limits.tank.name}" at {limits.tank.clear_ph:.2f} (now {tank})'
        case Reason.SERVICE:
            return f"a person ends the hold: nightheron service off {limits.name}"
        case Reason.RESTARTS | Reason.NEW_JOURNAL:
            return f"{RULES[reason].opens_when}: nightheron release {limits.name}"
        case Reason.NO_EFFECT | Reason.FOREIGN_ORDER | Reason.VALVE_PASSES:
            return f"{RULES[reason].opens_when}: nightheron release {limits.name}"
        case Reason.VALVE_DISAGREES if decision.state == "latched":
            return f"{RULES[reason].opens_when}, then a person: nightheron release {limits.name}"
        case Reason.DEEP_LOW if decision.state == "latched":
            return f"chamber pH at {limits.resume_ph:.2f} and a person: nightheron release {limits.name}"
        case _:
            return RULES[reason].opens_when
