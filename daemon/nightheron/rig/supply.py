"""Where the gas comes from: cylinder, regulator, needle valve, and the line with its closing tail.

What the needle passes at which pressure is in ``chemistry.needle``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.needle import orifice
from nightheron.rig import wrong
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR

G_PER_MOL = 44.0095
ML_MIN_TO_MOL_S = moles_per_ml(25.0, AIR_BAR) / 60.0


@dataclass(frozen=True, slots=True)
class SupplyBuild:
    """How the gas of one chamber is set."""

    bubbles_per_s: float = 1.4
    bubble_ml: float = 0.05
    outlet_bar: float = 0.28
    """Above the air's; the bubbles are counted at this pressure."""
    line_lag_s: float = 60.0
    tail_s: float = 90.0
    cylinder_g: float = 2000.0


class Supply:
    """The gas of one chamber."""

    def __init__(self, build: SupplyBuild) -> None:
        self.build = build
        self.usual_mol_s = build.bubbles_per_s * build.bubble_ml * moles_per_ml(25.0, AIR_BAR + HEAD_BAR)
        """What flows while the valve is open and nothing is wrong."""
        self._usual = orifice(AIR_BAR + build.outlet_bar, AIR_BAR + HEAD_BAR)
        self._pressures = (math.nan, math.nan)
        self._factor = 1.0
        self.arriving_mol_s = 0.0
        """What comes out under water now."""
        self.left_mol = build.cylinder_g / G_PER_MOL
        self.leaked_mol = 0.0
        """What a loose fitting let into the room, since the start."""

    def step(self, dt_s: float, valve: float, vessel_bar: float, bad: wrong.Supply) -> float:
        """``dt_s`` seconds with the valve open by the share ``valve``; the gas arriving, mol/s."""
        g = self.arriving_mol_s
        # what is in the line still comes when the cylinder is empty
        given = bad.cylinder if self.left_mol > g * self.build.tail_s else 0.0
        let_in = 0.0
        if valve > 0.0 and given > 0.0:
            let_in = (
                self.usual_mol_s
                * valve
                * given
                * bad.needle
                * bad.line
                * self._pressed(bad.outlet_bar, vessel_bar)
            )
        lag_s = self.build.line_lag_s if let_in > g else self.build.tail_s
        self.arriving_mol_s = g = g + (let_in - g) * -math.expm1(-dt_s / lag_s)
        leaks = bad.fitting_ml_min * ML_MIN_TO_MOL_S * given
        self.left_mol = max(0.0, self.left_mol - (g + leaks) * dt_s)
        self.leaked_mol += leaks * dt_s
        return g

    def _pressed(self, outlet_bar: float, vessel_bar: float) -> float:
        """The flow of the needle at these pressures, of the usual; worked out anew when they move."""
        if (outlet_bar, vessel_bar) != self._pressures:
            self._pressures = (outlet_bar, vessel_bar)
            self._factor = orifice(AIR_BAR + outlet_bar, AIR_BAR + vessel_bar) / self._usual
        return self._factor
