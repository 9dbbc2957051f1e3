"""The states of an alarm and every way from one to another, as one table.

The states are those of ISA-18.2 / IEC 62682. A latching alarm whose cause is over stays until a person
has seen it; any other returns to normal by itself once it has been calm for its off-delay.
"""

from __future__ import annotations

from enum import StrEnum


class AlarmState(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"  # its cause is over, nobody has seen it; goes by itself
    LATCHED = "latched"  # its cause is over, nobody has seen it; stays until somebody has
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class Turn(StrEnum):
    """What can happen to an alarm."""

    RAISED = "raised"
    HELD_BACK = "held_back"  # raised, or standing, while an alarm that explains it stands
    FREED = "freed"  # nothing explains it any more
    WORSE = "worse"
    OVER = "over"  # its cause ended; the off-delay begins
    OVER_LATCHING = "over_latching"
    CALM = "calm"  # its cause ended, and the off-delay too
    ACKED = "acked"
    SHELVED = "shelved"
    TAKEN_OUT = "taken_out"
    ENDED = "ended"  # a shelf or a time out of service is over, and the cause stands
    ENDED_QUIET = "ended_quiet"  # it is over, and there is no cause


_S, _T = AlarmState, Turn
TABLE: dict[tuple[AlarmState, Turn], AlarmState] = {
    (_S.NORMAL, _T.RAISED): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _T.HELD_BACK): _S.SUPPRESSED,
    (_S.NORMAL, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.UNACKNOWLEDGED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.HELD_BACK): _S.SUPPRESSED,
    (_S.UNACKNOWLEDGED, _T.OVER): _S.RETURNED,
    (_S.UNACKNOWLEDGED, _T.OVER_LATCHING): _S.LATCHED,
    (_S.UNACKNOWLEDGED, _T.ACKED): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.SHELVED): _S.SHELVED,
    (_S.UNACKNOWLEDGED, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.ACKNOWLEDGED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _T.CALM): _S.NORMAL,
    (_S.ACKNOWLEDGED, _T.SHELVED): _S.SHELVED,
    (_S.ACKNOWLEDGED, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.RETURNED, _T.RAISED): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _T.CALM): _S.NORMAL,
    (_S.RETURNED, _T.ACKED): _S.NORMAL,
    (_S.RETURNED, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.LATCHED, _T.RAISED): _S.UNACKNOWLEDGED,
    (_S.LATCHED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.LATCHED, _T.ACKED): _S.NORMAL,
    (_S.SHELVED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.SHELVED, _T.CALM): _S.NORMAL,
    (_S.SHELVED, _T.ENDED): _S.UNACKNOWLEDGED,
    (_S.SHELVED, _T.ENDED_QUIET): _S.NORMAL,
    (_S.SHELVED, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.SUPPRESSED, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.SUPPRESSED, _T.CALM): _S.NORMAL,
    (_S.SUPPRESSED, _T.FREED): _S.UNACKNOWLEDGED,
    (_S.SUPPRESSED, _T.TAKEN_OUT): _S.OUT_OF_SERVICE,
    (_S.OUT_OF_SERVICE, _T.WORSE): _S.UNACKNOWLEDGED,
    (_S.OUT_OF_SERVICE, _T.ENDED): _S.UNACKNOWLEDGED,
    (_S.OUT_OF_SERVICE, _T.ENDED_QUIET): _S.NORMAL,
}
"""A pair that is not here changes nothing."""


def after(state: AlarmState, turn: Turn) -> AlarmState:
    """The state that follows."""
    return TABLE.get((state, turn), state)


UNSEEN = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED})
"""Nobody has said that it was seen."""
ENDING = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})
"""States that a person set, for a time."""
