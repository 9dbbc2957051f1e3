"""The chamber that stands on the rig for a configured one: what is taken from the file, and what is assumed.

A configuration says how a chamber is guarded and how much water it holds; of its media, feed and needle it
says little. What it does not say is taken as in ordinary practice, and told with every rehearsal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from nightheron.chemistry.carbonate import total_from_nbs
from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.safety import gas_mol_per_s
from nightheron.chemistry.steady import Chamber as Balance, steady_at_ph
from nightheron.chemistry.units import dkh_from_meq_l
from nightheron.guard.limits import ChamberLimits, ProbeLimits
from nightheron.rig.devices import Device, InSeries
from nightheron.rig.harm import HarmLimits, harm_limits
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.tank import Tank, TankBuild
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR, VesselBuild, fitted_rate
from nightheron.settings.reckon import reckon
from nightheron.settings.site import Chamber, Site
from nightheron.settings.timer import device_timer_s

FLOW_ML_MIN_PER_L = 25.0 / 1.9
"""Feed for each litre of water: 25 mL/min on 1.9 L. Common practice, no source."""
OPEN_SHARE = 0.6
"""Where no gas_ml_min says how it is set, the needle gives what holds the pH in this share of the time."""
QUARTER_S = 0.25
"""Probes speak at multiples of it on the virtual clock."""
SEED = 1


@dataclass(frozen=True, slots=True)
class Stand:
    """One configured chamber, as far as the rig can tell it from another."""

    limits: ChamberLimits
    harm: HarmLimits
    water_l: float
    gas_ml_min: float | None = None
    """What flows while the valve is open, where the owner counted it."""
    flow_ml_min: float | None = None
    effluent_meq_l: float | None = None
    fitted: bool = False
    """Gas, feed and effluent are those of a recorded night."""
    stamped: bool = False
    """Readings bear the time of their measurement."""
    hears_strangers: bool = False
    """The valve hangs on a broker, where others can order it too, and the keeper hears them."""
    timer_s: float | None = None
    """The device shuts itself so long after the last order to open; None: it does not."""
    host_gone_s: float | None = None
    """When this board is gone, the valve is shut after so long; None: nothing shuts it."""
    valves: int = 1
    """In series."""
    outlet_most_bar: float = math.inf
    """The regulator, or its relief, lets the outlet rise no further, bar above the air's."""
    told: bool = False
    """A wake reaches somebody: there is an address for pushes."""
    beat: bool = False
    """Silence of the whole board is noticed by somebody: there is an address for a heartbeat."""


def stand_of(site: Site, chamber: Chamber) -> Stand:
    """The chamber of a configuration, its guided first start taken as done."""
    found = next(one for one in site.limits() if one.name == chamber.name)
    limits = replace(
        found,
        commissioning_required=False,
        probes=tuple(_at_quarters(one) for one in found.probes),
        senses=tuple(replace(one, period_s=_quarters(one.period_s)) for one in found.senses),
        tank=None if found.tank is None else replace(found.tank, probe=_at_quarters(found.tank.probe)),
    )
    rows = {row.cause: row for row in reckon(site) if row.chamber == chamber.name}
    counted = "gas_ml_min" in chamber.table.model_fields_set
    return Stand(
        limits=limits,
        harm=harm_limits(limits),
        water_l=chamber.table.water_l,
        gas_ml_min=chamber.table.gas_ml_min if counted else None,
        stamped=any(getattr(one.options, "time_pointer", None) for one in chamber.probes),
        hears_strangers=any(valve.by_broker for valve in chamber.valves),
        timer_s=device_timer_s(chamber),
        host_gone_s=rows["host_lost"].seconds,
        valves=len(chamber.valves),
        told=bool(site.alerts.urls or site.alerts.ladder),
        beat=site.alerts.heartbeat_url is not None,
    )


def _at_quarters(one: ProbeLimits) -> ProbeLimits:
    period_s = _quarters(one.period_s)
    return replace(one, period_s=period_s, stale_s=max(one.stale_s, 3.0 * period_s))


def _quarters(period_s: float) -> float:
    return max(1.0, round(period_s / QUARTER_S)) * QUARTER_S


def plant_of(stand: Stand) -> Plant:
    """The site on the rig; its chamber bears the configured name, its valve is the configured kind."""
    name, build = stand.limits.name, TankBuild()
    vessel = vessel_of(stand)
    usual_mol_s = usual_gas_mol_s(stand)
    plain = SupplyBuild()
    bubble_mol = plain.bubble_ml * moles_per_ml(25.0, AIR_BAR + HEAD_BAR)
    supply = replace(plain, bubbles_per_s=usual_mol_s / bubble_mol)
    plant = Plant(
        Build({name: (vessel, supply)}, build, begins_s=22 * 3600.0, probes=len(stand.limits.probes)), SEED
    )
    plant.bays[name].valve = (InSeries if stand.valves > 1 else Device)(stand.timer_s)
    return plant


def vessel_of(stand: Stand) -> VesselBuild:
    """Its water, fed by so much for each litre, with media that give 20 dKH at pH 6.65, or as fitted."""
    plain = VesselBuild()
    return replace(
        plain,
        water_l=stand.water_l,
        flow_ml_min=stand.flow_ml_min or FLOW_ML_MIN_PER_L * stand.water_l,
        effluent_meq_l=stand.effluent_meq_l or plain.effluent_meq_l,
        start_ph=min(8.0, stand.limits.resume_ph + 0.1),
    )


def usual_gas_mol_s(stand: Stand) -> float:
    """What flows while the valve is open and nothing is wrong, mol/s."""
    if stand.gas_ml_min is not None:
        return gas_mol_per_s(stand.gas_ml_min)
    return holding_gas_mol_s(stand) / OPEN_SHARE


def holding_gas_mol_s(stand: Stand) -> float:
    """The gas that holds this chamber midway between floor and resume, mol/s."""
    tank, vessel = Tank(TankBuild()), vessel_of(stand)
    feed, k = tank.water, tank.k
    flow_kg_s = vessel.flow_ml_min / 6e4 * tank.kg / tank.build.water_l
    balance = Balance(feed.ta, feed.dic, feed.ca, flow_kg_s, fitted_rate(vessel, feed, k))
    middle_ph = 0.5 * (stand.limits.floor_ph + stand.limits.resume_ph)
    least_mol_s = 0.05 * gas_mol_per_s()
    return max(least_mol_s, steady_at_ph(total_from_nbs(middle_ph, k), balance, k).gas_mol_s)


def assumed(stand: Stand) -> list[str]:
    """What the rig's chamber is, and where each figure is from, in a sentence each."""
    vessel, ml_min = vessel_of(stand), usual_gas_mol_s(stand) / gas_mol_per_s(1.0)
    if stand.fitted:
        gas = feed = "fitted to the recorded night"
    elif stand.gas_ml_min is not None:
        gas = "gas_ml_min of the file"
    else:
        gas = f"set so that gas is open {OPEN_SHARE:.0%} of the time; count yours and write gas_ml_min"
    if not stand.fitted:
        feed = "25 on 1.9 L, common practice, no source"
    dkh = dkh_from_meq_l(vessel.effluent_meq_l)
    timer = "none" if stand.timer_s is None else f"{stand.timer_s:g} s"
    tank = "that no probe measures" if stand.limits.tank is None else f"called {stand.limits.tank.name}"
    return [
        f"{stand.water_l:g} L of water (water_l of the file), fed with {vessel.flow_ml_min:.0f} mL/min "
        f"({feed})",
        f"gas {ml_min:.1f} mL/min while open ({gas})",
        f"media that give effluent of {dkh:.0f} dKH at pH 6.65; a probe that lags 20 s, gas that comes a "
        "minute late and goes on for 90 s (tail)",
        f"{stand.valves} valve{'s in series' if stand.valves > 1 else ''}, its own timer: {timer}; a tank of "
        f"300 L {tank}, in a room of 40 m3",
    ]
