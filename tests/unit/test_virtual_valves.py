"""The valves of a simulated site as the loop sees them on the virtual clock."""

from __future__ import annotations

from nightheron.model import NS, Gas, KeeperSaid, ValveSaid
from nightheron.rig.plant import Plant
from nightheron.runtime.virtual_valves import VirtualKeeper


def _said(keeper: VirtualKeeper, now_ns: int) -> list[object]:
    return [
        (event.link, event.acked) if isinstance(event, ValveSaid) else type(event)
        for _, event in keeper.poll(now_ns)
    ]


def test_orders_are_answered_once() -> None:
    """A start says that CLOSE was taken; a renewed opening moves the lease and says nothing new."""
    plant = Plant()
    keeper, valve = VirtualKeeper(plant, 0), plant.bays["west"].valve
    assert _said(keeper, 0) == [KeeperSaid, (True, Gas.CLOSED)]
    keeper.open_until("west", 5 * NS)
    assert (_said(keeper, NS), valve.left_s) == ([(True, Gas.OPEN)], 5.0)
    keeper.open_until("west", 9 * NS)
    assert (_said(keeper, NS), valve.left_s) == ([], 8.0)
    keeper.close("west")
    assert (_said(keeper, NS), valve.passes_gas) == ([(True, Gas.CLOSED)], False)


def test_a_silent_valve_loses_its_link_until_it_answers_a_close() -> None:
    """No answer is a lost link, told once; openings are not tried, and what it answers first is CLOSE."""
    plant = Plant()
    keeper, valve = VirtualKeeper(plant, 0), plant.bays["west"].valve
    _said(keeper, 0)
    valve.bad.deaf = True
    keeper.open_until("west", 5 * NS)
    keeper.open_until("west", 6 * NS)
    assert _said(keeper, NS) == [(False, None)]
    assert _said(keeper, NS) == []
    valve.bad.deaf = False
    keeper.open_until("west", 7 * NS)
    assert not valve.passes_gas
    assert _said(keeper, 2 * NS) == [(True, Gas.CLOSED)]
    keeper.open_until("west", 7 * NS)
    assert (_said(keeper, 2 * NS), valve.passes_gas) == ([(True, Gas.OPEN)], True)


def test_a_lease_that_is_over_is_not_sent() -> None:
    """An opening whose end lies behind reaches no valve."""
    plant = Plant()
    keeper = VirtualKeeper(plant, 0)
    _said(keeper, 10 * NS)
    keeper.open_until("west", 9 * NS)
    assert _said(keeper, 10 * NS) == []
    assert not plant.bays["west"].valve.passes_gas
