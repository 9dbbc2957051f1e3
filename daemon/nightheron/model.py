"""What the parts say to each other: closed enums and frozen values, units in the names.

Times called ``at_ns`` are CLOCK_BOOTTIME nanoseconds of the present boot, whole milliseconds.
Nothing here reads a clock, and nothing here stands for "no number" but None.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

NS = 1_000_000_000
JsonValue = None | bool | int | float | str | list["JsonValue"] | dict[str, "JsonValue"]


class Gas(StrEnum):
    """The order that stands on a valve."""

    OPEN = "open"
    CLOSED = "closed"


class State(StrEnum):
    """The worst standing objection, worst last."""

    FLOWING = "flowing"
    STANDBY = "standby"
    RESTING = "resting"
    TRIPPED = "tripped"
    SERVICE = "service"
    LATCHED = "latched"


class Health(StrEnum):
    """Status of a signal in the words of NAMUR NE 107."""

    GOOD = "good"
    MAINTENANCE = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FUNCTION_CHECK = "function_check"
    FAILURE = "failure"


class Flag(IntEnum):
    """Quality flag of a reading, numbered as in IOOS QARTOD."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Verdict(StrEnum):
    """What the water said about the last closing."""

    PENDING = "pending"
    PROVED = "proved"
    NOT_PROVED = "not_proved"
    COULD_NOT_TELL = "could_not_tell"


class Signal(StrEnum):
    """The fixed vocabulary of signals a probe can speak for."""

    CHAMBER_PH = "chamber_ph"
    TANK_PH = "tank_ph"


class Reason(StrEnum):
    """Every reason against gas. The interlock table gives each its rule."""

    CORE_FAULT = "core_fault"
    GUARD_LATE = "guard_late"
    KEEPER_LOST = "keeper_lost"
    VALVE_LOST = "valve_lost"
    CHAMBER_PH_LOST = "chamber_ph_lost"
    FLOOR = "floor"
    PLANNED_REST = "planned_rest"
    DEEP_LOW = "deep_low"
    TANK_LOW = "tank_low"
    TANK_PH_LOST = "tank_ph_lost"
    NO_EFFECT = "no_effect"
    NOT_STOPPING = "not_stopping"
    VALVE_DISAGREES = "valve_disagrees"
    FOREIGN_ORDER = "foreign_order"
    NOT_RECORDABLE = "not_recordable"
    RESTARTS = "restarts"
    NEW_JOURNAL = "new_journal"
    COMMISSIONING = "commissioning"
    SERVICE = "service"
    WORK_DONE = "work_done"
    STARTING = "starting"
    SETTLING = "settling"
    MIN_REST = "min_rest"
    FEEDBACK_SILENT = "feedback_silent"


class AlarmClass(StrEnum):
    """How far an alarm may reach: wake a person, tell once, or wait for the morning."""

    WAKE = "wake"
    NOTICE = "notice"
    DIGEST = "digest"


class Act(StrEnum):
    """What a person can tell the guard. None of them opens gas against any rule."""

    SERVICE_ON = "service_on"
    SERVICE_OFF = "service_off"
    RELEASE = "release"
    CLOSE = "close"
    HOLD = "hold"  # from a button: begins a hold, and changes none that stands
    CHANGED = "changed"  # hands did `work` on the chamber
    TEST = "test"  # shut the gas as a planned rest now, to see that it stops
    BLEED = "bleed"  # the hold stands aside for `for_s` seconds; every other rule must permit


class Work(StrEnum):
    """What hands can have changed on a chamber."""

    NEEDLE = "needle"
    CYLINDER = "cylinder"
    MEDIA = "media"
    PROBE = "probe"
    FEED = "feed"
    PUMP = "pump"
    LAY_UP = "lay-up"


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
    """The lowest level seen since the closing whose answer is awaited."""
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
    """The last good chamber reading, NBS scale; None when there is none."""
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
    trial_ends_ns: int | None = None
    """Gas is open for a trial, which ends then unless the reading answers; None when it is not."""
    bleed_ends_ns: int | None = None
    """Gas is open for a bleed, which ends then whatever is read; None when it is not."""

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
    """Gas may be open until this time; order it of every valve of the chamber."""

    until_ns: int


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


Effect = OpenUntil | Close | Record | Raise | Clear | Publish | Refused
