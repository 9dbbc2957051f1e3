"""Alarms through the service's loop: rows, what people do, and the figures over some days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from nightheron.model import Gas, JsonValue
from nightheron.report.alarm_figures import figures
from nightheron.runtime.inbox import AlarmAct, Reply

from tests.support.loops import Bench


def lost_probe() -> Bench:
    """A bench whose probe has been silent for long enough to be told."""
    bench = Bench(alarm_delay_s=60.0).open_gas()
    bench.ph["west"] = None
    return bench.wait(90)


def asked(bench: Bench, act: str, *names: str, for_s: float | None = None) -> str | None:
    reply = Reply()
    bench.inbox.post(AlarmAct(act, names or None, "ana", reply, "a part is on its way", for_s))
    bench.step()
    answered, refused = reply.wait(0)
    assert answered
    return refused


def states(bench: Bench) -> list[JsonValue]:
    return [row["state"] for row in bench.journal.of("alarm")]


def test_a_short_loss_is_no_alarm() -> None:
    """Six seconds without a reading shut the gas and raise nothing."""
    bench = Bench(alarm_delay_s=60.0).open_gas()
    bench.ph["west"] = None
    bench.wait(8)
    assert bench.gas("west") is Gas.CLOSED
    bench.ph["west"] = 6.9
    bench.wait(120)
    assert bench.journal.of("alarm") == []


def test_seen_is_not_released() -> None:
    """An acknowledgement is a row with its person, silences, and changes nothing about the gas."""
    bench = lost_probe()
    orders, before = len(bench.keepers.orders), bench.reasons()
    assert asked(bench, "ack") is None
    assert states(bench) == ["unacknowledged", "acknowledged"]
    (row,) = bench.journal.of("act")
    assert (row["act"], row["who"], row["alarms"]) == ("ack", "ana", ["west-chamber_ph_lost-1"])
    assert bench.reasons() == before
    assert "open" not in [order for _, order in bench.keepers.orders[orders:]]
    assert asked(bench, "ack") is None
    assert states(bench) == ["unacknowledged", "acknowledged"]


def test_an_unknown_alarm_is_refused_by_name() -> None:
    """Nothing is acknowledged when one of the names is wrong."""
    bench = lost_probe()
    refused = asked(bench, "ack", "west-chamber_ph_lost-1", "west-leak-9")
    assert refused is not None
    assert "west-leak-9" in refused
    assert states(bench) == ["unacknowledged"]


def test_a_shelf_comes_back_on_its_time() -> None:
    """A shelved alarm is unacknowledged again at its end while its cause stands."""
    bench = lost_probe()
    assert asked(bench, "shelve", "west-chamber_ph_lost-1", for_s=60.0) is None
    bench.wait(59)
    assert states(bench)[-1] == "shelved"
    bench.wait(2)
    assert states(bench)[-1] == "unacknowledged"


def test_what_wakes_cannot_be_shelved() -> None:
    """A hand is needed now: the shelf is refused with what to do instead."""
    bench = Bench().open_gas()
    for turn in range(40):
        bench.ph["west"] = 6.58 - 0.005 * turn
        bench.wait(10)
    assert "not_stopping" in bench.reasons()
    (alarm,) = [one for one in bench.loop.view.alarms if one.reason == "not_stopping"]
    refused = asked(bench, "shelve", alarm.id, for_s=60.0)
    assert refused is not None
    assert "ack" in refused


NOW = datetime(2026, 1, 31, tzinfo=UTC)


def row(name: str, state: str, ago: timedelta) -> dict[str, JsonValue]:
    at = (NOW - ago).isoformat()
    return {"id": name, "state": state, "reason": name.split("-")[1], "utc": at, "since": at}


def test_the_figures_name_flood_chatter_and_what_stands_too_long() -> None:
    """Ten alarms in ten minutes, one that came three times in a minute, one that stood for two days."""
    rows = [row("a-no_effect-1", "unacknowledged", timedelta(days=2))]
    for second in range(3):
        ago = timedelta(hours=1, seconds=-20 * second)
        rows.append(row("a-leak-2", "unacknowledged", ago))
        rows.append(row("a-leak-2", "latched", ago))
    rows += [row(f"a-flow_low-{n}", "unacknowledged", timedelta(minutes=n)) for n in range(10, 3, -1)]
    found = figures(rows, 30, NOW)
    assert (found["alarms"], found["per_day"]) == (9, 0.3)
    assert (found["chattering"], found["stale"]) == (["a-leak-2"], ["a-no_effect-1"])
    assert found["by_priority"] == {"critical": 1, "low": 7, "medium": 1}
    assert (found["most_in_10_min"], found["flood"]) == (7, False)
    rows += [row(f"a-flow_low-{n}", "unacknowledged", timedelta(minutes=1)) for n in range(20, 23)]
    assert figures(rows, 30, NOW)["flood"] is True
