"""A plant that lives by somebody else's clock: what wires, and a person with faults, need of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from nightheron.model import Gas, Signal
from nightheron.rig.faults import Fault
from nightheron.rig.plant import Plant
from nightheron.rig.standing import Faults

SPEED_MOST = 1000.0


class LiveSite:
    """A plant with faults, its water ``speed`` times as fast; valves, leases and probes keep real time."""

    def __init__(self, plant: Plant, speed: float, library: Mapping[str, Fault]) -> None:
        if not 0.0 < speed <= SPEED_MOST:
            raise ValueError(f"a speed of {speed:g} is not above 0 and at most {SPEED_MOST:g}")
        self.plant, self.speed, self.library = plant, speed, library
        self.faults = Faults(plant)
        self.told: Callable[[str], None] = lambda text: None
        """Gets a line for each thing that a person at the rig would see happen."""
        self._gas = dict.fromkeys(plant.bays, Gas.CLOSED)

    def step(self, dt_s: float) -> None:
        """Let ``dt_s`` real seconds pass."""
        for bay in self.plant.bays.values():
            bay.valve.step(dt_s)
        self.plant.step(dt_s * self.speed)
        self.faults.step()
        for name, before in self._gas.items():
            gas = Gas.OPEN if self.plant.bays[name].valve.passes_gas else Gas.CLOSED
            if gas is not before:
                self._gas[name] = gas
                self.told(f"{name}: gas {gas}, water {self.plant.bays[name].ph:.2f}")

    def speaker(self, words: Sequence[str]) -> Callable[[], str | None] | None:
        """What says the readings of a chamber's or the tank's probe, or an instrument; None: no such."""
        plant = self.plant
        match list(words):
            case [name] if name in plant.bays:
                return lambda: plant.says(name)
            case [name] if name == plant.build.tank_name:
                return plant.tank_says
            case [name, signal] if name in plant.bays and signal in plant.signals(name).by_name():
                return lambda: plant.instrument_says(name, Signal(signal))
        return None

    def order(self, chamber: str, line: str) -> str | None:
        """An order to a valve, and what it answers."""
        return self.plant.bays[chamber].valve.order(line)

    def put(self, name: str, chamber: str) -> str:
        """Put a fault in; one line for whoever asked."""
        fault = self.library.get(name)
        if fault is None:
            return f"error: there is no fault {name!r}; nightheron rig faults lists those there are"
        self.faults.put(fault, chamber)
        self.told(f"{chamber}: {name} put in. {fault.says}")
        by_hand = f" To do by hand: {fault.hands}." if fault.hands else ""
        return f"ok: {fault.says} Look for: {fault.notice}{by_hand}"

    def mend(self, name: str | None, chamber: str | None) -> str:
        """Take faults out; one line for whoever asked."""
        mended = self.faults.mend(name, chamber)
        self.told(f"{chamber or 'everywhere'}: {mended} mended")
        return f"ok: {mended} mended"

    def show(self, chamber: str) -> str:
        """The water's true pH, and whether gas flows."""
        bay = self.plant.bays[chamber]
        return f"{bay.ph:.3f} {Gas.OPEN if bay.valve.passes_gas else Gas.CLOSED}"

    def look(self) -> str:
        """One chamber a sentence, the tank, and what is wrong, separated by '; ' for one line on a wire."""
        said = []
        for name, bay in self.plant.bays.items():
            seen = self.plant.signals(name)
            said.append(
                f"{name}: water {bay.ph:.2f}, gas {self._gas[name]}, feed {seen.flow_ml_min:.0f} mL/min, "
                f"circulation {'runs' if seen.circulation else 'stands'}, outlet {seen.outlet_bar:.2f} bar"
            )
        said.append(f"tank: water {self.plant.tank.ph:.2f}, room {self.plant.tank.room_ppm:.0f} ppm CO2")
        said += [f"wrong at {chamber}: {name}" for name, chamber in self.faults.standing]
        return "; ".join(said)
