"""The sum of a campaign: what it found, by fault and in all, and whether it is red."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from statistics import median

from nightheron.model import JsonValue
from nightheron.rig.campaign import Outcome
from nightheron.rig.night_plan import HEALTHY, faults

FALSE_MOST = 1.0
"""False trips per 30 healthy nights."""
RIGHT_LEAST = 0.95
ACTS = (
    *("dies", "freezes", "keeper_dies", "new_journal", "mend"),
    *("service_on", "service_off", "release", "test", "changed", "bleed"),
)
WORST = 5
YEAR_S = 365.25 * 86400.0
OBEYED_S = 120.0
"""Gas ordered open below the floor, or passing against the order, for no longer: the guard could act."""


@dataclass(slots=True)
class OfFault:
    """What came of the nights that one fault had to itself."""

    nights: int = 0
    right: int = 0
    wrong: int = 0
    knowable: int = 0
    detected_s: list[float] = field(default_factory=list)
    """Seconds to the first name, where there was one."""
    depth_ph: float = 0.0
    at_best_ph: float = 0.0
    """Depth that physics allowed in the night of ``depth_ph``."""
    against_s: float = 0.0
    names: dict[str, int] = field(default_factory=dict)
    """How often each name came first."""

    def add(self, one: Outcome) -> None:
        """One night."""
        self.nights += 1
        self.knowable += one.knowable
        self.right += one.right is True
        self.wrong += one.right is False
        self.against_s = max(self.against_s, one.against_s)
        if one.named:
            name, at_s = min(one.named.items(), key=lambda pair: pair[1])
            self.names[name] = self.names.get(name, 0) + 1
            self.detected_s.append(at_s)
        if one.depth_ph > self.depth_ph:
            self.depth_ph = one.depth_ph
            self.at_best_ph = 0.0 if one.at_best_ph is None else one.floor_ph - one.at_best_ph

    def body(self) -> dict[str, JsonValue]:
        """As JSON values."""
        return {
            "nights": self.nights,
            "knowable": self.knowable,
            "right": self.right,
            "wrong": self.wrong,
            "detected_s": round(median(self.detected_s)) if self.detected_s else None,
            "slowest_s": round(max(self.detected_s)) if self.detected_s else None,
            "depth_ph": round(self.depth_ph, 3),
            "at_best_ph": round(self.at_best_ph, 3),
            "against_s": round(self.against_s),
            "first_names": dict(self.names),
        }


@dataclass(frozen=True, slots=True)
class OfReason:
    """How one reason did."""

    right: int
    """Nights whose fault it named first and rightly."""
    median_s: float | None
    slowest_s: float | None
    false: int
    false_per_year: float | None
    """Of one chamber, over the time without a fault that was watched."""


@dataclass(slots=True)
class Sum:
    """Add every night; ``body`` is the whole, ``red`` what is wrong with it."""

    nights: int = 0
    watched_s: float = 0.0
    opened_s: float = 0.0
    healthy: int = 0
    false: dict[str, int] = field(default_factory=dict)
    """False trips on healthy nights, by reason."""
    false_before: dict[str, int] = field(default_factory=dict)
    """The same before the first fault of other nights."""
    hazard_s: float = 0.0
    hazards: dict[str, float] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    """Nights in which the program itself broke."""
    right: int = 0
    wrong: int = 0
    unnamed: int = 0
    """Nights whose fault could be known and had no name yet when they ended."""
    below_s: float = 0.0
    below_open_s: float = 0.0
    against_s: float = 0.0
    deepest_ph: float = 0.0
    beyond_ph: list[float] = field(default_factory=list)
    """Of nights that went well below the floor though valve and probe obeyed: depth beyond the physics."""
    sound_s: float = 0.0
    """Seconds of healthy nights, and before the first fault of others: where any trip is false."""
    detected_s: dict[str, list[float]] = field(default_factory=dict)
    """By reason: seconds from the fault to the first name, where it was this one and a right one."""
    of_faults: dict[str, OfFault] = field(default_factory=dict)
    reached: set[str] = field(default_factory=set)
    worst: list[tuple[float, float, int, str]] = field(default_factory=list)

    def add(self, one: Outcome) -> None:
        """One night."""
        self.nights += 1
        self.watched_s += one.length_s
        self.opened_s += one.opened_s
        self.hazard_s += one.hazard_s
        for why, seconds in one.hazards.items():
            self.hazards[why] = self.hazards.get(why, 0.0) + seconds
        if one.fault:
            self.broken.append(f"seed {one.seed} night {one.night}: {one.fault}")
        self.healthy += one.case == HEALTHY
        self.sound_s += one.broken_s
        if one.right:
            name, at_s = min(one.named.items(), key=lambda pair: pair[1])
            self.detected_s.setdefault(name, []).append(at_s)
        false = self.false if one.case == HEALTHY else self.false_before
        for name in one.false:
            false[name] = false.get(name, 0) + 1
        self.right += one.right is True
        self.wrong += one.right is False
        self.unnamed += one.knowable and one.right is None
        self.below_s += one.below_s
        self.below_open_s += one.below_open_s
        self.against_s += one.against_s
        self.reached.update(one.reached)
        self._depth(one)
        if one.case in faults():
            self.of_faults.setdefault(one.case, OfFault()).add(one)
        self.worst.append((one.hazard_s, one.depth_ph, one.night, one.case))
        self.worst = sorted(self.worst, reverse=True)[:WORST]

    def _depth(self, one: Outcome) -> None:
        self.deepest_ph = max(self.deepest_ph, one.depth_ph)
        obeyed = one.below_open_s <= OBEYED_S and one.against_s <= OBEYED_S
        if obeyed and one.at_best_ph is not None:
            self.beyond_ph.append(max(0.0, one.at_best_ph - one.lowest_ph))

    @property
    def false_per_30(self) -> float | None:
        """False trips per 30 healthy nights."""
        return 30.0 * sum(self.false.values()) / self.healthy if self.healthy else None

    @property
    def right_share(self) -> float | None:
        """Of the nights whose fault could be known and was named."""
        named = self.right + self.wrong
        return self.right / named if named else None

    def by_reason(self) -> dict[str, OfReason]:
        """Each reason that named a fault right, or was raised when there was none."""
        years = self.sound_s / YEAR_S
        return {
            name: OfReason(
                len(times := self.detected_s.get(name, [])),
                median(times) if times else None,
                max(times, default=None),
                (false := self.false.get(name, 0) + self.false_before.get(name, 0)),
                false / years if years else None,
            )
            for name in sorted({*self.detected_s, *self.false, *self.false_before})
        }

    def dangers(self) -> list[str]:
        """Everything that a run must reach."""
        return [*faults(), *ACTS]

    def missed(self) -> list[str]:
        """What of it was never reached."""
        return [name for name in self.dangers() if name not in self.reached]

    def red(self) -> list[str]:
        """What is wrong, a sentence each; empty when the run is green."""
        found = []
        if self.hazard_s > 0.0:
            found.append(f"{self.hazard_s / 60:.2f} hazard minutes: {', '.join(self.hazards)}")
        found += [f"the program broke, {what}" for what in self.broken[:WORST]]
        if self.false_per_30 is not None and self.false_per_30 > FALSE_MOST:
            found.append(f"{self.false_per_30:.2f} false trips per 30 healthy nights, at most {FALSE_MOST:g}")
        if self.right_share is not None and self.right_share < RIGHT_LEAST:
            found.append(
                f"the cause was named right in {100 * self.right_share:.1f} %, at least "
                f"{100 * RIGHT_LEAST:g} %"
            )
        if self.missed():
            found.append(f"never reached: {', '.join(self.missed())}")
        return found

    def body(self) -> dict[str, JsonValue]:
        """The whole as JSON values."""
        beyond = sorted(self.beyond_ph)
        worst: Sequence[JsonValue] = [
            {"night": night, "case": case, "hazard_s": round(hazard_s, 2), "depth_ph": round(depth_ph, 3)}
            for hazard_s, depth_ph, night, case in self.worst
        ]
        share, false = self.right_share, self.false_per_30
        return {
            "nights": self.nights,
            "hours": round(self.watched_s / 3600.0, 1),
            "open_hours": round(self.opened_s / 3600.0, 1),
            "hazard_minutes": round(self.hazard_s / 60.0, 4),
            "hazards_s": {why: round(seconds, 2) for why, seconds in self.hazards.items()},
            "healthy_nights": self.healthy,
            "false_trips": dict(self.false),
            "false_trips_per_30": None if false is None else round(false, 3),
            "false_before_the_fault": dict(self.false_before),
            "named_right": self.right,
            "named_wrong": self.wrong,
            "not_yet_named": self.unnamed,
            "right_share": None if share is None else round(share, 4),
            "below_floor_minutes": round(self.below_s / 60.0, 1),
            "below_floor_open_minutes": round(self.below_open_s / 60.0, 1),
            "against_order_minutes": round(self.against_s / 60.0, 1),
            "deepest_ph": round(self.deepest_ph, 3),
            "beyond_physics_ph": {
                "nights": len(beyond),
                "median": round(median(beyond), 3) if beyond else None,
                "most": round(beyond[-1], 3) if beyond else None,
            },
            "sound_hours": round(self.sound_s / 3600.0, 1),
            "reasons": {name: asdict(one) for name, one in self.by_reason().items()},
            "never_reached": list(self.missed()),
            "worst_nights": list(worst),
            "faults": {name: one.body() for name, one in sorted(self.of_faults.items())},
            "red": list(self.red()),
        }
