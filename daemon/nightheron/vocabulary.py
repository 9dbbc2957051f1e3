"""The closed words of the program: states, signals, reasons, acts. Everybody takes them from ``model``."""

from __future__ import annotations

from enum import IntEnum, StrEnum


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
    TEMPERATURE = "temperature"
    FLOW = "flow"
    CIRCULATION = "circulation"
    FEED = "feed"
    OUTLET_PRESSURE = "outlet_pressure"
    VESSEL_PRESSURE = "vessel_pressure"
    LEAK = "leak"
    ROOM_CO2 = "room_co2"


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
    PROBES_DISAGREE = "probes_disagree"
    TANK_LOW = "tank_low"
    TANK_PH_LOST = "tank_ph_lost"
    SURGE = "surge"
    NO_EFFECT = "no_effect"
    NOT_STOPPING = "not_stopping"
    STALLED = "stalled"
    VALVE_DISAGREES = "valve_disagrees"
    FOREIGN_ORDER = "foreign_order"
    VALVE_PASSES = "valve_passes"
    GAS_BUDGET = "gas_budget"
    CIRCULATION_STOPPED = "circulation_stopped"
    FEED_STOPPED = "feed_stopped"
    FLOW_LOW = "flow_low"
    OUTLET_PRESSURE_HIGH = "outlet_pressure_high"
    VESSEL_PRESSURE_HIGH = "vessel_pressure_high"
    TEMPERATURE = "temperature"
    LEAK = "leak"
    ROOM_CO2 = "room_co2"
    SIGNAL_LOST = "signal_lost"
    NOT_RECORDABLE = "not_recordable"
    RESTARTS = "restarts"
    NEW_JOURNAL = "new_journal"
    COMMISSIONING = "commissioning"
    SERVICE = "service"
    STARTING = "starting"
    SETTLING = "settling"
    VALVE_TURN = "valve_turn"
    MIN_REST = "min_rest"
    FEEDBACK_SILENT = "feedback_silent"
    SIGNAL_SILENT = "signal_silent"
    WORK_DONE = "work_done"
    DRIFT = "drift"
    PROBE_DRIFT = "probe_drift"
    TANK_DRIFT = "tank_drift"


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
