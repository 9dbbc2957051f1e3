"""What the water says, from real drivers to the valves and back: several probes, two valves, proofs."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import pytest

from tests.support.broker import Client, RunningBroker, running_broker
from tests.support.devices import HeardDevice, Order, SerialDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.rules import live
from tests.support.service import Service, Speaker, command
from tests.support.siege import serial_probe, serial_valve
from tests.support.talker import Talker, chamber, site

MORE = """
[[chamber]]
name = "{name}"
min_rest_s = 1
settle_s = 1
"""
QUICK = "period_s = 0.3\nstale_s = 1.5\n"
WAIT_S = 4.0
PROOF = {"trial_opening_s": 2.0, "longest_opening_s": 2.0, "probe_lag_s": 1, "tail_s": 1}


def heard_probe(name: str, number: int) -> str:
    """One of several probes, on the broker."""
    return f'[[chamber.probes]]\ndriver = "mqtt"\ntopic = "{name}/{number}"\n{QUICK}'


def line_probe(port: PtyPort) -> str:
    """One of several probes, on a serial line."""
    return "[[chamber.probes]]\n" + serial_probe(port.path)


def heard_valve(name: str, place: str = "valve") -> str:
    """A valve on the broker."""
    table = f"[chamber.{place}]" if place == "valve" else f"[[chamber.{place}]]"
    return f'{table}\ndriver = "mqtt"\norder_topic = "orders/{name}"\nlease_s = 2.0\n'


def two_valves(name: str, second: str) -> str:
    """A chamber with two valves in series, the first on the broker, and turns of four seconds."""
    whole = chamber(name, values={"probe_lag_s": 1, "tail_s": 1})
    return whole.split("[chamber.valve]")[0] + heard_valve(name, "valves") + second


@dataclass
class Place:
    """One service with a chamber for each story."""

    service: Service
    broker: RunningBroker
    talker: Talker
    lines: dict[str, Speaker]
    ear: Client
    line_valve: SerialDevice

    def valve(self, name: str) -> HeardDevice:
        return HeardDevice(self.ear, f"orders/{name}")

    def opens(self, name: str, after: float = 0.0) -> Order:
        return self.valve(name).wait_order("OPEN", after, within_s=60)

    def shuts(self, name: str, after: float) -> Order:
        return self.valve(name).wait_order("CLOSE", after, within_s=20)

    def why(self, name: str) -> tuple[str | None, list[str]]:
        """The first reason, and those that stand."""
        one = next(one for one in self.service.status()["chambers"] if one["name"] == name)
        return one["reason"], one["reasons"]

    def stands(self, name: str, reason: str) -> None:
        wait_until(lambda: reason in self.why(name)[1], 20, f"{reason} of {name}")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("water")
    with ExitStack() as stack:
        enter = stack.enter_context
        broker = enter(running_broker())
        ports = {name: enter(PtyPort(folder, name)) for name in ("two", "three")}
        line_valve = enter(SerialDevice(folder))
        said = {"two/1": "6.93", "three/1": "6.92", "three/2": "6.95"}
        alone = ("rests", "leaks", "stuck", "waits", "settles")
        talker = enter(Talker(broker, **said, pair="6.65", passes="6.65", **dict.fromkeys(alone, "6.91")))
        ear = enter(Client(broker, "orders/#"))
        lines = {name: enter(Speaker(port, 6.91)) for name, port in ports.items()}
        pair = two_valves("pair", "[[chamber.valves]]\n" + serial_valve(line_valve.path))
        passes = two_valves("passes", heard_valve("passes/2", "valves"))
        parts = [
            MORE.format(name="two") + line_probe(ports["two"]) + heard_probe("two", 1) + heard_valve("two"),
            MORE.format(name="three")
            + line_probe(ports["three"])
            + heard_probe("three", 1)
            + heard_probe("three", 2)
            + heard_valve("three"),
            pair,
            passes,
            chamber("rests", values={**PROOF, "trial_pause_s": 900.0}),
            chamber("leaks", values={"probe_lag_s": 1, "tail_s": 1}),
            chamber("waits", values={"min_rest_s": WAIT_S}),
            chamber("settles", values={"settle_s": WAIT_S}),
            chamber("stuck", values={**PROOF, "trial_pause_s": 1.0}),
        ]
        config = folder / "nightheron.toml"
        config.write_text(site(broker, parts))
        service = enter(Service(config))
        yield Place(service, broker, talker, lines, ear, line_valve)


@live("probes_disagree", "floor", "chamber_ph_lost")
def test_two_probes_on_a_line_and_on_the_broker(place: Place) -> None:
    """The lower of two decides, on whichever wire; two that part or one that is lost shut the valve."""
    place.opens("two")
    for says, well, low in (("two/1", "6.93", "6.59"), ("line", "6.91", "6.59")):
        now = time.monotonic()
        _say(place, says, low)
        place.shuts("two", now)
        assert place.why("two")[0] == "floor"
        now = time.monotonic()
        _say(place, says, well)
        place.opens("two", now)
    now = time.monotonic()
    _walk(place, **{"two/1": (6.93, 7.15)})
    place.shuts("two", now)
    assert place.why("two")[0] == "probes_disagree"
    now = time.monotonic()
    _say(place, "two/1", "6.93")
    place.opens("two", now)
    now = time.monotonic()
    _say(place, "line", None)
    place.shuts("two", now)
    assert place.why("two")[0] == "chamber_ph_lost"
    now = time.monotonic()
    _say(place, "line", "6.91")
    place.opens("two", now)


def _say(place: Place, who: str, ph: str | None) -> None:
    if who == "line":
        place.lines["two"].ph = None if ph is None else float(ph)
    else:
        place.talker.said[who] = ph


def _walk(place: Place, **to: tuple[float, float]) -> None:
    """Let probes part as slowly as water may move, so that none of them is doubted for a jump."""
    for step in range(1, 9):
        for topic, (first, last) in to.items():
            place.talker.said[topic] = f"{first + (last - first) * step / 8:.2f}"
        time.sleep(0.3)


@live("probes_disagree")
def test_three_probes_on_a_line_and_on_the_broker(place: Place) -> None:
    """One of three that is off, low or silent shuts nothing; two of three low, or no majority, do."""
    opened = place.opens("three").at
    line, said = place.lines["three"], place.talker.said
    line.ph = 6.3  # far below the floor, and alone
    time.sleep(1.0)
    line.ph = None
    time.sleep(2.5)
    assert "CLOSE" not in [o.text for o in place.valve("three").orders if o.at > opened]
    status = next(c for c in place.service.status()["chambers"] if c["name"] == "three")
    assert (status["gas"], status["health"]) == ("open", "maintenance_required")
    now = time.monotonic()
    said["three/1"] = "6.55"
    place.shuts("three", now)
    now = time.monotonic()
    said["three/1"], line.ph = "6.92", 6.91
    place.opens("three", now)
    now = time.monotonic()
    _walk(place, **{"three/1": (6.92, 7.25), "three/2": (6.95, 7.6)})
    place.shuts("three", now)
    assert place.why("three")[0] == "probes_disagree"
    now = time.monotonic()
    said["three/1"], said["three/2"] = "6.92", "6.95"
    place.opens("three", now)


@live("floor", "settling", "min_rest")
def test_settle_and_rest_hold_after_a_cut(place: Place) -> None:
    """One low reading shuts; then good readings alone open nothing before settle and least rest are over."""
    for name in ("waits", "settles"):
        place.opens(name)
    now = time.monotonic()
    place.talker.said.update(waits="6.55", settles="6.55")
    shut = {name: place.shuts(name, now).at for name in ("waits", "settles")}
    raised = time.monotonic()
    place.talker.said.update(waits="6.91", settles="6.91")
    place.stands("waits", "min_rest")
    place.stands("settles", "settling")
    assert place.why("waits")[0] == place.why("settles")[0] == "floor"
    assert place.opens("waits", shut["waits"]).at - shut["waits"] >= WAIT_S - 0.1
    assert place.opens("settles", shut["settles"]).at - raised >= WAIT_S


@live("planned_rest")
def test_a_rest_ends_when_the_water_has_risen(place: Place) -> None:
    """An opening that reached its longest time ends in a planned rest, and a rise of pH reopens."""
    after = place.valve("rests").orders[-1].at
    shut = _shut_for(place, "rests", "planned_rest")
    for step in range(1, 6):
        place.talker.said["rests"] = f"{6.91 + step * 0.03:.2f}"
        time.sleep(0.4)
    assert place.opens("rests", max(shut, after)).at > shut


@live("not_stopping")
def test_a_valve_that_does_not_stop_the_gas_is_told_from_the_water(place: Place) -> None:
    """Shut and still falling latches and wakes; when the water turns after all, gas opens again."""
    place.opens("leaks")
    now = time.monotonic()
    place.talker.said["leaks"] = "6.59"
    place.shuts("leaks", now)
    for step in range(1, 60):
        place.talker.said["leaks"] = f"{6.59 - step * 0.01:.2f}"
        time.sleep(0.25)
        if "not_stopping" in place.why("leaks")[1]:
            break
    status = next(c for c in place.service.status()["chambers"] if c["name"] == "leaks")
    assert (status["state"], status["reason"]) == ("latched", "floor")
    assert "not_stopping" in status["reasons"]
    alarms = [a for a in place.service.status()["alarms"] if a["chamber"] == "leaks"]
    assert ("not_stopping", "wake") in [(a["reason"], a["class"]) for a in alarms]
    now = time.monotonic()
    place.talker.said["leaks"] = "6.91"
    wait_until(lambda: "not_stopping" not in place.why("leaks")[1], 20, "the turn")
    if "deep_low" in place.why("leaks")[1]:
        command(place.service.config, "release", "leaks")
    place.opens("leaks", now)


@live("no_effect")
def test_gas_without_an_answer_latches(place: Place) -> None:
    """A trial and its rest that nothing answers latch as no_effect; a release leads into another trial."""
    place.stands("stuck", "no_effect")
    shut = place.valve("stuck").orders[-1]
    assert shut.text == "CLOSE"
    assert command(place.service.config, "release", "stuck").returncode == 0
    place.opens("stuck", shut.at)


@live("valve_turn")
def test_two_valves_are_proved_one_by_one_before_both_open(place: Place) -> None:
    """The first opening begins with a turn: one valve opens alone, the other stays shut, then both open."""
    now = time.monotonic()
    place.talker.said["pair"] = "6.91"
    alone = place.opens("pair", now)
    assert "valve_turn" in place.why("pair")[1]
    both = place.line_valve.wait_order("OPEN", now)
    assert both.at - alone.at >= 3.9, "twice line and probe lag"
    assert place.why("pair")[1] == []


@live("valve_passes")
def test_a_valve_that_passes_gas_is_found_in_its_turn(place: Place) -> None:
    """Water that falls while one valve is shut alone latches; a release lets both open after a turn."""
    now = time.monotonic()
    place.talker.said["passes"] = "6.91"
    alone = place.opens("passes", now).at
    time.sleep(0.8)
    for step in range(1, 9):
        place.talker.said["passes"] = f"{6.91 - step * 0.02:.2f}"
        time.sleep(0.25)
    place.shuts("passes", alone)
    place.stands("passes", "valve_passes")
    assert place.valve("passes/2").count("OPEN") == 0
    now = time.monotonic()
    place.talker.said["passes"] = "6.91"
    wait_until(lambda: command(place.service.config, "release", "passes").returncode == 0, 20, "the release")
    place.opens("passes", now)
    assert place.opens("passes/2", now)


@live("floor", "valve_lost")
def test_two_valves_in_series_on_the_broker_and_on_a_line(place: Place) -> None:
    """Low water shuts both; so does a pulled cable of the one, and the loss of the broker of the other."""
    line = place.line_valve
    place.talker.said["pair"] = "6.91"
    _both_open(place, 0.0)
    now = time.monotonic()
    place.talker.said["pair"] = "6.55"
    place.shuts("pair", now)
    line.wait_order("CLOSE", now)
    now = time.monotonic()
    place.talker.said["pair"] = "6.91"
    _both_open(place, now)
    now = time.monotonic()
    line.unplug()
    place.shuts("pair", now)
    assert place.why("pair")[0] == "valve_lost"
    plugged = time.monotonic()
    line.plug()
    assert line.wait_order("CLOSE", plugged).at == next(o.at for o in line.orders if o.at > plugged)
    _both_open(place, plugged)
    now = time.monotonic()
    place.broker.freeze()
    try:
        line.wait_order("CLOSE", now)
    finally:
        place.broker.thaw()
    thawed = time.monotonic()
    assert place.why("pair")[0] in ("valve_lost", "chamber_ph_lost")
    _both_open(place, thawed)


def _both_open(place: Place, after: float) -> None:
    place.opens("pair", after)
    place.line_valve.wait_order("OPEN", after)
    assert place.line_valve.gas


def _shut_for(place: Place, name: str, reason: str) -> float:
    """Wait for this closing; when the valve was ordered shut."""
    place.stands(name, reason)
    assert place.why(name)[0] == reason
    return place.valve(name).orders[-1].at
