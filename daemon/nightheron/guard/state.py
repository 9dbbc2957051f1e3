"""All that one chamber remembers, in plain values, so that it can be written down and restored exactly."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from nightheron.cycles import Learned
from nightheron.guard.cycle import Watch
from nightheron.guard.drift import Drift
from nightheron.guard.learned import Figures
from nightheron.guard.proof import Proof
from nightheron.guard.quality import Track
from nightheron.guard.rate import Rate
from nightheron.guard.sense import Sense
from nightheron.guard.tally import Tally
from nightheron.guard.turn import Turn
from nightheron.model import Gas, Reason, Signal


class Phase(StrEnum):
    """CLOSED, or OPENING (decided and being written down), or OPEN (ordered)."""

    CLOSED = "closed"
    OPENING = "opening"
    OPEN = "open"


@dataclass(slots=True)
class Objection:
    """One standing reason against gas."""

    since_ns: int
    evidence: str
    latched: bool = False
    told: bool = False
    told_latched: bool = False
    told_urgent: bool = False
    before_ns: int = 0
    """Added to how long it stands, toward its alarm: spells before this one, less what was only held."""


@dataclass(slots=True)
class Spell:
    """An objection that ended and may be back soon, as with a loose plug."""

    counted_ns: int
    ended_ns: int


@dataclass(slots=True)
class ChamberState:
    """Times are CLOCK_BOOTTIME ns; flags say what is true now."""

    now_ns: int = 0
    begun: bool = False
    """Whoever starts the service has said what was left; nothing opens before."""
    started_ns: int = 0
    phase: Phase = Phase.CLOSED
    token: int = 0
    awaited_token: int | None = None
    closed_ns: int = 0
    ordered_ns: int = 0
    """When the standing order last changed."""
    delivered: bool = False
    """The valve acknowledged the standing order after it was given."""
    taken: Gas | None = None
    """The last order the valve has, or OPEN that it may have; from an earlier run if ``taken_ns`` is None."""
    taken_ns: int | None = None
    renewed_ns: int = 0
    first_reason: Reason | None = Reason.STARTING
    objections: dict[Reason, Objection] = field(default_factory=dict)
    spells: dict[Reason, Spell] = field(default_factory=dict)
    probes: list[Track] = field(default_factory=lambda: [Track()])
    aside: dict[int, int] = field(default_factory=dict)
    """Of three probes those far from the median, and when they were last seen so."""
    heard: list[int] = field(default_factory=list)
    """The probes whose values made the level that proofs last compared."""
    senses: dict[Signal, Sense] = field(default_factory=dict)
    tank_ph: Track = field(default_factory=Track)
    proof: Proof = field(default_factory=Proof)
    turn: Turn = field(default_factory=Turn)
    watch: Watch = field(default_factory=Watch)
    learned: Learned = field(default_factory=Learned)
    known: Figures = field(default_factory=Figures)
    rate: Rate = field(default_factory=Rate)
    tally: Tally = field(default_factory=Tally)
    surging_ph_per_min: float = 0.0
    """How fast it falls, by the event that is being taken, if that is a surge."""
    surges_ns: list[int] = field(default_factory=list)
    """When the last surges were, newest last."""
    still_ns: int | None = None
    """Since when pH has not risen, with gas shut and below resume."""
    still_ph: float = 0.0
    still_seen_ns: int = 0
    forgot: bool = False
    """Something learned was forgotten, and no row has said so."""
    drift: Drift = field(default_factory=Drift)
    keeper_alive: bool = False
    keeper_why: str = "not started"
    valve_link: bool = False
    valve_why: str = "no link yet"
    link_up_ns: int = 0
    seen: Gas | None = None
    feedback_heard: bool = False
    disagrees_from_ns: int | None = None
    foreign_open: bool = False
    foreign_raw: str = ""
    late_s: float = 0.0
    journal_well: bool = True
    journal_new: bool = False
    unclean_starts: int = 0
    commissioned: bool = False
    service: bool = False
    service_why: str = ""
    service_until_ns: int | None = None
    bleed_until_ns: int | None = None
    """A bleed sets the hold aside until then; it ends for good when gas is shut for any reason."""
    work_done: str = ""
    """Hands were at work, said by the event that is being taken; who and what."""
    test_asked: str = ""
    """A proof test is asked for by the event that is being taken; who and why."""
    starting: bool = True
    stopping: bool = False
    opened_day_ns: list[int] = field(default_factory=lambda: [0] * 25)
    """Open time of the last 24 hours of running and of the one under way, newest hour last."""
    day_hour_ns: int = 0
    fault: str = ""

    @property
    def held(self) -> bool:
        """A person's hold stands, and no bleed sets it aside at this moment."""
        bleeds = self.bleed_until_ns is not None and self.now_ns < self.bleed_until_ns
        return self.service and not bleeds

    def break_runs(self) -> None:
        """What every probe read before counts no longer toward permission."""
        for track in self.probes:
            track.break_run()
