"""A simulated pH probe: what it reads, and what becomes of the reading on its way."""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass

from nightheron.rig import wrong

HUM_PERIOD_S = 7.3
"""Mains sampled once a second shows as a slow beat; its period is that of chance."""
AIR_STEP_PH = 0.01
"""How far a probe in air wanders in a second."""
AIR_PH, AIR_S = 8.0, 600.0
"""The film on its glass loses its CO2 and so goes to this, in about this time; assumed."""
BEHIND_MOST = 4000
GARBAGE = ("?", "6.", "-", "6.7.4", "pH", "65535", "nan", "\x00\x7f")


@dataclass(frozen=True, slots=True)
class Said:
    """One line of a probe, and the stamp its own clock gives it."""

    text: str
    taken_s: float
    """Seconds since the plant's start, by the device's own clock."""


class Probe:
    """One probe. ``step`` lets it follow the water; ``says`` is for each reading that it would send."""

    def __init__(self, ph: float, seed: int | str, decimals: int = 2) -> None:
        self.bad = wrong.Probe()
        self.decimals = decimals
        self.ph = ph
        """What the glass feels: the water's pH (NBS scale) after its lag."""
        self._dice = random.Random(seed)  # noqa: S311 - noise, no secret
        self.age_s = self._drift_ph = 0.0
        self._frozen_at = ""
        self._gas_on = False
        self._waiting: deque[tuple[float, Said]] = deque(maxlen=BEHIND_MOST)

    def reseed(self, seed: int | str) -> None:
        """Other dice from now on."""
        self._dice = random.Random(seed)  # noqa: S311 - noise, no secret

    def step(self, dt_s: float, water_ph: float, *, gas_on: bool) -> None:
        """``dt_s`` seconds in water of ``water_ph``."""
        bad = self.bad
        self.age_s += dt_s
        self._gas_on = gas_on
        self._drift_ph += bad.drift_ph_per_day * dt_s / 86400.0
        if bad.in_air:
            self.ph += self._dice.gauss(0.0, AIR_STEP_PH) * math.sqrt(dt_s)
            self.ph += (AIR_PH - self.ph) * -math.expm1(-dt_s / AIR_S)
            return
        around_ph = bad.stands_in_ph or water_ph
        self.ph += (around_ph - self.ph) * -math.expm1(-dt_s / bad.lag_s)

    def value(self) -> float:
        """The reading before resolution and transport; rolls the dice of the noise."""
        bad = self.bad
        reading = 7.0 + (self.ph - 7.0) * bad.slope + bad.offset_ph + self._drift_ph
        reading += self._dice.gauss(0.0, bad.noise_ph)
        if bad.hum_ph:
            reading += bad.hum_ph * math.sin(2.0 * math.pi * self.age_s / HUM_PERIOD_S)
        if bad.gas_step_ph and self._gas_on:
            reading += bad.gas_step_ph
        if bad.spikes and self._dice.random() < bad.spikes:
            reading += bad.spike_ph * self._dice.choice((-1.0, 1.0))
        return reading

    def says(self) -> Said | None:
        """The line it sends now, without its end; None when nothing arrives."""
        bad = self.bad
        if bad.silent:
            return None
        text = f"{min(14.0, max(0.0, self.value())):.{self.decimals}f}"
        if bad.frozen:
            text = self._frozen_at = self._frozen_at or text
        else:
            self._frozen_at = ""
        if bad.lost and self._dice.random() < bad.lost:
            return None
        if bad.garbled and self._dice.random() < bad.garbled:
            text = self._dice.choice(GARBAGE)
        said = Said(text, self.age_s + bad.clock_s)
        return self._late(said) if bad.behind_s or self._waiting else said

    def _late(self, said: Said) -> Said | None:
        """First in, first out, ``behind_s`` late; when nothing is late any more, the newest alone."""
        if not self.bad.behind_s:
            self._waiting.clear()
            return said
        self._waiting.append((self.age_s + self.bad.behind_s, said))
        return self._waiting.popleft()[1] if self._waiting[0][0] <= self.age_s else None

    def mend(self) -> None:
        """As new, calibrated, clean and back in the water."""
        self.bad = wrong.Probe()
        self._drift_ph = 0.0
