"""What the budget reckons with is what the running parts do."""

from __future__ import annotations

from nightheron.runtime import keeper_client, loop
from nightheron.settings import reckon
from nightheron_drivers import brokerlink


def test_the_budget_uses_the_numbers_of_the_running_code() -> None:
    """Tick, takeover and keepalive are the same in the budget and in the parts that do the work."""
    assert reckon.TICK_S == loop.TICK_S
    assert reckon.TAKEOVER_S >= keeper_client.TAKE_S
    assert reckon.WILL_MOST_S > 1.5 * brokerlink.KEEPALIVE_S
