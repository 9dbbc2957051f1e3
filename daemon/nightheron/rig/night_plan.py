"""What happens in one night of the campaign, dealt by chance: faults, hands, deaths and repairs.

Cases are dealt like a pack of cards: each pack holds every fault of the library once, every combination once
more, pairs of faults by chance, and healthy nights; so a run as long as one pack reaches them all.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from nightheron.model import Act, Work
from nightheron.rig.faults import Fault, library
from nightheron.rig.nights import CHAMBER
from nightheron.rig.played import Played

HEALTHY, PAIR = "healthy", "two at once"
HEALTHY_A_PACK, PAIRS_A_PACK = 45, 25
POOL = 12
"""Chambers that have lived for more than a day before the night, shared by the nights of one seed."""
LEAST_S, MOST_S = 3 * 3600.0, 5.5 * 3600.0
NO_BUDGET, IN_SERVICE = "probe_high_without_budget", "cup_at_the_end_of_service"


@dataclass(frozen=True, slots=True)
class Happening:
    """Something happens ``at_s`` seconds into the night."""

    at_s: float
    do: str
    """put, mend, act, dies, freezes, keeper_dies, new_journal."""
    name: str = ""
    """Of the fault that is put in; empty for mend: all."""
    act: Act | None = None
    for_s: float = 0.0
    work: Work | None = None

    def done_to(self, played: Played) -> None:
        """Let it happen."""
        match self.do:
            case "put":
                played.faults.put(faults()[self.name], CHAMBER)
            case "mend":
                played.faults.mend()
            case "act" if self.act is not None:
                played.acts(self.act, why="the campaign", for_s=self.for_s or None, work=self.work)
            case "dies":
                played.dies(self.for_s)
            case "freezes":
                played.freezes(self.for_s)
            case "keeper_dies":
                played.keeper(alive=False)
                played.lives(self.for_s)
                played.keeper(alive=True)
            case _:
                played.loses_journal()


@dataclass(frozen=True, slots=True)
class NightPlan:
    """One night, as seed and number fix it."""

    seed: int
    night: int
    case: str
    pool: int | None
    """Which chamber of the pool lives it; None: a new one, from its first start on."""
    length_s: float
    faults: tuple[str, ...]
    broken_s: float
    """When the first fault is put in; ``length_s`` on a healthy night."""
    happenings: tuple[Happening, ...]

    @property
    def chamber(self) -> str:
        """The number of the chamber that is dealt for it."""
        return f"{self.seed}/{self.night}" if self.pool is None else pool_number(self.seed, self.pool)


@cache
def faults() -> dict[str, Fault]:
    """The library that comes with the program."""
    return library()


def pool_number(seed: int, place: int) -> str:
    """The number of a chamber of the pool."""
    return f"{seed}/pool/{place}"


def pack() -> list[str]:
    """Every case of one pack, in order."""
    known = faults()
    combined = [name for name, fault in known.items() if fault.breaks == "several"]
    return [*known, *combined, *[HEALTHY] * HEALTHY_A_PACK, *[PAIR] * PAIRS_A_PACK]


def plan(seed: int, night: int, *, pool: int = POOL) -> NightPlan:
    """The night of that number; ``pool`` 0 is for new chambers only."""
    cases = pack()
    shuffled = random.Random(f"{seed}/pack/{night // len(cases)}")  # noqa: S311 - repeatable, no secret
    shuffled.shuffle(cases)
    dice, case = random.Random(f"{seed}/night/{night}"), cases[night % len(cases)]  # noqa: S311 - likewise
    warm = pool > 0 and case != NO_BUDGET and dice.random() < 0.6
    place = dice.randrange(pool) if warm else None
    length_s = round(dice.uniform(LEAST_S, MOST_S))
    names = _names(dice, case)
    if not names:
        happenings = _person(dice, 1800.0, length_s) if dice.random() < 0.2 else []
        return NightPlan(seed, night, case, place, length_s, (), length_s, tuple(happenings))
    broken_s = round(dice.uniform(60.0, 3600.0)) if warm else round(dice.uniform(900.0, 5400.0))
    happenings = _broken(dice, case, names, broken_s) + _extra(dice, length_s)
    if dice.random() < 0.3:
        mended_s = round(dice.uniform(broken_s + 600.0, length_s))
        happenings.append(Happening(mended_s, "mend"))
        if dice.random() < 0.7:
            happenings.append(Happening(mended_s + round(dice.uniform(60.0, 1800.0)), "act", act=Act.RELEASE))
    happenings.sort(key=lambda one: one.at_s)
    return NightPlan(seed, night, case, place, length_s, names, broken_s, tuple(happenings))


def _names(dice: random.Random, case: str) -> tuple[str, ...]:
    if case == HEALTHY:
        return ()
    return tuple(sorted(dice.sample(sorted(faults()), 2))) if case == PAIR else (case,)


def _broken(dice: random.Random, case: str, names: Sequence[str], at_s: float) -> list[Happening]:
    if case == IN_SERVICE:
        return [
            Happening(at_s, "act", act=Act.SERVICE_ON, for_s=1200.0),
            Happening(at_s + 300.0, "put", names[0]),
            Happening(at_s + 1200.0, "act", act=Act.SERVICE_OFF),
        ]
    return [
        Happening(at_s + (round(dice.uniform(0.0, 1800.0)) if place else 0.0), "put", name)
        for place, name in enumerate(names)
    ]


def _extra(dice: random.Random, length_s: float) -> list[Happening]:
    """Now and then somebody or something else has a hand in it."""
    at_s = round(dice.uniform(600.0, length_s - 1800.0))
    made: dict[str, list[Happening]] = {
        "person": _person(dice, at_s, length_s),
        "test": [Happening(at_s, "act", act=Act.TEST)],
        "release": [Happening(at_s, "act", act=Act.RELEASE)],
        "changed": [Happening(at_s, "act", act=Act.CHANGED, work=dice.choice(list(Work)))],
        "bleed": [
            Happening(at_s, "act", act=Act.SERVICE_ON),
            Happening(at_s + 300.0, "act", act=Act.BLEED, for_s=60.0),
            Happening(at_s + 900.0, "act", act=Act.SERVICE_OFF),
        ],
        "dies": [Happening(at_s, "dies", for_s=round(dice.uniform(1.0, 600.0)))],
        "freezes": [Happening(at_s, "freezes", for_s=round(dice.uniform(0.5, 40.0), 1))],
        "keeper": [Happening(at_s, "keeper_dies", for_s=dice.choice((1.0, 5.0, 120.0)))],
        "journal": [
            Happening(at_s, "new_journal"),
            Happening(at_s + 1200.0, "act", act=Act.RELEASE),
        ],
    }
    return made[dice.choice(sorted(made))] if dice.random() < 0.35 else []


def _person(dice: random.Random, at_s: float, length_s: float) -> list[Happening]:
    """A hold, with a reminder, ended by the person or not at all in this night."""
    ends_s = at_s + round(dice.uniform(120.0, 5400.0))
    hold = [Happening(at_s, "act", act=Act.SERVICE_ON, for_s=600.0)]
    return [*hold, Happening(ends_s, "act", act=Act.SERVICE_OFF)] if ends_s < length_s else hold
