"""A whole simulated site: chambers with their gas, valves and probes, one tank, one room, one mains.

Pure and deterministic: seeds and steps in, values out; it reads no clock. Whoever plays it says how much
time passed, and carries valve orders and probe lines between it and the guard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from nightheron.chemistry.constants import Constants
from nightheron.model import Signal
from nightheron.rig import wrong
from nightheron.rig.probe import Probe, Said
from nightheron.rig.supply import Supply, SupplyBuild
from nightheron.rig.tank import Tank, TankBuild, constants_at
from nightheron.rig.valve import SimulatedValve
from nightheron.rig.vessel import STANDS_BELOW, Vessel, VesselBuild

STEP_S = 1.0
TANK_STEP_S = 10.0
FREE_FLOW = 0.02
"""Share of the flow below which feed counts as not running."""


@dataclass(frozen=True, slots=True)
class Build:
    """How a site is built. Times of day are seconds after midnight."""

    chambers: Mapping[str, tuple[VesselBuild, SupplyBuild]] = field(
        default_factory=lambda: {"west": (VesselBuild(), SupplyBuild())}
    )
    tank: TankBuild = field(default_factory=TankBuild)
    tank_name: str = "display"
    probes: int = 1
    """pH probes in each chamber."""
    begins_s: float = 21 * 3600.0
    step_s: float = STEP_S
    """1 is good to a few thousandths of a pH; at most 10."""


@dataclass(frozen=True, slots=True)
class Signals:
    """What instruments at one chamber would show. Pressures in bar above the air's."""

    flow_ml_min: float
    circulation: bool
    feed: bool
    outlet_bar: float
    vessel_bar: float
    temperature_c: float
    room_co2_ppm: float
    leak: bool

    def by_name(self) -> dict[Signal, float]:
        """As numbers under the names, and in the units, that the guard has for signals; pressures in kPa."""
        return {
            Signal.FLOW: self.flow_ml_min,
            Signal.CIRCULATION: float(self.circulation),
            Signal.FEED: float(self.feed),
            Signal.OUTLET_PRESSURE: 100.0 * self.outlet_bar,
            Signal.VESSEL_PRESSURE: 100.0 * self.vessel_bar,
            Signal.TEMPERATURE: self.temperature_c,
            Signal.ROOM_CO2: self.room_co2_ppm,
            Signal.LEAK: float(self.leak),
        }


class Bay:
    """One chamber with everything that belongs to it alone."""

    def __init__(self, name: str, vessel: Vessel, supply: Supply, seed: int, probes: int) -> None:
        self.name, self.vessel, self.supply = name, vessel, supply
        self.valve = SimulatedValve()
        self.probes = [Probe(vessel.ph, f"{seed}/{name}/{number}") for number in range(probes)]
        self.water = wrong.Water()
        self.gas = wrong.Supply()
        self.open_s = 0.0
        """Of the time that is owed to the water, how much the gas was open."""

    @property
    def probe(self) -> Probe:
        """The first probe, and the one that faults break."""
        return self.probes[0]

    @property
    def ph(self) -> float:
        """The water's own pH at the probe, NBS scale, as no probe sees it."""
        return self.vessel.ph

    def mend(self) -> None:
        """Everything healthy again; the water stays as it is."""
        self.water, self.gas = wrong.Water(), wrong.Supply()
        self.valve.mend()
        for probe in self.probes:
            probe.mend()


class Plant:
    """See the module. ``seed`` fixes all noise."""

    def __init__(self, build: Build | None = None, seed: int = 1) -> None:
        self.build = build or Build()
        if not 0.0 < self.build.step_s <= 10.0:
            raise ValueError(f"a step of {self.build.step_s} s is not above 0 and at most 10")
        self.tank = Tank(self.build.tank)
        self.tank_bad, self.room_bad, self.power, self.guard = (
            wrong.Tank(),
            wrong.Room(),
            wrong.Power(),
            wrong.Guard(),
        )
        self.tank_probe = Probe(self.tank.ph, f"{seed}/tank")
        self.bays = {
            name: Bay(
                name, Vessel(vessel, self.tank.water, self.tank.k), Supply(supply), seed, self.build.probes
            )
            for name, (vessel, supply) in self.build.chambers.items()
        }
        self.age_s = 0.0
        """Seconds since the start."""
        self._owed_s = 0.0
        self._tank_owed_s = 0.0

    def reseed(self, seed: int | str) -> None:
        """From now on the probes' noise is that of another seed."""
        self.tank_probe.reseed(f"{seed}/tank")
        for name, bay in self.bays.items():
            for number, probe in enumerate(bay.probes):
                probe.reseed(f"{seed}/{name}/{number}")

    @property
    def day_s(self) -> float:
        """Seconds after midnight."""
        return (self.build.begins_s + self.age_s) % 86400.0

    def step(self, dt_s: float, gas: Mapping[str, float] | None = None) -> None:
        """Let ``dt_s`` pass with each valve open by the share given, or as it stands itself.

        The water moves in whole steps; what is left over waits, and how long gas was open meanwhile counts.
        """
        if not 0.0 < dt_s < 1e7:
            raise ValueError(f"a step of {dt_s} s is not above 0 and below 1e7")
        for name, bay in self.bays.items():
            bay.open_s += dt_s * (bay.valve.share if gas is None else gas[name])
        self._owed_s += dt_s
        step_s = self.build.step_s
        steps = int((self._owed_s + 1e-9) / step_s)
        if steps:
            shares = [bay.open_s / self._owed_s for bay in self.bays.values()]
            for _ in range(steps):
                self._live(step_s, shares)
            self._owed_s = max(0.0, self._owed_s - steps * step_s)
            for bay, share in zip(self.bays.values(), shares, strict=True):
                bay.open_s = share * self._owed_s

    def _live(self, dt_s: float, shares: list[float]) -> None:
        tank, mains = self.tank, self.power.mains
        self.age_s += dt_s
        for bay, share in zip(self.bays.values(), shares, strict=True):
            vessel, water = bay.vessel, bay.water if mains else UNPOWERED
            bay.valve.powered = mains
            if not mains and not bay.valve.bad.stuck:
                share = bay.valve.bad.leaks
            lost = vessel.escaped_mol + bay.supply.leaked_mol
            gas_mol_s = bay.supply.step(dt_s, share, vessel.pressure_bar, bay.gas)
            vessel.k = tank.k if not water.warmer_c else self._warmed(water.warmer_c)
            vessel.step(dt_s, gas_mol_s, tank.water, water)
            tank.take(vessel, dt_s)
            tank.gas_into_room(vessel.escaped_mol + bay.supply.leaked_mol - lost)
            ph, gas_on = vessel.ph, share > 0.0
            for probe in bay.probes:
                probe.step(dt_s, ph, gas_on=gas_on)
        self._tank_owed_s += dt_s
        if self._tank_owed_s >= TANK_STEP_S:
            bad = self.tank_bad if mains else wrong.Tank(self.tank_bad.demand, 0.2, self.tank_bad.warmer_c)
            tank.step(self._tank_owed_s, self.day_s, bad, self.room_bad)
            self.tank_probe.step(self._tank_owed_s, tank.ph, gas_on=False)
            self._tank_owed_s = 0.0

    def _warmed(self, warmer_c: float) -> Constants:
        return constants_at(round((self.tank.temperature_c + warmer_c) * 10))

    def says(self, name: str, number: int = 0) -> str | None:
        """The line that probe of the chamber sends now; None when it says nothing."""
        said = self.said(name, number)
        return said.text if said is not None else None

    def said(self, name: str, number: int = 0) -> Said | None:
        """The same with the stamp of the device's clock."""
        return self.bays[name].probes[number].says() if self.power.mains else None

    def tank_says(self) -> str | None:
        """The same of the tank's probe."""
        if not self.power.mains:
            return None
        said = self.tank_probe.says()
        return said.text if said is not None else None

    def signals(self, name: str) -> Signals:
        """What instruments at this chamber show now."""
        bay = self.bays[name]
        water = bay.water if self.power.mains else UNPOWERED
        usual_kg_s = bay.vessel.build.flow_ml_min / 6e4 * bay.vessel.kg_per_l
        flow = bay.vessel.flow_kg_s / usual_kg_s
        return Signals(
            flow_ml_min=bay.vessel.build.flow_ml_min * flow,
            circulation=water.circulation >= STANDS_BELOW,
            feed=water.feed > FREE_FLOW,
            outlet_bar=bay.gas.outlet_bar if bay.supply.left_mol > 0.0 and bay.gas.cylinder > 0.0 else 0.0,
            vessel_bar=bay.vessel.pressure_bar,
            temperature_c=self.tank.temperature_c + water.warmer_c,
            room_co2_ppm=self.tank.room_ppm,
            leak=self.room_bad.wet,
        )

    def instrument_says(self, name: str, signal: Signal) -> str | None:
        """The line another instrument at this chamber sends now; None without mains."""
        return f"{self.signals(name).by_name()[signal]:.4g}" if self.power.mains else None

    def mend(self) -> None:
        """Everything healthy again; the water stays as it is."""
        for bay in self.bays.values():
            bay.mend()
        self.tank_bad, self.room_bad, self.power, self.guard = (
            wrong.Tank(),
            wrong.Room(),
            wrong.Power(),
            wrong.Guard(),
        )
        self.tank_probe.mend()


UNPOWERED = wrong.Water(feed=0.0, circulation=0.0)
"""What the mains' loss makes of pumps."""
