"""Rows of the interlock table: signals other than pH, the day's open time, and rows that only tell."""

from __future__ import annotations

from nightheron.guard.facts import Facts
from nightheron.guard.rule import Rule, always, never
from nightheron.guard.sense import HELD
from nightheron.guard.signals import KINDS, Kind, resets
from nightheron.model import AlarmClass, Reason, Signal, State

_NOTICE = AlarmClass.NOTICE


def _budget_permits(f: Facts) -> bool:
    most_s = f.limits.gas_budget_s_per_day
    return most_s is None or f.opened_day_s <= most_s


def _of_signal(signal: Signal, kind: Kind) -> Rule:
    """The row of one of the signals that are not pH."""
    return Rule(
        kind.reason,
        State.TRIPPED,
        permits=lambda f: signal not in f.standing,
        closes_when=kind.closes_when,
        resets=resets(kind),
        sentence=kind.sentence,
        latches=always if kind.latches else never,
        evidence=lambda f: f.standing.get(signal, ""),
        alarm=kind.alarm,
        delayed=not kind.latches,
        calm=lambda f: HELD in f.standing.get(signal, ""),
        opens_when=kind.opens_when,
    )


GAS_BUDGET = Rule(
    Reason.GAS_BUDGET,
    State.TRIPPED,
    permits=_budget_permits,
    closes_when="gas was open longer than gas_budget_s_per_day in 24 hours of running",
    resets="by a person, once 24 hours hold less open time than the budget",
    sentence="more gas than the day's budget: the probe may read high, or the chamber's need has grown",
    latches=always,
    evidence=lambda f: f"open {f.opened_day_s:.0f} s in 24 h, at most {f.limits.gas_budget_s_per_day:.0f} s",
    alarm=_NOTICE,
    opens_when="open time below the day's budget, then a person's release",
)

SIGNALS: tuple[Rule, ...] = tuple(_of_signal(signal, kind) for signal, kind in KINDS.items())


def _drifts(reason: Reason, closes_when: str, sentence: str) -> Rule:
    """One of the rows about what changes slowly. The words are those of the table of causes."""
    return Rule(
        reason,
        State.FLOWING,
        permits=lambda f: reason not in f.drift,
        closes_when=f"(only told) {closes_when}",
        resets="by itself, or when a person says what hands changed",
        sentence=sentence,
        evidence=lambda f: f.drift.get(reason, ""),
        alarm=_NOTICE,
        told_as=lambda f: f.drift.get(reason, sentence),
        objects=False,
    )


DRIFTS: tuple[Rule, ...] = (
    _drifts(
        Reason.DRIFT,
        "gas, water or probe answer each other otherwise than they used to",
        "the chamber does not behave as it used to",
    ),
    _drifts(
        Reason.PROBE_DRIFT,
        "the reading is noisier, steps with the valve, or two probes part",
        "a probe of the chamber does not read as it used to",
    ),
    _drifts(
        Reason.TANK_DRIFT,
        "tank pH stands off what it usually is at this hour",
        "tank pH is not what it usually is at this hour",
    ),
)

SIGNAL_LOST = Rule(
    Reason.SIGNAL_LOST,
    State.TRIPPED,
    permits=lambda f: not f.required_lost or f.starting_grace,
    closes_when="a required signal gives no good reading",
    resets="by itself",
    sentence="a required signal gives no good reading",
    clears=lambda f: not f.required_lost,
    evidence=lambda f: f.required_lost,
    alarm=_NOTICE,
    delayed=True,
    opens_when="good readings of every required signal",
)

SIGNAL_SILENT = Rule(
    Reason.SIGNAL_SILENT,
    State.FLOWING,
    permits=lambda f: not f.optional_silent or f.starting_grace,
    closes_when="(only told) a signal that is configured and not required gives no good reading",
    resets="by itself",
    sentence="a signal gives no good reading; what it watched is not watched now",
    clears=lambda f: not f.optional_silent,
    alarm=_NOTICE,
    delayed=True,
    evidence=lambda f: f.optional_silent,
    objects=False,
)

FEEDBACK_SILENT = Rule(
    Reason.FEEDBACK_SILENT,
    State.FLOWING,
    permits=lambda f: not f.feedback_silent,
    closes_when="(only told) feedback is configured, and the valve never reports or says neither answer",
    resets="by itself",
    sentence="the valve's own report is missing or not understood",
    alarm=_NOTICE,
    delayed=True,
    evidence=lambda f: f.feedback_why,
    objects=False,
)
