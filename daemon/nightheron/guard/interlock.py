"""The interlock: every reason against gas is one row of one table.

Permission is an empty set of objections. At each evaluation every row looks at the same facts.
An objection begins when ``permits`` is not True and ends when ``clears`` is True; so an unknown, a
NaN or a missing value never permits. A row whose ``latches`` is True while it stands keeps standing
until a person releases it. All objections are recorded; when several begin in the evaluation that
closes gas, the first in table order is the reason of that closing, and it stays the reason until
gas opens again. No row opens gas, none can be bypassed, and no transition lives outside this table.

To add a rule: a member of ``model.Reason``, a fact in ``guard/facts.py``, a row here, and the test
that ``tests/unit/test_interlock.py`` then asks for by name.
"""

from __future__ import annotations

from nightheron.guard import machine_rows as machine
from nightheron.guard.facts import Facts
from nightheron.guard.learned_rows import STALLED, SURGE
from nightheron.guard.rule import CORE_FAULT, Rule, always
from nightheron.guard.signal_rows import (
    DRIFTS,
    FEEDBACK_SILENT,
    GAS_BUDGET,
    SIGNAL_LOST,
    SIGNAL_SILENT,
    SIGNALS,
)
from nightheron.model import AlarmClass, Gas, Reason, State

_WAKE, _NOTICE = AlarmClass.WAKE, AlarmClass.NOTICE
TANK_FAR_PH = 0.2
"""So far below its limit the tank needs a hand now; common practice, no source."""


def _ph(f: Facts) -> str:
    return "no reading" if f.ph is None else f"{f.ph:.2f}"


def _rests_for(f: Facts) -> str:
    if f.rest_asked or f.gas is Gas.OPEN:
        return f.rest_asked or f"open {f.opening_s:.0f} s without an answer"
    return "no closing was proved in a day: this one is to show that gas stops"


def _falls_on(f: Facts) -> str:
    usually = "" if f.shown.turns_s is None else f"; it usually turns within {f.shown.turns_s:.0f} s here"
    return f"pH {_ph(f)}, ordered shut for {f.closed_s:.0f} s{usually}"


def _deep_permits(f: Facts) -> bool:
    return f.service or f.ph is None or f.ph >= f.limits.floor_ph - f.limits.deep_low_margin_ph


def _tank_clears(f: Facts) -> bool:
    return f.limits.tank is None or (f.tank_ph is not None and f.tank_ph >= f.limits.tank.clear_ph)


def _tank_far_low(f: Facts) -> bool:
    return (
        f.limits.tank is not None and f.tank_ph is not None and f.tank_ph < f.limits.tank.low_ph - TANK_FAR_PH
    )


def _tank_permits(f: Facts) -> bool:
    return f.limits.tank is None or f.tank_ph is None or f.tank_ph >= f.limits.tank.low_ph


TABLE: tuple[Rule, ...] = (
    machine.GUARD_LATE,
    machine.KEEPER_LOST,
    machine.VALVE_LOST,
    Rule(
        Reason.CHAMBER_PH_LOST,
        State.TRIPPED,
        permits=lambda f: f.ph_good or f.service or f.starting_grace or f.voted.fell_through_floor,
        closes_when="no good reading of chamber pH",
        resets="by itself, after settle; then a trial opening",
        sentence="the chamber's pH probe gives no good reading",
        clears=lambda f: f.ph_good,
        evidence=lambda f: f.voted.why,
        alarm=_NOTICE,
        delayed=True,
        opens_when="good readings of chamber pH",
    ),
    Rule(
        Reason.FLOOR,
        State.RESTING,
        permits=lambda f: f.service or f.ph is None or f.ph >= f.limits.floor_ph,
        closes_when="chamber pH below floor_ph",
        resets="by itself at resume_ph, after settle and rest",
        sentence="the chamber reached its floor; normal work",
        clears=lambda f: f.ph is not None and f.ph >= f.limits.resume_ph,
        evidence=lambda f: f"pH {_ph(f)}, floor {f.limits.floor_ph:.2f}",
        opens_when="chamber pH at resume",
    ),
    Rule(
        Reason.PLANNED_REST,
        State.RESTING,
        permits=lambda f: not f.rest_due and not f.rest_asked,
        closes_when="an opening reached its longest time, a trial ended without an answer, or a person tests",
        resets="by itself when pH has risen 3 x its noise, after the minimum rest",
        sentence="a planned rest, so that probe and valve can show that they answer; normal work",
        clears=lambda f: f.rest_answered or f.rest_given_up,
        evidence=_rests_for,
        opens_when="pH seen to rise with the gas shut",
    ),
    Rule(
        Reason.DEEP_LOW,
        State.TRIPPED,
        permits=_deep_permits,
        closes_when="chamber pH below floor_ph - deep_low_margin_ph",
        resets="by itself; by a person after 3 readings over 5 s while gas flowed or was draining",
        sentence="the chamber fell far below its floor",
        latches=lambda f: f.voted.deep_with_gas and not f.service,
        evidence=lambda f: f"pH {_ph(f)}, limit {f.limits.floor_ph - f.limits.deep_low_margin_ph:.2f}",
        latched_alarm=_NOTICE,
        opens_when="chamber pH back above the deep limit",
    ),
    Rule(
        Reason.PROBES_DISAGREE,
        State.TRIPPED,
        permits=lambda f: not f.voted.disagree or f.service,
        closes_when="the chamber's probes stand further apart than spread_ph, without a majority",
        resets="by itself, after settle",
        sentence="the chamber's probes do not agree",
        clears=lambda f: f.ph_good and not f.voted.disagree,
        evidence=lambda f: f"apart by {f.voted.spread_ph or 0.0:.2f}, at most {f.limits.spread_ph:.2f}",
        alarm=_NOTICE,
        delayed=True,
        opens_when="the probes agreeing again",
    ),
    Rule(
        Reason.TANK_LOW,
        State.TRIPPED,
        permits=_tank_permits,
        closes_when="tank pH below low_ph",
        resets="by itself at clear_ph",
        sentence="the tank's pH is low",
        clears=_tank_clears,
        evidence=lambda f: f.tank_why,
        alarm=_NOTICE,
        delayed=True,
        urgent=_tank_far_low,
        urgent_words=lambda f: (
            f"THE TANK'S pH IS FAR TOO LOW: {f.tank_why}; look at the tank and its air now"
        ),
        opens_when="tank pH at its clearing limit",
    ),
    Rule(
        Reason.TANK_PH_LOST,
        State.TRIPPED,
        permits=lambda f: f.tank_good or not f.tank_required or f.starting_grace,
        closes_when="no good reading of a required tank pH",
        resets="by itself",
        sentence="the tank's pH probe gives no good reading",
        clears=lambda f: f.tank_good or not f.tank_required,
        evidence=lambda f: f.tank_why,
        alarm=_NOTICE,
        delayed=True,
        opens_when="good readings of tank pH",
    ),
    SURGE,
    Rule(
        Reason.NO_EFFECT,
        State.TRIPPED,
        permits=lambda f: not f.rest_over,
        closes_when="a trial opening or a planned rest ended without an answer",
        resets="by a person",
        sentence="the reading does not answer the gas: cylinder empty, or probe stuck, in a cup or in air",
        latches=always,
        evidence=lambda f: f"no answer in {f.rest_wait_s:.0f} s of rest",
        alarm=_NOTICE,
        opens_when="a person's release, with pH at resume",
    ),
    Rule(
        Reason.NOT_STOPPING,
        State.LATCHED,
        permits=lambda f: not f.not_stopping,
        closes_when="gas is shut and pH keeps falling beyond what line and probe lag explain",
        resets="by a person, or when pH turns after all during this closing",
        sentence="GAS NOT STOPPED: ordered shut, and pH still falls; the valve may leak or be stuck",
        evidence=_falls_on,
        alarm=_WAKE,
        opens_when="pH seen to turn, or a person's release",
    ),
    STALLED,
    machine.VALVE_DISAGREES,
    machine.FOREIGN_ORDER,
    machine.VALVE_PASSES,
    GAS_BUDGET,
    *SIGNALS,
    SIGNAL_LOST,
    machine.NOT_RECORDABLE,
    machine.RESTARTS,
    machine.NEW_JOURNAL,
    Rule(
        Reason.SERVICE,
        State.SERVICE,
        permits=lambda f: not f.service,
        closes_when="a person holds it closed",
        resets="by a person (service off)",
        sentence="a person holds the gas shut",
        evidence=lambda f: f.service_why,
        opens_when="service off",
    ),
    Rule(
        Reason.WORK_DONE,
        State.RESTING,
        permits=lambda f: not f.work_done,
        closes_when="a person says what was changed, or ends a hold during a bleed",
        resets="by itself, after settle and rest; then a trial opening",
        sentence="hands were at work on it",
        evidence=lambda f: f.work_done,
        opens_when="settle and rest",
    ),
    Rule(
        Reason.COMMISSIONING,
        State.STANDBY,
        permits=lambda f: f.commissioned,
        closes_when='commissioning = "require" and commissioning is not finished',
        resets="by a person",
        sentence="commissioning is not finished",
        opens_when="commissioning finished",
    ),
    Rule(
        Reason.STARTING,
        State.STANDBY,
        permits=lambda f: not f.starting,
        closes_when="the service starts or stops",
        resets="by itself, once every required signal and the valve have spoken",
        sentence="the service is starting",
        evidence=lambda f: f.starting_why,
        opens_when="every required signal and the valve heard",
    ),
    Rule(
        Reason.SETTLING,
        State.RESTING,
        permits=lambda f: f.gas is Gas.OPEN or f.voted.settled,
        closes_when="(holds closed) not every reading of settle_s is at or above resume_ph",
        resets="by itself",
        sentence="waiting for steady readings",
        clears=lambda f: f.voted.settled,
        opens_when="every reading at or above resume for the settle time",
    ),
    Rule(
        Reason.MIN_REST,
        State.RESTING,
        permits=lambda f: f.gas is Gas.OPEN or f.closed_s >= f.limits.min_rest_s,
        closes_when="(holds closed) less than min_rest_s since gas closed",
        resets="by itself",
        sentence="the least rest is not over",
        evidence=lambda f: f"{f.closed_s:.0f} of {f.limits.min_rest_s:.0f} s",
        opens_when="the least rest over",
    ),
    machine.VALVE_TURN,
    FEEDBACK_SILENT,
    SIGNAL_SILENT,
    *DRIFTS,
)

RULES = {rule.reason: rule for rule in (CORE_FAULT, *TABLE)}
