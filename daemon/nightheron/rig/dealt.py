"""A chamber dealt by chance: its water, gas and probes, its wiring, and the configuration that guards it.

Wider than any one house: 1.5 to 6 L of vessel, a tenth to ten times the media's rate, bubbles of 0.02 to
0.09 mL, lags and temperatures as far as they are plausible, one to three probes of pH or millivolts, from
twice a second to once in five. What an owner does right is right here too: the needle is set for a chamber
that cycles, and lag and tail are given as they are, or too long.
"""

from __future__ import annotations

import random
import tempfile
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

from nightheron.chemistry.gas import moles_per_ml
from nightheron.guard.limits import ChamberLimits
from nightheron.rig.dealt_file import Keys, configuration
from nightheron.rig.nights import CHAMBER, demand_meq_l_day, holding_gas_mol_s
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.tank import DAY_S, Tank, TankBuild
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR, VesselBuild, fitted_rate
from nightheron.settings import load

PLAIN_L = 1.9
STEP_S = 2.0
"""Of the water; 1 s and 2 s differ by less than a thousandth of a pH."""
EFFLUENT_MOST_MEQ_L = 40.0


@dataclass(frozen=True, slots=True)
class ProbeBuild:
    """What one probe is by itself, with nothing wrong."""

    lag_s: float
    noise_ph: float
    offset_ph: float
    decimals: int


@dataclass(frozen=True, slots=True)
class Dealt:
    """One chamber with all that belongs to it."""

    number: str
    text: str
    """Its configuration, as the file has it."""
    limits: ChamberLimits
    build: Build
    probes: tuple[ProbeBuild, ...]
    stamped: bool
    hears_strangers: bool
    share: float
    """How much of the time its gas would be open to hold it between floor and resume."""
    rate: float
    """Its media's rate, of the plain chamber's for its size."""

    @property
    def evaluations_per_s(self) -> float:
        """How often its chamber probes are heard: what a night of it costs."""
        return sum(1.0 / one.period_s for one in self.limits.probes)

    def plant(self) -> Plant:
        """The water, new; the same every time."""
        plant = Plant(self.build, seed=zlib.crc32(self.number.encode()))
        for probe, one in zip(plant.bays[CHAMBER].probes, self.probes, strict=True):
            probe.bad.lag_s, probe.bad.noise_ph, probe.bad.offset_ph = one.lag_s, one.noise_ph, one.offset_ph
            probe.decimals = one.decimals
        return plant


def dealt(number: str, *, budget: bool = True, feedback: bool = True) -> Dealt:
    """The chamber of that number, without a budget or its valve's feedback where those are False."""
    dice = random.Random(number)  # noqa: S311 - a made-up site, no secret
    keys = _keys(dice)
    vessel, rate = _vessel(dice, keys)
    probes = tuple(_probe(dice) for _ in range(keys.probes))
    share = dice.uniform(0.25, 0.85)
    tank = TankBuild(
        water_l=dice.uniform(100.0, 1000.0),
        temperature_c=round(dice.uniform(22.0, 28.0), 1),
        exchange_s=dice.uniform(1800.0, 5400.0),
    )
    supply = _supply(dice, holding_gas_mol_s(vessel, tank) / share)
    tank = replace(tank, demand_meq_l_day=demand_meq_l_day(vessel, tank))
    keys = replace(
        keys,
        water_l=round(vessel.water_l, 2),
        probe_lag_s=round(dice.uniform(1.5, 3.0) * max(one.lag_s for one in probes)),
        tail_s=round(dice.uniform(0.9, 1.6) * supply.tail_s),
        flow_low_ml_min=round(vessel.flow_ml_min * 0.5, 1),
        budget_s=min(round(1.6 * share * DAY_S), round(DAY_S)) if budget and dice.random() < 0.4 else None,
        feedback=keys.feedback and feedback,
    )
    text = configuration(keys)
    build = Build(
        {CHAMBER: (vessel, supply)},
        tank,
        probes=keys.probes,
        begins_s=dice.uniform(0.0, DAY_S),
        step_s=STEP_S,
    )
    limits = loaded(text)
    return Dealt(number, text, limits, build, probes, keys.broker, keys.broker, share, rate)


def _keys(dice: random.Random) -> Keys:
    """What the file says, as far as it is free."""
    floor_ph = round(dice.uniform(6.30, 6.90), 2)
    period_s = dice.choice((0.5, *(1.0,) * 5, 2.0, 2.0, 5.0, 5.0))
    longest_s = dice.choice((1800, 3600, 3600, 7200, 10800, 21600))
    return Keys(
        floor_ph=floor_ph,
        resume_ph=round(floor_ph + dice.uniform(0.05, 0.20), 2),
        deep_low_margin_ph=dice.choice((0.2, 0.3, 0.3, 0.5)),
        settle_s=dice.choice((10, 30, 30, 60)),
        min_rest_s=dice.choice((60, 120, 120, 300)),
        longest_opening_s=longest_s,
        trial_opening_s=min(longest_s, dice.choice((300, 600, 600, 900))),
        trial_pause_s=dice.choice((900, 1800, 1800, 3600)),
        probes=dice.choice((1,) * 15 + (2,) * 3 + (3,) * 2),
        period_s=period_s,
        stale_s=round(period_s * dice.uniform(3.0, 8.0), 1),
        millivolts=dice.random() < 0.2,
        lease_s=dice.choice((2, 5, 5, 10, 30)),
        feedback=dice.random() < 0.5,
        broker=dice.random() < 0.5,
        device_timer=dice.random() < 0.7,
        tank=dice.choice(("", "", "watched", "watched", "required")),
        signals=tuple(sorted(name for name in SIGNALS if dice.random() < 0.35)),
    )


SIGNALS = ("circulation", "feed", "flow", "leak", "outlet_pressure", "room_co2", "temperature")
"""Those that an owner may have; a vessel's pressure is seen by few."""


def _vessel(dice: random.Random, keys: Keys) -> tuple[VesselBuild, float]:
    """A vessel and its media: the effluent is what that rate gives at the pH it is held at."""
    gross_l, voids = dice.uniform(1.5, 6.0), dice.uniform(0.40, 0.55)
    water_l = gross_l * (1.0 - 0.75 * (1.0 - voids))
    holds_ph = 0.5 * (keys.floor_ph + keys.resume_ph)
    vessel = VesselBuild(
        water_l=water_l,
        flow_ml_min=dice.uniform(14.0, 34.0) * water_l / PLAIN_L,
        tested_ph=holds_ph,
        dissolve_s=dice.uniform(15.0, 60.0),
        still_dissolve_s=dice.uniform(1800.0, 7200.0),
        pocket_l=dice.uniform(0.05, 0.3),
        bed_share=dice.uniform(0.6, 0.8),
        media_kg=1.3 * 0.75 * gross_l,
        start_ph=keys.resume_ph + dice.uniform(0.0, 0.1),
    )
    feed, plain = Tank(TankBuild()), VesselBuild()
    rate = 10.0 ** dice.uniform(-1.0, 1.0)
    wanted = rate * fitted_rate(plain, feed.water, feed.k) * water_l / PLAIN_L
    low, high = 1.02 * TankBuild().alkalinity_meq_l, EFFLUENT_MOST_MEQ_L
    for _ in range(40):
        middle = 0.5 * (low + high)
        try:
            enough = fitted_rate(replace(vessel, effluent_meq_l=middle), feed.water, feed.k) >= wanted
        except ValueError:
            enough = True
        low, high = (low, middle) if enough else (middle, high)
    return replace(vessel, effluent_meq_l=low), rate


def _supply(dice: random.Random, wanted_mol_s: float) -> SupplyBuild:
    """Gas that gives ``wanted_mol_s`` while the valve is open."""
    bubble_ml = dice.uniform(0.02, 0.09)
    return SupplyBuild(
        bubbles_per_s=wanted_mol_s / (bubble_ml * moles_per_ml(25.0, AIR_BAR + HEAD_BAR)),
        bubble_ml=bubble_ml,
        outlet_bar=dice.uniform(0.2, 0.35),
        line_lag_s=dice.uniform(20.0, 300.0),
        tail_s=dice.uniform(20.0, 120.0),
    )


def _probe(dice: random.Random) -> ProbeBuild:
    return ProbeBuild(
        lag_s=dice.uniform(5.0, 60.0),
        noise_ph=dice.choice((0.001, 0.002, 0.004, 0.004, 0.008)),
        offset_ph=dice.uniform(-0.03, 0.03),
        decimals=dice.choice((2, 2, 3)),
    )


def loaded(text: str) -> ChamberLimits:
    """What a configuration guards its first chamber by."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "nightheron.toml"
        path.write_text(text, encoding="utf-8")
        return load(path, {}).limits()[0]
