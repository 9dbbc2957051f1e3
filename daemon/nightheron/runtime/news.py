"""What the log says of decisions and alarms: transitions, once; and passing news on to telemetry."""

from __future__ import annotations

from collections.abc import Mapping

from nightheron.model import Decision, Gas, JsonValue
from nightheron.runtime.logs import Log
from nightheron.runtime.ports import NewsPort


class News:
    """Logs rows and alarms, and hands everything on."""

    def __init__(self, log: Log, onward: NewsPort) -> None:
        self._log, self._onward = log, onward
        self._said: dict[str, tuple[JsonValue, ...]] = {}

    def report(self, decision: Decision, place: int) -> None:
        self._onward.report(decision, place)

    def row(self, chamber: str, body: dict[str, JsonValue]) -> None:
        self._log_decision(chamber, body)
        self._onward.row(chamber, body)

    def alarm(self, chamber: str, body: dict[str, JsonValue]) -> None:
        self._log.warning(
            "alarm",
            chamber=chamber,
            id=body["id"],
            state=body["state"],
            kind=body["class"],
            text=body["text"],
        )
        self._onward.alarm(chamber, body)

    def _log_decision(self, chamber: str, body: Mapping[str, JsonValue]) -> None:
        says = (body["gas"], body["state"], body["reason"], str(body["reasons"]))
        if self._said.get(chamber) == says:
            return
        before, self._said[chamber] = self._said.get(chamber), says
        turned = before is None or before[0] != body["gas"]
        self._log.info(
            f"gas ordered {'open' if body['gas'] == Gas.OPEN else 'shut'}" if turned else "reasons changed",
            chamber=chamber,
            state=body["state"],
            reason=body["reason"],
            reasons=body["reasons"],
            ph=body["ph"],
        )
