"""What a fault did, measured: the words of the fault library, found from water and readings alone."""

from __future__ import annotations

import copy
import math
import operator
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from nightheron.model import Gas
from nightheron.rig import wrong
from nightheron.rig.faults import Fault
from nightheron.rig.plant import Plant
from nightheron.rig.standing import Faults
from nightheron.rig.thermostat import READING, Second, Thermostat, play

CHAMBER = "west"
HOURS = 5
LEVEL_PH = 0.05
"""A lowest or highest pH further than this from the healthy night's has a word."""
COMPARE: dict[str, Callable[[float, float], bool]] = {"<": operator.lt, ">": operator.gt}


@dataclass(slots=True)
class Played:
    """One fault played for HOURS, with what instruments showed once a minute."""

    seconds: list[Second]
    shown: list[dict[str, object]] = field(default_factory=list)

    @property
    def lowest(self) -> float:
        return min(one.ph for one in self.seconds)

    @property
    def highest(self) -> float:
        return max(one.ph for one in self.seconds)


class Bench:
    """A plant in its stride, gas open, to be copied for each fault."""

    def __init__(self, seed: int = 7) -> None:
        self._plant, self._thermostat = Plant(seed=seed), Thermostat()
        open_s = 0
        while self._plant.age_s < 3 * 3600 or open_s != 300:  # five minutes into an opening
            for seen in play(self._plant, 1, {CHAMBER: self._thermostat}):
                open_s = open_s + 1 if seen[CHAMBER].ordered is Gas.OPEN else 0
        self.healthy = self.play(None)

    def play(self, fault: Fault | None) -> Played:
        """The hours after the fault is put in."""
        plant, thermostat = copy.deepcopy((self._plant, self._thermostat))
        faults = Faults(plant)
        if fault is not None:
            faults.put(fault, CHAMBER)
        played = Played([])
        for number, seen in enumerate(play(plant, HOURS * 3600, {CHAMBER: thermostat}, faults)):
            played.seconds.append(seen[CHAMBER])
            if number % 60 == 59:
                played.shown.append(_instruments(plant))
        return played

    def water_words(self, played: Played) -> set[str]:
        """Words for the water against the healthy night; none is "usual"."""
        words = set()
        if played.lowest < self.healthy.lowest - LEVEL_PH:
            words.add("lower")
        if played.highest > self.healthy.highest + LEVEL_PH:
            words.add("higher")
        for gas, verb in ((Gas.OPEN, "falls"), (Gas.CLOSED, "rises")):
            rate, usual = _rate(played.seconds, gas), _rate(self.healthy.seconds, gas)
            if rate is not None and usual is not None and rate > 1.25 * usual:
                words.add(f"{verb} faster")
            elif rate is not None and usual is not None and rate < 0.75 * usual:
                words.add(f"{verb} slower")
        return words


def _rate(seconds: Sequence[Second], gas: Gas) -> float | None:
    """How fast pH goes the way that ``gas`` takes it, over the last whole phase, or a long unfinished one."""
    turns = [0, *(n for n, (a, b) in enumerate(pairwise(seconds), 1) if a.ordered is not b.ordered)]
    spans = list(pairwise([*turns, len(seconds) - 1]))
    whole = [span for span in spans[1:-1] if seconds[span[0]].ordered is gas and span[1] - span[0] > 60]
    last = spans[-1]
    if seconds[last[0]].ordered is gas and last[1] - last[0] > 2400:
        whole.append(last)
    if not whole:
        return None
    begin, end = whole[-1]
    moved = (seconds[end].ph - seconds[begin].ph) / (end - begin)
    return -moved if gas is Gas.OPEN else moved


def probe_words(played: Played) -> set[str]:
    """Words for what the probe showed against a healthy one in the same water; none is "true"."""
    lines = [one.says for one in played.seconds]
    heard = [line for line in lines if line is not None]
    words = set()
    if _longest_gap(lines) > 3600:
        words.add("silent")
    elif len(heard) < len(lines):
        words.add("gaps")
    felt = _felt([one.ph for one in played.seconds])
    both = [
        (float(line), ph) for line, ph in zip(lines, felt, strict=True) if line and READING.fullmatch(line)
    ]
    if len(both) < 0.98 * len(heard):
        words.add("garbled")
    both = both[len(both) // 5 :]
    if len(both) < 1000:
        return words
    readings, truth = [pair[0] for pair in both], [pair[1] for pair in both]
    if len(set(readings)) == 1:
        return words | {"frozen"}
    steps = [abs(b - a) for a, b in pairwise(readings)]
    if 1.4826 * statistics.median(steps) > 0.03:
        words.add("noisy")
    if sum(step > 0.5 for step in steps) > 10:
        words.add("spikes")
    return words | _following(readings, truth)


def _felt(truth: list[float]) -> list[float]:
    """What a healthy probe feels: the water with a lag of 20 s."""
    felt, now = [], truth[0]
    for ph in truth:
        now += (ph - now) * -math.expm1(-1.0 / wrong.Probe().lag_s)
        felt.append(now)
    return felt


def _following(readings: list[float], truth: list[float]) -> set[str]:
    """Whether readings follow the water, late, off, or not at all; by the minute."""
    minutes = range(0, len(truth) - 60, 60)
    water = [statistics.median(truth[n : n + 60]) for n in minutes]
    shown = [statistics.median(readings[n : n + 60]) for n in minutes]
    off = [reading - true for reading, true in zip(shown, water, strict=True)]
    if max(map(abs, off)) < 0.035:
        return set()
    ahead = [a - b for a, b in pairwise(water)]
    if _related(off[1:], ahead) > 0.45 and min(off) < 0.0 < max(off):
        return {"late"}
    if abs(statistics.median(off)) > 0.15 and _related(shown, water) < 0.5:
        return {"elsewhere"}
    return {"high"} if max(off) > -min(off) else {"low"}


def _related(one: list[float], other: list[float]) -> float:
    """Correlation, 0 where one of them never moves."""
    return statistics.correlation(one, other) if len(set(one)) > 1 < len(set(other)) else 0.0


def _longest_gap(lines: Sequence[str | None]) -> int:
    longest = now = 0
    for line in lines:
        now = 0 if line is not None else now + 1
        longest = max(longest, now)
    return longest


def _instruments(plant: Plant) -> dict[str, object]:
    seen = plant.signals(CHAMBER)
    feedback, tank_says = plant.bays[CHAMBER].valve.feedback, plant.tank_says()
    return {name: getattr(seen, name) for name in seen.__slots__} | {
        "feedback": feedback.value if feedback is not None else None,
        "ordered": plant.bays[CHAMBER].valve.ordered.value,
        "tank_ph": plant.tank.ph,
        "tank_reading": float(tank_says) if tank_says is not None else None,
        "tank_alkalinity_dkh": plant.tank.water.ta
        * plant.tank.kg
        / plant.tank.build.water_l
        * 1e3
        / 0.356652,
    }


def shows(played: Played, said: str) -> bool:
    """Whether an instrument showed, at some minute of the last hour, what the fault's ``shows`` says."""
    name, sign, wanted = said.split()
    values = [shown[name] for shown in played.shown[-60:]]
    if sign == "=":
        plain = {"none": None, "true": True, "false": False}.get(wanted, wanted)
        return all(value == plain for value in values)
    return any(isinstance(value, float) and COMPARE[sign](value, float(wanted)) for value in values)
