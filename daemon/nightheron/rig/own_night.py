"""A recorded night of one's own, and the chamber on the rig that behaves like it.

The recorded openings drive the rig's chamber, and three figures are sought with which its probe reads what
was recorded: gas while open, feed, and the alkalinity of the effluent, which stands for how fast the media
dissolve. Water volume is the configured one. Three figures that fit a curve prove nothing: others may fit
as well, and a fault that the night did not have may do something else to the real chamber.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.safety import gas_mol_per_s
from nightheron.rig.plant import Build, Plant
from nightheron.rig.stand_in import FLOW_ML_MIN_PER_L, Stand
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.tank import TankBuild
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR, VesselBuild

STEP_S = 5.0
LEAST_S, MOST_S = 3600.0, 48 * 3600.0
LEAST_POINTS = 30
FAR_PH = 0.1
"""A reading further off counts as so far off, so that a probe that was out does not lead the fit."""
GOOD_RMS_PH = 0.03
"""Above this the chamber on the rig is not quite the recorded one. A judgement, no source."""
NUDGE = 0.03
"""Of the logarithm of a figure, to see which way it pulls."""
ROUNDS = 12
BOUNDS = {"gas_ml_min": (0.1, 60.0), "flow_ml_min": (1.0, 500.0), "effluent_meq_l": (3.0, 14.0)}


class NoFit(ValueError):  # noqa: N818 - it says what is wrong with the night
    """A night from which nothing can be learned; one sentence."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a journal says of one chamber; seconds since the span's begin, pH as it was read."""

    seconds: float
    readings: tuple[tuple[float, float], ...]
    """When, and what."""
    openings: tuple[tuple[float, float], ...]
    """From and to, in order."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The chamber that behaves like the night."""

    gas_ml_min: float
    flow_ml_min: float
    effluent_meq_l: float
    rms_ph: float
    """Between what was read and what the rig's probe reads."""
    readings: int

    @property
    def good(self) -> bool:
        return self.rms_ph <= GOOD_RMS_PH

    def on(self, stand: Stand) -> Stand:
        """The stand with these figures instead of assumed ones."""
        return replace(
            stand,
            gas_ml_min=self.gas_ml_min,
            flow_ml_min=self.flow_ml_min,
            effluent_meq_l=self.effluent_meq_l,
            fitted=True,
        )


def fit(night: Recorded, stand: Stand, show: Callable[[int], None] = lambda _: None) -> Fit:
    """Seek the three figures. NoFit where the night has too little in it."""
    hours = night.seconds / 3600.0
    if not LEAST_S <= night.seconds <= MOST_S:
        raise NoFit(f"the span has {hours:.1f} h; a night to learn from has 1 to {MOST_S / 3600:g}")
    if len(night.readings) < LEAST_POINTS:
        raise NoFit(f"the journal has {len(night.readings)} readings in the span; {LEAST_POINTS} are needed")
    if not any(0.0 < at_s < night.seconds for one in night.openings for at_s in one):
        raise NoFit("gas never opened or shut in the span, so there is no answer to learn from")
    tried = 0

    def off(figures: Sequence[float]) -> list[float] | None:
        nonlocal tried
        tried += 1
        show(tried)
        return _off(night, stand, figures)

    flow = FLOW_ML_MIN_PER_L * stand.water_l
    starts = [[gas * flow / 25.0, flow, rich] for gas in (1.5, 3.0, 6.0) for rich in (5.5, 7.1)]
    best = _descend(off, min(starts, key=lambda one: _cost(off(one))))
    last = _off(night, stand, best)
    if last is None:
        raise NoFit("no chamber on the rig can do what the journal says of that span")
    gas_ml_min, flow_ml_min, effluent_meq_l = best
    rms_ph = math.sqrt(sum(one * one for one in last) / len(last))
    return Fit(gas_ml_min, flow_ml_min, effluent_meq_l, rms_ph, len(last))


Off = Callable[[Sequence[float]], "list[float] | None"]


def _descend(off: Off, start: Sequence[float]) -> list[float]:
    """Levenberg and Marquardt's way down on the logarithms of the figures: any text on least squares."""
    best, far = list(start), off(start)
    cost, damping = _cost(far), 0.01
    for _ in range(ROUNDS):
        if far is None:
            break
        slopes = []
        for place in range(len(best)):
            moved = off(_moved(best, [NUDGE if one == place else 0.0 for one in range(len(best))]))
            if moved is None:
                return best
            slopes.append([(one - other) / NUDGE for one, other in zip(moved, far, strict=True)])
        near = [index for index, one in enumerate(far) if abs(one) < FAR_PH]
        while damping < 1e4:
            tried = _moved(best, _way(slopes, far, near, damping))
            there = off(tried)
            if _cost(there) < cost:
                break
            damping *= 4.0
        else:
            break
        gained, best, far, cost, damping = cost - _cost(there), tried, there, _cost(there), damping / 4.0
        if gained < 1e-3 * cost:
            break
    return best


def _moved(figures: Sequence[float], by: Sequence[float]) -> list[float]:
    """Figures with their logarithms moved, none by more than a factor of 1.6, and within bounds."""
    return [
        min(high, max(low, one * math.exp(min(0.5, max(-0.5, way)))))
        for one, way, (low, high) in zip(figures, by, BOUNDS.values(), strict=True)
    ]


def _way(
    slopes: Sequence[Sequence[float]], far: Sequence[float], near: Sequence[int], damping: float
) -> list[float]:
    """The damped normal equations, solved by elimination; readings that are far off do not pull."""
    size = len(slopes)
    rows = []
    for one in range(size):
        row = [sum(slopes[one][n] * slopes[other][n] for n in near) for other in range(size)]
        row[one] = row[one] * (1.0 + damping) + 1e-9
        rows.append([*row, -sum(slopes[one][n] * far[n] for n in near)])
    for one in range(size):
        for other in range(one + 1, size):
            share = rows[other][one] / rows[one][one]
            rows[other] = [a - share * b for a, b in zip(rows[other], rows[one], strict=True)]
    found = [0.0] * size
    for one in reversed(range(size)):
        rest = sum(rows[one][other] * found[other] for other in range(one + 1, size))
        found[one] = (rows[one][size] - rest) / rows[one][one]
    return found


def _cost(off: Sequence[float] | None) -> float:
    """The mean square, each reading off by ``FAR_PH`` at most."""
    if off is None:
        return math.inf
    return sum(min(FAR_PH, abs(one)) ** 2 for one in off) / len(off)


def _off(night: Recorded, stand: Stand, figures: Sequence[float]) -> list[float] | None:
    """What the rig's probe reads less what was recorded; None where no media can do it."""
    try:
        read = _played(night, stand, figures)
    except ValueError:
        return None
    return [one - ph for one, (_, ph) in zip(read, night.readings, strict=True)]


def _played(night: Recorded, stand: Stand, figures: Sequence[float]) -> list[float]:
    """What the rig's probe reads at each recorded moment, its gas opened as it was."""
    gas_ml_min, flow_ml_min, effluent_meq_l = figures
    bubble_mol = SupplyBuild().bubble_ml * moles_per_ml(25.0, AIR_BAR + HEAD_BAR)
    vessel = VesselBuild(
        water_l=stand.water_l,
        flow_ml_min=flow_ml_min,
        effluent_meq_l=effluent_meq_l,
        start_ph=night.readings[0][1],
    )
    supply = SupplyBuild(bubbles_per_s=gas_mol_per_s(gas_ml_min) / bubble_mol)
    plant = Plant(Build({"night": (vessel, supply)}, TankBuild(), step_s=STEP_S))
    bay, read, place, opening = plant.bays["night"], [], 0, 0
    share = {"night": 0.0}
    while place < len(night.readings):
        end_s = plant.age_s + STEP_S
        while place < len(night.readings) and night.readings[place][0] < end_s:
            read.append(bay.probe.ph)
            place += 1
        while opening < len(night.openings) and night.openings[opening][1] <= plant.age_s:
            opening += 1
        share["night"] = _share(night.openings[opening : opening + 3], plant.age_s, end_s)
        plant.step(STEP_S, share)
    return read


def _share(openings: Sequence[tuple[float, float]], from_s: float, to_s: float) -> float:
    """Of the step, how much the gas was open."""
    return sum(max(0.0, min(to_s, end) - max(from_s, begin)) for begin, end in openings) / (to_s - from_s)
