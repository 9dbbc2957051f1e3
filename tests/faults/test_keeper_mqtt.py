"""Whatever dies, freezes or meddles between the guard and a valve on a broker, gas ends closed."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from nightheron.model import NS, Gas

from tests.support.broker import Client, RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.keeping import LEASE_S, GuardProcess, ended, keeping, mqtt_plans

SLACK_S = 3.0
"""For a machine that is busy; the figures are measured elsewhere."""
TOPIC = "house/west/gas/order"
EAST = "house/east/gas/order"


@pytest.fixture
def broker() -> Iterator[RunningBroker]:
    with running_broker() as running:
        yield running


@pytest.fixture
def device(broker: RunningBroker) -> Iterator[MqttDevice]:
    with MqttDevice(broker, TOPIC) as made:
        yield made


def test_the_first_order_is_close_and_it_is_retained(broker: RunningBroker, device: MqttDevice) -> None:
    """A keeper that takes a valve sends CLOSE before anything else, and leaves it on the topic."""
    with keeping(mqtt_plans(broker, [TOPIC])):
        device.wait_order("CLOSE")
        assert device.texts()[0] == "CLOSE"
        with MqttDevice(broker, TOPIC) as late:
            late.wait_order("CLOSE")
            assert late.messages[0].retain


def test_a_long_password_is_no_fault(broker: RunningBroker, device: MqttDevice) -> None:
    """A keeper takes its valves however long the broker's password is, as tokens and paths are."""
    plans = mqtt_plans(broker, [TOPIC])
    long = {"username": "u", "password": "\u00fc" * 4000}
    plans = {bus: replace(plan, broker={**(plan.broker or {}), **long}) for bus, plan in plans.items()}
    with keeping(plans) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1, what="an OPEN")


def test_open_is_never_retained_and_is_repeated(broker: RunningBroker, device: MqttDevice) -> None:
    """While gas is leased open the order goes out again and again; none of them stays on the topic."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 4, what="four OPENs")
        with MqttDevice(broker, TOPIC) as late:
            late.wait_order("CLOSE")
            assert late.messages[0].retain
        guard.close(TOPIC)
        device.wait_order("CLOSE", after=device.orders[-1].at)
        assert guard.said("foreign") == []


def test_a_lease_in_the_order_is_filled_in(broker: RunningBroker, device: MqttDevice) -> None:
    """``{lease_s}`` becomes the lease, whole seconds without decimals."""
    with keeping(mqtt_plans(broker, [TOPIC], open_order="ON {lease_s}")) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("ON 2") >= 1)


def test_a_lease_that_is_not_renewed_closes(broker: RunningBroker, device: MqttDevice) -> None:
    """A guard that lives and says nothing more loses its gas at the end of the lease."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        renewed = guard.opened.pop(TOPIC)
        device.wait_order("OPEN")
        closed = device.wait_order("CLOSE", after=renewed)
        assert LEASE_S - 0.1 <= closed.at - renewed <= LEASE_S + SLACK_S
        guard.rest(LEASE_S)
        assert device.texts()[-1] == "CLOSE"


def test_a_killed_guard_closes_every_valve_and_leaves_no_process(broker: RunningBroker) -> None:
    """SIGKILL of the guard closes both valves at once, and the keeper is gone within 5 s."""
    with (
        MqttDevice(broker, TOPIC) as west,
        MqttDevice(broker, EAST) as east,
        GuardProcess(mqtt_plans(broker, [TOPIC, EAST])) as guard,
    ):
        killed = guard.kill()
        for device in (west, east):
            assert device.wait_order("CLOSE", after=killed).at - killed < LEASE_S + SLACK_S
        wait_until(lambda: all(ended(pid) for pid in guard.keepers), 5.0, "the keeper's end")
        assert not west.gas
        assert not east.gas


def test_a_frozen_guard_closes(broker: RunningBroker, device: MqttDevice) -> None:
    """SIGSTOP of the guard closes at the end of the lease."""
    with GuardProcess(mqtt_plans(broker, [TOPIC])) as guard:
        os.kill(guard.process.pid, signal.SIGSTOP)
        frozen = time.monotonic()
        assert device.wait_order("CLOSE", after=frozen).at - frozen < LEASE_S + SLACK_S


def test_the_whole_tree_killed_leaves_close_on_both_topics(broker: RunningBroker) -> None:
    """With guard and keeper killed together, the broker itself closes: each valve has a will of its own."""
    with (
        MqttDevice(broker, TOPIC) as west,
        MqttDevice(broker, EAST) as east,
        GuardProcess(mqtt_plans(broker, [TOPIC, EAST])) as guard,
    ):
        at = time.monotonic()
        for pid in (*guard.keepers, guard.process.pid):
            os.kill(pid, signal.SIGKILL)
        west.wait_order("CLOSE", after=at)
        east.wait_order("CLOSE", after=at)


def test_a_descriptor_leaked_to_a_stranger_does_not_keep_gas_open(
    broker: RunningBroker, device: MqttDevice
) -> None:
    """A stray process that holds the guard's end of the socket hides its death, but not from the lease."""
    with GuardProcess(mqtt_plans(broker, [TOPIC]), "leak") as guard:
        killed = guard.kill()
        assert guard.leaked is not None
        assert not ended(guard.leaked)
        assert device.wait_order("CLOSE", after=killed).at - killed < LEASE_S + SLACK_S


@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM])
def test_a_lost_keeper_is_replaced_and_gas_is_closed(
    broker: RunningBroker, device: MqttDevice, blow: signal.Signals
) -> None:
    """A keeper that dies, freezes or is told to go is said to be lost; its successor closes first."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        (old,) = guard.pids()
        guard.opened.clear()
        seen, at = len(guard.news), time.monotonic()
        os.kill(old, blow)
        guard.wait(lambda: [said.alive for said in guard.lives(seen)] == [False, True], what="the takeover")
        guard.wait(lambda: ended(old), what="the old keeper's end")
        device.wait_order("CLOSE", after=at)
        guard.wait(lambda: len(guard.said("link_up", seen)) == 1)
        guard.open(TOPIC)
        guard.wait(
            lambda: any(o.text == "OPEN" and o.at > at for o in device.orders), what="OPEN by the new one"
        )
        assert guard.said("foreign") == []


def test_a_resumed_keeper_closes_and_never_reopens(broker: RunningBroker, device: MqttDevice) -> None:
    """Renewals that waited in the socket of a frozen keeper open nothing once it goes on."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        (pid,) = guard.pids()
        os.kill(pid, signal.SIGSTOP)
        for _ in range(20):
            guard.open(TOPIC)
        guard.opened.clear()
        time.sleep(2 * LEASE_S)  # nobody turns the guard, so nobody kills the keeper
        thawed = time.monotonic()
        os.kill(pid, signal.SIGCONT)
        device.wait_order("CLOSE", after=thawed)
        time.sleep(1.0)
        assert "OPEN" not in [order.text for order in device.orders if order.at > thawed]


def test_a_restarted_broker_hears_close_first(broker: RunningBroker, device: MqttDevice) -> None:
    """After the broker was killed the valve is lost, and the first order on the next link is CLOSE."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        seen = len(guard.news)
        broker.kill()
        guard.wait(lambda: guard.said("link_down", seen), what="link_down")
        guard.opened.clear()
        guard.rest(1.0)
        broker.start()
        with MqttDevice(broker, TOPIC) as late:
            guard.wait(lambda: guard.said("link_up", seen), what="link_up")
            late.wait_order("CLOSE")
            assert late.texts()[0] == "CLOSE"
            guard.rest(1.0)
            assert "OPEN" not in late.texts()


def test_a_broker_frozen_for_long_ends_closed(broker: RunningBroker, device: MqttDevice) -> None:
    """Orders stuck in a frozen broker are no acknowledgement; once it thaws, CLOSE has the last word."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        seen = len(guard.news)
        broker.freeze()
        try:
            guard.wait(lambda: guard.said("link_down", seen), what="link_down")
            assert guard.said("link_down", seen)[0].text == "no acknowledgement"
            guard.opened.clear()
            guard.rest(10.0)
        finally:
            thawed = time.monotonic()
            broker.thaw()
        guard.wait(lambda: guard.said("link_up", seen), 30.0, what="link_up")
        device.wait_order("CLOSE", after=thawed)
        guard.rest(2.0)
        assert device.texts()[-1] == "CLOSE"
        stale = [i for i, order in enumerate(device.orders) if order.text == "OPEN" and order.at > thawed]
        for i in stale:
            assert device.orders[i + 1].at - device.orders[i].at < SLACK_S


def test_somebody_elses_open_is_answered_with_close(broker: RunningBroker, device: MqttDevice) -> None:
    """A foreign OPEN, retained or not, is reported, closed at once, and not left on the topic."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        for number, retain in enumerate((False, True), start=1):
            at = time.monotonic()
            broker.publish(TOPIC, "OPEN", retain=retain)
            guard.wait(lambda n=number: len(guard.said("foreign")) >= n, what="foreign")
            device.wait_order("CLOSE", after=at)
        assert {said.gas for said in guard.said("foreign")} == {Gas.OPEN}
        with MqttDevice(broker, TOPIC) as late:
            late.wait_order("CLOSE")
            assert late.texts() == ["CLOSE"]


def test_a_foreign_close_is_noted_and_the_lease_goes_on(broker: RunningBroker, device: MqttDevice) -> None:
    """Somebody else's CLOSE, or OPEN while ours stands, is said and answered with no order."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        broker.publish(TOPIC, "CLOSE")
        broker.publish(TOPIC, "open")
        guard.wait(lambda: len(guard.said("foreign")) >= 2)
        assert [said.gas for said in guard.said("foreign")] == [Gas.CLOSED, Gas.OPEN]
        assert [order.text for order in device.orders].count("CLOSE") <= 2


def test_a_retained_open_from_before_is_gone_after_the_start(broker: RunningBroker) -> None:
    """An OPEN that somebody left on the topic is overwritten before anything else happens."""
    broker.publish(TOPIC, "OPEN", retain=True)
    with MqttDevice(broker, TOPIC) as device:
        device.wait_order("OPEN")
        with keeping(mqtt_plans(broker, [TOPIC])):
            assert device.wait_order("CLOSE")
            assert not device.gas
            with MqttDevice(broker, TOPIC) as late:
                late.wait_order("CLOSE")
                assert late.texts() == ["CLOSE"]


def test_feedback_is_read_and_retained_feedback_is_not(broker: RunningBroker) -> None:
    """What the device reports is said with its meaning; what lay retained on its topic is not."""
    shows = "house/west/gas"
    broker.publish(shows, "OPEN", retain=True)
    with (
        MqttDevice(broker, TOPIC),
        keeping(mqtt_plans(broker, [TOPIC], feedback_topic=shows)) as guard,
        Client(broker) as speaker,
    ):
        guard.rest(0.3)
        assert guard.said("feedback") == []
        for text in ("CLOSE", "OPEN", "maybe"):
            speaker.publish(shows, text)
        guard.wait(lambda: len(guard.said("feedback")) == 3)
        assert [said.gas for said in guard.said("feedback")] == [Gas.CLOSED, Gas.OPEN, None]


def test_an_order_the_broker_refuses_is_a_lost_valve(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A broker that may not take our orders acknowledges them with a refusal; that is no acknowledgement."""
    rules = tmp_path_factory.mktemp("acl") / "acl"
    rules.write_text("topic read #\n")
    rules.chmod(0o644)
    with running_broker(f"acl_file {rules}") as broker:
        from tests.support.keeping import Keeping

        guard = Keeping(mqtt_plans(broker, [TOPIC]))
        try:
            guard.wait(lambda: guard.said("link_down"))
            assert "refused" in guard.said("link_down")[0].text
            assert guard.said("link_up") == []
        finally:
            guard.keepers.end(2.0)


def test_dead_brokers_stall_nobody(broker: RunningBroker, device: MqttDevice) -> None:
    """A keeper whose broker never answers still answers the guard, and another bus opens and closes."""
    with running_broker() as dead:
        plans = mqtt_plans(broker, [TOPIC])
        plans["dead"] = mqtt_plans(dead, [f"x/{number}" for number in range(10)])["mqtt"]
        dead.freeze()
        from tests.support.keeping import Keeping

        guard = Keeping(plans)
        try:
            guard.wait(lambda: guard.said("link_up"))
            guard.wait(lambda: len(guard.said("link_down")) >= 30)
            assert all(said.alive for said in guard.lives())
            guard.open(TOPIC)
            guard.wait(lambda: device.count("OPEN") >= 1)
        finally:
            guard.keepers.end(3.0)
        assert device.texts()[-1] == "CLOSE"


def test_a_hundred_valves_open_and_close(broker: RunningBroker) -> None:
    """A hundred valves on one broker connect, open and close, each on its own topic."""
    topics = [f"many/{number}" for number in range(100)]
    with Client(broker, "many/#") as heard, keeping(mqtt_plans(broker, topics)) as guard:
        for topic in topics:
            guard.open(topic)

        def last(order: bytes) -> set[str]:
            return {t for t, p in {m.topic: m.payload for m in list(heard.messages)}.items() if p == order}

        guard.wait(lambda: len(last(b"OPEN")) == 100, what="100 OPENs")
        for topic in topics:
            guard.close(topic)
        guard.wait(lambda: len(last(b"CLOSE")) == 100, what="100 CLOSEs")
        assert guard.keepers.end(5.0) == []


def test_an_orderly_end_closes_and_says_goodbye(broker: RunningBroker, device: MqttDevice) -> None:
    """Ending closes, waits for the acknowledgement, and keeps the will from speaking."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1)
        pids = guard.pids()
        ending = time.monotonic()
        assert guard.keepers.end(5.0) == []
        device.wait_order("CLOSE", after=ending)
        assert device.count("CLOSE") == 2
        wait_until(lambda: all(ended(pid) for pid in pids))


def test_a_deadline_further_ahead_than_the_lease_opens_nothing(
    broker: RunningBroker, device: MqttDevice
) -> None:
    """Not even a guard gone wrong can open a valve for longer than its lease."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        now_ns = guard.clock.now_ns()
        guard.keepers.open_until(TOPIC, now_ns + 10 * int(LEASE_S * NS), now_ns)
        guard.rest(0.5)
        assert "OPEN" not in device.texts()


def test_a_close_after_the_lease_ran_out_is_known_to_be_taken(
    broker: RunningBroker, device: MqttDevice
) -> None:
    """A valve that its keeper shut at the end of the lease has taken the guard's close when it comes."""
    with keeping(mqtt_plans(broker, [TOPIC])) as guard:
        guard.open(TOPIC)
        guard.wait(lambda: device.count("OPEN") >= 1, what="an OPEN")
        guard.opened.clear()
        since = len(guard.news)
        guard.wait(lambda: Gas.CLOSED in [s.gas for s in guard.said("acked", since)], what="its end")
        guard.rest(0.3)
        since = len(guard.news)
        guard.close(TOPIC)
        guard.wait(lambda: [s.gas for s in guard.said("acked", since)] == [Gas.CLOSED], what="a word of it")
