"""Killed at every single write and send between a decision and its acceptance: nothing is lost.

The points are enumerated, not sampled: the whole story of a lost probe is played, and at each row that
reaches the disk, each batch that is handed to a courier and each answer of one, a copy of what is on disk
is taken. From every copy a new run is begun, as after a SIGKILL of guard and courier at that moment.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightheron.model import NS, JsonValue
from nightheron.notify.outbox import Outbox
from nightheron.notify.push import Push

from tests.support.pushes import ANA, PHONE, RUI, Service, TellingBench


@dataclass
class Point:
    """One moment: what is on disk, and what services had got by then."""

    where: str
    rows: list[tuple[str, str]]
    """(kind, alarm) of each row on disk."""
    outbox: dict[str, str]
    got: list[str]
    """Ids of pushes that some service accepted by then."""


class Killed(TellingBench):
    """Takes a point at each write and each send."""

    def __init__(self) -> None:
        self.points: list[Point] = []
        super().__init__()
        put, send = self.journal.put, self.service.send

        def recorded(
            kind: str, body: dict[str, JsonValue], inputs: bytes | None, token: int, **more: object
        ) -> bool:
            self.take(f"before the row {kind}")
            taken = put(kind, body, inputs, token, **more)  # type: ignore[arg-type]  # passed on as it came
            self.take(f"after the row {kind} {body.get('state')}")
            return taken

        def sent(label: str, url: str, messages: Sequence[Mapping[str, JsonValue]]) -> None:
            self.take(f"before the courier to {label}")
            send(label, url, messages)
            self.take(f"after the courier to {label}")

        self.journal.put, self.service.send = recorded, sent  # type: ignore[method-assign]  # a spy looks on

    def take(self, where: str) -> None:
        rows = [(kind, str(b.get("id") or b.get("alarm"))) for kind, b, _ in self.journal.rows]
        got = [self._id(body) for _, _, body in self.service.got]
        self.points.append(Point(where, rows, copy.copy(self.journal.outbox), got))

    @staticmethod
    def _id(body: str) -> str:
        return body.rsplit("\n", 1)[-1].split(" ")[0]


def after_the_kill(point: Point) -> list[Push]:
    """What a new run sends within an hour, its services well."""
    outbox, sent = Outbox([PHONE], [[RUI], [ANA]]), list[Push]()
    outbox.restore(point.outbox, 0)
    for second in range(0, 3600, 30):
        changes = outbox.ticked(second * NS)
        outbox.committed(change.push.key for change in changes)
        for channel, batch in outbox.take(second * NS):
            sent += batch
            outbox.done(channel.label, "", second * NS)
    return sent


def test_a_kill_at_any_point_loses_nothing_and_sends_nothing_without_its_row() -> None:
    """From every point, what the journal says was raised has been accepted or is sent by the next run."""
    bench = Killed().open_gas()
    bench.service.why_not = "refused"
    bench.ph["west"] = None
    bench.wait(100)
    bench.service.why_not = ""
    bench.wait(200)
    assert any(point.where.startswith("after the courier") for point in bench.points)
    raised = 0
    for point in bench.points:
        alarms = {name for kind, name in point.rows if kind == "alarm"}
        sent = {push.id for push in after_the_kill(point)}
        assert alarms <= sent | set(point.got), point.where
        assert sent | set(point.got) <= alarms, point.where
        raised += bool(alarms)
    assert raised > 8


def test_a_kill_after_acceptance_was_written_sends_nothing_again() -> None:
    """Once the journal says accepted, no later run sends it; before that the same id may come twice."""
    bench = Killed().open_gas()
    bench.ph["west"] = None
    bench.wait(200)
    ends = [p for p in bench.points if p.where == "after the row delivery accepted"]
    assert ends
    assert all(after_the_kill(point) == [] for point in ends)
    twice = [p for p in bench.points if p.got and after_the_kill(p)]
    assert all({push.id for push in after_the_kill(point)} == set(point.got) for point in twice)


def test_the_service_in_memory_behaves_as_a_service() -> None:
    """A refusal keeps nothing, an acceptance keeps the message: or the tests above would prove nothing."""
    service = Service(why_not="no")
    service.send("a", "json://a", [{"title": "t", "body": "b"}])
    service.why_not = ""
    service.send("a", "json://a", [{"title": "t", "body": "b"}])
    assert (service.tries, len(service.got)) == (2, 1)
