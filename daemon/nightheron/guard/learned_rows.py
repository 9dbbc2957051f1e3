"""Rows of the interlock table that rest on what the chamber has shown of itself."""

from __future__ import annotations

from nightheron.guard.facts import Facts
from nightheron.guard.rule import Rule
from nightheron.model import AlarmClass, Reason, State

_NOTICE = AlarmClass.NOTICE
SURGES_MOST = 3
"""The so many-th surge in a day asks for a person."""


def _surge_clears(f: Facts) -> bool:
    return f.closed_s >= f.limits.min_rest_s and not f.shown.pending


SURGE = Rule(
    Reason.SURGE,
    State.TRIPPED,
    permits=lambda f: not f.shown.surge_ph_per_min > 0.0,
    closes_when="pH falls much faster than learned with gas on, and than surge_ph_per_min",
    resets="by itself after the minimum rest, once the water has told; by a person at the third in a day",
    sentence="pH fell much faster than gas makes it fall here: a surge of gas",
    clears=_surge_clears,
    latches=lambda f: f.shown.surges_day >= SURGES_MOST,
    evidence=lambda f: f"{f.shown.surge_ph_per_min:.2f} pH a minute, number {f.shown.surges_day} in 24 h",
    alarm=_NOTICE,
    opens_when="the least rest over and pH seen to turn; after the third in a day a person's release",
)

STALLED = Rule(
    Reason.STALLED,
    State.TRIPPED,
    permits=lambda f: not f.shown.stalled,
    closes_when="(holds closed) gas long shut, below resume_ph, and pH does not rise",
    resets="by itself, when pH rises again",
    sentence="gas is shut and pH does not rise: feed stopped, valve passing gas, or probe not in the water",
    evidence=lambda f: f"no rise in {f.shown.still_s:.0f} s",
    alarm=_NOTICE,
    opens_when="pH seen to rise",
)
