"""The water in one chamber: alkalinity, carbon, calcium and gas, balanced second by second.

    m dTA/dt  = F (TA0 - TA)   + 2 R        F feed, kg/s; R dissolution, mol/s
    m dDIC/dt = F (DIC0 - DIC) + R + J      J gas that dissolves, mol/s
    m dCa/dt  = F (Ca0 - Ca)   + R
    dn/dt     = g - J - escape              n undissolved gas, mol; g gas arriving

Circulating water is one well-mixed body. Standing water is two, the part with the probe, where feed comes
in and effluent leaves, and the bed of media, so that the probe may see pH rise or fall, according to where
the gas goes. When circulation comes back they are mixed again, and a trapped pocket dissolves in minutes.

Rates: one lumped rate of dissolution for the media, fitted to one effluent test, since published rates per
area differ a thousandfold. Shares and time constants that have no source are called assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightheron.chemistry.carbonate import Constants, dic_from_ta_ph, seawater_kg_per_l, total_from_nbs
from nightheron.chemistry.gas import PA_PER_ATM, PA_PER_BAR, moles_per_ml
from nightheron.chemistry.saturation import dissolution, omega
from nightheron.chemistry.solve import carbonate_share, co2_share, next_h
from nightheron.rig import wrong

STANDS_BELOW = 0.05
"""Less circulation than this and the water stands."""
STILL_RATE = 0.3
"""Share of the media's rate that is left in standing water; assumed."""
AIR_BAR = 1.013
VAPOUR_BAR = 0.031
"""Of water at 25 degC."""
HEAD_BAR = 0.03
"""What a free effluent line holds the vessel at, above the air; assumed."""
PUMP_BAR = 0.35
"""What the feed pump can push a blocked vessel to; assumed."""


@dataclass(slots=True)
class Composition:
    """Alkalinity, carbon and calcium of some water, mol/kg."""

    ta: float
    dic: float
    ca: float


@dataclass(frozen=True, slots=True)
class VesselBuild:
    """How one chamber is built and set."""

    water_l: float = 1.9
    flow_ml_min: float = 25.0
    effluent_meq_l: float = 7.1
    """Alkalinity of its effluent, steady at ``tested_ph``: what the rate is fitted to. 7.1 is 20 dKH."""
    tested_ph: float = 6.65
    """NBS scale."""
    dissolve_s: float = 30.0
    """How long a bubble lives in circulating water that holds no CO2 yet; assumed."""
    still_dissolve_s: float = 3600.0
    """The same for a pocket over standing water; assumed."""
    pocket_l: float = 0.3
    """Gas the vessel can hold before it leaves with the effluent; assumed."""
    bed_share: float = 0.7
    """Share of the water that is among the media."""
    media_kg: float = 2.5
    start_ph: float = 6.85
    """NBS scale; the water is then one that fits ``effluent_meq_l``."""


class Zone:
    """A well-mixed body of water with the gas in it."""

    __slots__ = ("ca", "dic", "gas_mol", "h", "kg", "ta")

    def __init__(self, kg: float, ta: float, dic: float, ca: float, h: float, gas_mol: float = 0.0) -> None:
        self.kg, self.ta, self.dic, self.ca, self.h, self.gas_mol = kg, ta, dic, ca, h, gas_mol

    def step(
        self,
        dt_s: float,
        k: Constants,
        feed: Composition,
        feed_kg_s: float,
        rate_mol_s: float,
        arriving_mol_s: float,
        dissolve_s: float,
        saturated: float,
    ) -> float:
        """One step; mol of media that dissolved. ``saturated``: CO2 in mol/kg at which gas stays gas."""
        h, dic = self.h, self.dic
        dissolved = 0.0
        if rate_mol_s > 0.0:
            omega_now = omega(self.ca, dic * carbonate_share(h, k), k.ksp_aragonite)
            dissolved = dissolution(omega_now, rate_mol_s, 1.0) * dt_s
        gas = self.gas_mol + arriving_mol_s * dt_s
        taken = 0.0
        if gas > 0.0:
            drive = 1.0 - dic * co2_share(h, k) / saturated
            if drive > 0.0:
                taken = gas * -math.expm1(-drive * dt_s / dissolve_s)
        self.gas_mol = gas - taken
        kg = self.kg
        swapped = feed_kg_s * dt_s / kg
        self.ta += swapped * (feed.ta - self.ta) + 2.0 * dissolved / kg
        self.dic += swapped * (feed.dic - dic) + (dissolved + taken) / kg
        self.ca += swapped * (feed.ca - self.ca) + dissolved / kg
        self.h = next_h(self.ta, self.dic, h, k)
        return dissolved


class Vessel:
    """One chamber's water. ``zone`` is where the probe is; ``bed`` is there while the water stands."""

    def __init__(self, build: VesselBuild, feed: Composition, k: Constants) -> None:
        self.build = build
        self.k = k
        self.kg_per_l = seawater_kg_per_l(25.0)
        kg = build.water_l * self.kg_per_l
        ta = build.effluent_meq_l * 1e-3 / self.kg_per_l
        ca = feed.ca + 0.5 * (ta - feed.ta)
        self.rate_mol_s = fitted_rate(build, feed, k)
        h = math.pow(10.0, -total_from_nbs(build.start_ph, k))
        self.zone = Zone(kg, ta, dic_from_ta_ph(ta, total_from_nbs(build.start_ph, k), k), ca, h)
        self.bed: Zone | None = None
        self.media_mol = self._media_at_first = build.media_kg / 0.100087  # CaCO3, kg/mol
        self.pocket_mol = build.pocket_l * 1e3 * moles_per_ml(25.0, AIR_BAR + HEAD_BAR)
        self.flow_kg_s = build.flow_ml_min / 6e4 * self.kg_per_l
        self.pressure_bar = HEAD_BAR
        self.escaped_mol = 0.0
        """Gas that left undissolved, since the start."""

    @property
    def ph(self) -> float:
        """NBS scale, of the water at the probe."""
        return -math.log10(self.zone.h) + self.k.nbs_above_total

    @property
    def gas_mol(self) -> float:
        """All undissolved gas in the vessel."""
        return self.zone.gas_mol + (self.bed.gas_mol if self.bed is not None else 0.0)

    def step(self, dt_s: float, arriving_mol_s: float, feed: Composition, bad: wrong.Water) -> None:
        """``dt_s`` seconds, 1 in ordinary use and 10 at most, with ``arriving_mol_s`` of gas."""
        build, k = self.build, self.k
        moving = bad.circulation >= STANDS_BELOW
        if moving is (self.bed is not None):
            self._mix() if moving else self._part(bad.gas_at_probe)
        self.flow_kg_s = build.flow_ml_min / 6e4 * self.kg_per_l * bad.feed * bad.effluent
        rate = self.rate_mol_s * bad.media * (self.media_mol / self._media_at_first) ** (2.0 / 3.0)
        saturated = k.k0 * (AIR_BAR + self.pressure_bar - VAPOUR_BAR) * PA_PER_BAR / PA_PER_ATM
        zone, bed = self.zone, self.bed
        if bed is None:
            rate *= STILL_RATE + (1.0 - STILL_RATE) * bad.circulation
            lives_s = build.dissolve_s / bad.circulation
            self.media_mol -= zone.step(
                dt_s, k, feed, self.flow_kg_s, rate, arriving_mol_s, lives_s, saturated
            )
        else:
            here, there = (arriving_mol_s, 0.0) if bad.gas_at_probe else (0.0, arriving_mol_s)
            lives_s = build.still_dissolve_s
            zone.step(dt_s, k, feed, self.flow_kg_s, 0.0, here, lives_s, saturated)
            self.media_mol -= bed.step(dt_s, k, feed, 0.0, rate * STILL_RATE, there, lives_s, saturated)
        self._vent(bad)

    def _vent(self, bad: wrong.Water) -> None:
        """Gas beyond the pocket leaves with the effluent, or presses where that is blocked."""
        gas_mol = self.gas_mol
        self.pressure_bar = HEAD_BAR
        if bad.effluent < STANDS_BELOW:
            pump_bar = PUMP_BAR if bad.feed > 0.0 else 0.0
            self.pressure_bar += max(pump_bar, AIR_BAR * (gas_mol / self.pocket_mol - 1.0))
        elif gas_mol > self.pocket_mol:
            holder = self.zone if self.bed is None or self.bed.gas_mol < self.zone.gas_mol else self.bed
            excess = min(gas_mol - self.pocket_mol, holder.gas_mol)
            holder.gas_mol -= excess
            self.escaped_mol += excess

    def _part(self, gas_at_probe: bool) -> None:
        whole = self.zone
        bed_kg = whole.kg * self.build.bed_share
        here, there = (whole.gas_mol, 0.0) if gas_at_probe else (0.0, whole.gas_mol)
        self.bed = Zone(bed_kg, whole.ta, whole.dic, whole.ca, whole.h, there)
        self.zone = Zone(whole.kg - bed_kg, whole.ta, whole.dic, whole.ca, whole.h, here)

    def _mix(self) -> None:
        one, two = self.zone, self.bed
        if two is None:
            return
        kg = one.kg + two.kg
        ta, dic, ca = (
            (a * one.kg + b * two.kg) / kg
            for a, b in ((one.ta, two.ta), (one.dic, two.dic), (one.ca, two.ca))
        )
        self.zone = Zone(kg, ta, dic, ca, next_h(ta, dic, one.h, self.k), one.gas_mol + two.gas_mol)
        self.bed = None


def fitted_rate(build: VesselBuild, feed: Composition, k: Constants) -> float:
    """The media's lumped rate, mol/s, at which the steady effluent is as the test of ``build`` says.

    ValueError when the test cannot be: less alkalinity than the feed's, or more than water saturated with
    aragonite holds at that pH, which no media can give.
    """
    kg_per_l = seawater_kg_per_l(25.0)
    ta = build.effluent_meq_l * 1e-3 / kg_per_l
    gained = 0.5 * (ta - feed.ta)
    if not gained > 0.0:
        raise ValueError("effluent with no more alkalinity than the feed has no rate that fits")
    ph = total_from_nbs(build.tested_ph, k)
    dic = dic_from_ta_ph(ta, ph, k)
    left = 1.0 - omega(feed.ca + gained, dic * carbonate_share(math.pow(10.0, -ph), k), k.ksp_aragonite)
    if not left > 0.0:
        raise ValueError(
            f"{build.effluent_meq_l:g} meq/L is above what media can give at pH {build.tested_ph:g}"
        )
    return build.flow_ml_min / 6e4 * kg_per_l * gained / left
