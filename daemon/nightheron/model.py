"""What the parts say to each other: closed enums and frozen values, units in the names.

Times called ``at_ns`` are CLOCK_BOOTTIME nanoseconds of the present boot, whole milliseconds.
Nothing here reads a clock, and nothing here stands for "no number" but None.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.cycles import Cycle as Cycle, Learned as Learned
from nightheron.vocabulary import (
    Act as Act,
    AlarmClass as AlarmClass,
    Flag as Flag,
    Gas as Gas,
    Health as Health,
    Reason as Reason,
    Signal as Signal,
    State as State,
    Verdict as Verdict,
    Work as Work,
)

NS = 1_000_000_000
Plain = None | bool | int | float | str | tuple["Plain", ...]
JsonValue = None | bool | int | float | str | list["JsonValue"] | dict[str, "JsonValue"]


# ---- events: everything the core may know ----


@dataclass(frozen=True, slots=True)
class Left:
    """What an earlier run of the service left behind for one chamber; durations, never times."""

    gas: Gas
    reason: Reason | None
    latched: tuple[Reason, ...]
    service: bool
    unanswered_s: float
    """Seconds of open gas since the water last answered the valve."""
    opening_s: float
    """Length of the present opening, in seconds of open gas."""
    rest_pending: bool
    """A planned rest was under way."""
    opened_day_s: float
    rest_lowest_ph: float | None = None
    """The lowest level seen since a closing that is watched still."""
    rest_from_trial: bool = False
    trial: bool = False
    """The next opening must be answered within the trial time."""
    pending: bool = False
    """The water has not yet answered the present closing."""
    not_proved: bool = False
    """The water was seen to fall on in the present closing; opening is refused until it turns."""
    digit_ph: float | None = None
    """The smallest step the chamber's probe was seen to make; less than some of these is no movement."""
    steps: int = 0
    """How many steps that was learned from."""
    service_left_s: float | None = None
    """Until the reminder of a person's hold is due."""
    taken: Gas | None = None
    """The last order that the valve is known to have, or may have; None when nothing is known."""
    more_digits: tuple[tuple[float | None, int], ...] = ()
    """``digit_ph`` and ``steps`` of the chamber's second and third probe."""
    beyond: tuple[Signal, ...] = ()
    """Signals that stood beyond their limits or were held for having been there."""
    turn_shut: int = 1
    """Of two valves in series, the one whose turn is next."""
    turn_since_s: float | None = None
    """Running time since the last turn."""
    service_why: str = ""
    """Who holds the gas, and why."""
    opened_hours_s: tuple[int, ...] = ()
    """``opened_day_s`` by hours of running, newest last, rounded up."""
    surge_ages_s: tuple[float, ...] = ()
    """How long ago the last surges were."""
    still_s: float | None = None
    """For how long pH has not risen, with gas shut and below resume."""
    still_ph: float | None = None
    """The lowest level of that time."""
    unproved_s: float = 0.0
    """Running time since a closing was last proved."""
    untold: int = 0
    """Closings since then."""
    verdict_hours: tuple[tuple[int, ...], ...] = ()
    """Closings proved, not proved, not to be told, by hours of running, newest last."""
    proved: bool = False
    """The water was seen to rise in the present closing; should it fall below its lowest, gas passes."""


@dataclass(frozen=True, slots=True)
class Started:
    """The service begins; ``left`` is None on the first start of a chamber."""

    at_ns: int
    left: Left | None
    unclean_starts: int
    """Starts in the last hour of running time that no clean stop preceded, this one included."""
    journal_new: bool
    """A journal was here and is lost, damaged or replaced."""
    commissioned: bool
    learned: Learned | None = None
    """What the chamber had learned of itself in earlier runs."""
    usual: Plain = None
    """What was usual for it, hour by hour, as an earlier run wrote it down."""


@dataclass(frozen=True, slots=True)
class Observed:
    """One message from a probe, good or not. ``value`` is in the probe's own unit."""

    at_ns: int
    signal: Signal
    probe: int
    value: float | None
    raw: str
    """What was received, escaped and cut; kept whatever it says."""
    refused: str | None = None
    """Why the driver would not call it a reading: no_match, not_a_number, retained, old, ahead, ..."""


@dataclass(frozen=True, slots=True)
class Ticked:
    """Time went on."""

    at_ns: int


@dataclass(frozen=True, slots=True)
class Committed:
    """The row with this token is on disk."""

    at_ns: int
    token: int


@dataclass(frozen=True, slots=True)
class JournalSaid:
    """The journal cannot commit (``well`` false), can again, or was lost and begun anew (``replaced``)."""

    at_ns: int
    well: bool
    replaced: bool = False


@dataclass(frozen=True, slots=True)
class ValveSaid:
    """The link to the valve and the last order it acknowledged."""

    at_ns: int
    valve: int
    link: bool
    acked: Gas | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class FeedbackSaid:
    """What the device itself reports; ``seen`` is None when it says neither answer."""

    at_ns: int
    valve: int
    seen: Gas | None
    raw: str


@dataclass(frozen=True, slots=True)
class OtherOrder:
    """An order on our valve's own topic that was not ours."""

    at_ns: int
    valve: int
    order: Gas | None
    raw: str


@dataclass(frozen=True, slots=True)
class KeeperSaid:
    """The process that holds the valve is there, or is gone or silent."""

    at_ns: int
    alive: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Late:
    """The loop did not run for ``gap_s``, more than half the shortest lease."""

    at_ns: int
    gap_s: float


@dataclass(frozen=True, slots=True)
class Acted:
    """A person acted, at the board."""

    at_ns: int
    act: Act
    who: str
    why: str = ""
    for_s: float | None = None
    """Seconds until the reminder of a hold, or of a bleed."""
    work: Work | None = None


@dataclass(frozen=True, slots=True)
class Stopping:
    """The service ends in good order."""

    at_ns: int


@dataclass(frozen=True, slots=True)
class Hour:
    """An hour of the day begins, UTC. It tells what is usual at this hour, and never permits anything."""

    at_ns: int
    hour: int
    """0 to 23."""
    synced: bool
    """The wall clock was set by somebody who knows."""


Event = (
    Started
    | Observed
    | Ticked
    | Committed
    | JournalSaid
    | ValveSaid
    | FeedbackSaid
    | OtherOrder
    | KeeperSaid
    | Late
    | Acted
    | Stopping
    | Hour
)

# ---- what comes out ----


@dataclass(frozen=True, slots=True)
class Decision:
    """The result of one evaluation of one chamber, with the numbers it used."""

    at_ns: int
    state: State
    gas: Gas
    reason: Reason | None
    """The first reason of this closing; None while gas is open."""
    reasons: tuple[Reason, ...]
    """Those standing now, in the order of the interlock table."""
    ph: float | None
    """The fresh chamber reading that decides, NBS scale; None when there is none."""
    health: Health
    flag: Flag
    test: str
    """Name of the quality test that set the flag."""
    tank_ph: float | None
    verdict: Verdict | None
    evidence: tuple[tuple[Reason, str], ...] = ()
    """The number or word on which each standing reason rests."""
    notes: tuple[str, ...] = ()
    """Findings about readings that decide nothing, such as a spike one reading ago."""
    delivered: bool | None = None
    """The valve acknowledged the order that stands; None where nobody looked. ``gas`` is only the order."""
    ordered_ns: int = 0
    """When that order was given."""
    taken: Gas | None = None
    """The last order the valve acknowledged; OPEN from when it was given, since it may arrive unanswered."""
    taken_ns: int | None = None
    """Since when; None when it was before this start."""
    seen: Gas | None = None
    """Where the valve itself last reported to stand; None when it does not report, or nothing we know."""
    trial_ends_ns: int | None = None
    """Gas is open for a trial, which ends then unless the reading answers; None when it is not."""
    bleed_ends_ns: int | None = None
    """Gas is open for a bleed, which ends then whatever is read; None when it is not."""
    probes: tuple[float | None, ...] = ()
    """With several chamber probes: what each reads, pH on the NBS scale, None where it is not fresh."""
    signals: tuple[tuple[Signal, float | None], ...] = ()
    """The other signals that are configured, each in its own unit; None where it is not fresh."""
    verdict_s: float | None = None
    """How long after the closing the water told."""
    verdicts_day: tuple[int, ...] | None = None
    """Closings of the last 24 hours of running: proved, not proved, could not tell."""

    def same_as(self, other: Decision) -> bool:
        """True when nothing a person would call the decision differs (readings may)."""
        return (
            self.state == other.state
            and self.gas == other.gas
            and self.reason == other.reason
            and self.reasons == other.reasons
            and self.health == other.health
            and self.verdict == other.verdict
        )


@dataclass(frozen=True, slots=True)
class OpenUntil:
    """Gas may be open until this time; order it of every valve of the chamber.

    With ``only``, of that one valve in series alone: the other stays shut, and no gas flows unless it leaks.
    """

    until_ns: int
    only: int | None = None


@dataclass(frozen=True, slots=True)
class Close:
    """Close every valve of the chamber now."""


@dataclass(frozen=True, slots=True)
class Record:
    """Write this decision. With ``token``, say Committed(token) when it is on disk."""

    decision: Decision
    token: int


@dataclass(frozen=True, slots=True)
class Raise:
    """An alarm begins, or grew worse."""

    reason: Reason
    kind: AlarmClass
    text: str


@dataclass(frozen=True, slots=True)
class Clear:
    """The condition of an alarm is over."""

    reason: Reason


@dataclass(frozen=True, slots=True)
class Publish:
    """This decision is news for whoever listens."""

    decision: Decision


@dataclass(frozen=True, slots=True)
class Refused:
    """A person's act was not carried out, and why. Nothing is remembered of it."""

    why: str


@dataclass(frozen=True, slots=True)
class CycleOver:
    """A cycle is over, and what is learned with it; without a cycle, hands made the chamber forget."""

    cycle: Cycle | None
    learned: Learned


@dataclass(frozen=True, slots=True)
class UsualNow:
    """What is usual for a chamber, for the next start; some hours more, or hands made it forget."""

    usual: Plain
    text: str


Effect = OpenUntil | Close | Record | Raise | Clear | Publish | Refused | CycleOver | UsualNow
