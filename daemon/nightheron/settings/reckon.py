"""The response-time budget: the longest time from a cause to gas closed, from the configuration alone.

Each row is an upper bound for its one cause with everything else working, made of the steps that
lie between: noticing, deciding, carrying the order, the valve's travel. Where nothing configured
bounds it, ``seconds`` is None and the row says so.
"""

from __future__ import annotations

import ipaddress
import math
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from nightheron.chemistry.safety import process_safety_s
from nightheron.settings.site import Chamber, Site
from nightheron.settings.timer import device_timer_s

TICK_S = 0.25
"""The guard looks at the time at least this often."""
TAKEOVER_S = 2.0
"""A spare keeper has closed everything by then, or is replaced in turn."""
WILL_MOST_S = 12.5
"""From a silent loss of this host to the last will, keepalive 5 s: one and a half keepalives plus the
broker's own slow look round. Measured on mosquitto 2.0.11, twelve losses: 10.5 to 11.8 s."""
SURGE_FACTOR = 10.0
"""Times the normal gas for which the process safety time is given."""
SAFE_SHARE = 0.5
"""More of the process safety time than this is not to pass before the water turns: half of it, as is
usual in the trade, no source; the rest is for what the reckoning leaves out."""

UNREACHABLE = "NOT BOUNDED: the valve keeps its last order; set device_timer_s to the device's own timer"

UNRESET = (
    "NOT BOUNDED: a board that hangs drives its pin on; set watchdog_s once a hardware watchdog and an "
    "outside resistor were seen to shut the valve"
)


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One cause for one chamber; None stands for NOT BOUNDED."""

    chamber: str
    cause: str
    seconds: float | None
    by: str
    water_s: float | None
    """``seconds`` with the closing tail, and with the probe's lag where the cause is seen through it."""
    process_safety_s: float
    """From the floor to 0.6 below it at ten times the normal gas."""


def reckon(site: Site) -> tuple[BudgetRow, ...]:
    """Every cause of every chamber, in the configuration's order."""
    return tuple(_row(site, chamber, cause) for chamber in site.chambers for cause in CAUSES)


def safety_s(chamber: Chamber, gas_factor: float) -> float:
    """The process safety time of a chamber's water at so many times its normal gas."""
    table = chamber.table
    return process_safety_s(table.water_l, table.floor_ph, gas_factor, gas_ml_min=table.gas_ml_min)


def late(rows: Iterable[BudgetRow], safety_s: float) -> list[str]:
    """The causes after which more than half of the process safety time goes by, or nothing bounds it."""
    return [row.cause for row in rows if row.water_s is None or row.water_s > SAFE_SHARE * safety_s]


def closing_s(chamber: Chamber) -> float:
    """From the decision to gas closed: the order is taken within this, or the valve counts as lost."""
    return chamber.order_s + chamber.travel_s


def order_s(lease_s: float, travel_s: float) -> float:
    """From an order to the valve having moved."""
    return max(0.5, lease_s / 2) + travel_s


def broker_is_here(host: str) -> bool:
    """Whether the broker dies with this host, as far as that shows without asking a name server."""
    if host in ("localhost", "localhost.localdomain", socket.gethostname(), socket.getfqdn("")):
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    if address.is_loopback or address.is_unspecified:
        return True
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.bind((host, 0))
        except OSError:
            return False
    return True


Step = tuple[float | None, str]


def _row(site: Site, chamber: Chamber, cause: str) -> BudgetRow:
    seconds, by = CAUSES[cause](site, chamber)
    table = chamber.table
    through_probe = cause in ("reading_below_floor", "probe_silent") or "stale_s" in by
    after = table.tail_s + (table.probe_lag_s if through_probe else 0.0)
    return BudgetRow(
        chamber=chamber.name,
        cause=cause,
        seconds=None if seconds is None else round(seconds, 3),
        by=by,
        water_s=None if seconds is None else round(seconds + after, 3),
        process_safety_s=round(safety_s(chamber, SURGE_FACTOR), 1),
    )


def _close(chamber: Chamber) -> str:
    return f"order taken within {chamber.order_s:g} s, travel {chamber.travel_s:g} s"


def _below_floor(_: Site, chamber: Chamber) -> Step:
    period_s = max(probe.period_s for probe in chamber.probes)
    by = f"the next reading ({period_s:g} s) closes; {_close(chamber)}"
    return period_s + TICK_S + closing_s(chamber), by


def _silent(_: Site, chamber: Chamber) -> Step:
    stale_s = max(probe.stale_s for probe in chamber.probes)
    by = f"stale_s ({stale_s:g} s) without a reading; {_close(chamber)}"
    return stale_s + TICK_S + closing_s(chamber), by


def _stuck(_: Site, chamber: Chamber) -> Step:
    table = chamber.table
    by = (
        f"longest_opening_s ({table.longest_opening_s:g} s) ends in a planned rest, which latches without an "
        f"answer; a trial opening ends after {table.trial_opening_s:g} s"
    )
    return table.longest_opening_s + TICK_S + closing_s(chamber), by


def _guard_gone(_: Site, chamber: Chamber) -> Step:
    lease_s = chamber.lease_s
    by = f"the keeper, when the lease ({lease_s:g} s) runs out; {_close(chamber)}"
    return lease_s + closing_s(chamber), by


def _keeper_gone(_: Site, chamber: Chamber) -> Step:
    lease_s = max(valve.table.lease_s for valve in chamber.valves)
    silent_s = max(0.5, lease_s / 4)
    by = (
        f"asked every {lease_s / 4:g} s, no answer for {silent_s:g} s: a spare keeper takes over within "
        f"{TAKEOVER_S:g} s and closes first; {_close(chamber)}"
    )
    return lease_s / 4 + 2 * TICK_S + silent_s + TAKEOVER_S + closing_s(chamber), by


def _valve_gone(_: Site, chamber: Chamber) -> Step:
    if len({valve.bus for valve in chamber.valves}) > 1:
        return _other_closes(chamber)
    timer_s = device_timer_s(chamber)
    if timer_s is None:
        return None, UNREACHABLE
    by = f"the device's own timer ({timer_s:g} s), on trust until it is seen to work"
    return timer_s + chamber.travel_s, by


def _other_closes(chamber: Chamber) -> Step:
    """Two valves in series on two buses: what one does not answer, the other ends."""
    repeat_s = max(valve.table.lease_s for valve in chamber.valves) / 2
    by = (
        f"the other valve in series, once the first leaves an order unanswered (asked every {repeat_s:g} s, "
        f"{chamber.order_s:g} s to answer); {_close(chamber)}"
    )
    return repeat_s + chamber.order_s + TICK_S + closing_s(chamber), by


def _broker_gone(site: Site, chamber: Chamber) -> Step:
    if any(valve.by_broker for valve in chamber.valves):
        return _valve_gone(site, chamber)
    if any(probe.by_broker for probe in chamber.probes):
        return _silent(site, chamber)
    tank = site.tank_of(chamber.name)
    if tank is None or not tank.probe.by_broker:
        return 0.0, "no broker in this chamber's path"
    if not tank.table.required:
        return 0.0, f"only the probe of tank {tank.name!r}, which is not required, comes by the broker"
    stale_s = tank.probe.stale_s
    by = f"stale_s ({stale_s:g} s) of the required tank probe; {_close(chamber)}"
    return stale_s + TICK_S + closing_s(chamber), by


def _host_gone(site: Site, chamber: Chamber) -> Step:
    """With two valves in series gas ends with the first that is bounded."""
    alone = [_host_gone_one(site, replace(chamber, valves=(valve,))) for valve in chamber.valves]
    return min(alone, key=lambda step: math.inf if step[0] is None else step[0])


def _host_gone_one(site: Site, chamber: Chamber) -> Step:
    timer_s, by = _valve_gone(site, chamber)
    if hasattr(chamber.valves[0].options, "watchdog_s"):
        return _pin_let_go(chamber, timer_s, by)
    if not chamber.valves[0].by_broker or site.mqtt is None or broker_is_here(site.mqtt.broker.host):
        return timer_s, by
    will_s = WILL_MOST_S + closing_s(chamber)
    if timer_s is not None and timer_s <= will_s:
        return timer_s, by
    by = f"the last will ({WILL_MOST_S:g} s), only while broker and device live; {_close(chamber)}"
    return will_s, by


def _pin_let_go(chamber: Chamber, timer_s: float | None, by: str) -> Step:
    """A hung board drives its pin on; only a reset lets go of it, and only a resistor then says which way."""
    valve = chamber.valves[0]
    if valve.options.watchdog_s is None:
        return timer_s, by if timer_s is not None else UNRESET
    reset_s = valve.options.watchdog_s + valve.table.travel_s
    if timer_s is not None and timer_s <= reset_s:
        return timer_s, by
    return reset_s, (
        f"the board's hardware watchdog ({valve.options.watchdog_s:g} s), then the resistor that pulls its "
        f"pin toward shut, travel {valve.table.travel_s:g} s; on trust until both are seen to work"
    )


CAUSES: dict[str, Callable[[Site, Chamber], Step]] = {
    "reading_below_floor": _below_floor,
    "probe_silent": _silent,
    "probe_stuck": _stuck,
    "guard_killed": _guard_gone,
    "guard_frozen": _guard_gone,
    "keeper_killed": _keeper_gone,
    "valve_unreachable": _valve_gone,
    "broker_lost": _broker_gone,
    "host_lost": _host_gone,
}
