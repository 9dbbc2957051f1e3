"""One opening with its closing, as numbers, and what a chamber has learned from its own. Frozen values."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.vocabulary import Verdict


@dataclass(frozen=True, slots=True)
class Cycle:
    """Gas on, then off, as the water showed it. pH on the NBS scale; None where it could not be told."""

    opened_s: float
    """How long gas was ordered open."""
    closed_s: float
    """How long it was then shut, up to the next opening or to the longest that a cycle is watched."""
    dead_s: float | None = None
    """From the order to open to the first fall of three noises: the answer."""
    fall_ph_per_min: float | None = None
    """How fast it then fell, over at most the first quarter of an hour; positive is falling."""
    tail_s: float | None = None
    """From the order to shut to the lowest level; only where it was seen to turn."""
    t90_s: float | None = None
    """From the order to open to nine tenths of the fall; only where the fall came to rest."""
    proved_s: float | None = None
    """From the order to shut to the rise that proved it."""
    rise_ph_per_min: float | None = None
    """How fast it then rose, over at most the first quarter of an hour; positive is rising."""
    lowest_ph: float | None = None
    highest_ph: float | None = None
    noise_ph: float | None = None
    """Of the noisiest probe that decides, as it is; may be less than the digit."""
    digit_ph: float | None = None
    """The coarsest digit among these."""
    verdict: Verdict | None = None
    """What the water said about the closing."""
    doubtful: str = ""
    """Why nothing is learned from it; empty when it may be."""

    @property
    def answered(self) -> bool:
        """The water was seen to answer the gas."""
        return self.dead_s is not None

    @property
    def proved(self) -> bool:
        """The water was seen to turn with the gas shut."""
        return self.verdict is Verdict.PROVED


@dataclass(frozen=True, slots=True)
class Learned:
    """What one chamber showed of itself lately: of each figure the newest values, newest last."""

    cycles: int = 0
    """How many it was learned from since something was last forgotten."""
    learned_s: float = 0.0
    """How much running time these took."""
    under: tuple[float, ...] = ()
    """The limits it was learned under; under others it says nothing."""
    opened_s: tuple[float, ...] = ()
    closed_s: tuple[float, ...] = ()
    dead_s: tuple[float, ...] = ()
    fall_ph_per_min: tuple[float, ...] = ()
    tail_s: tuple[float, ...] = ()
    t90_s: tuple[float, ...] = ()
    proved_s: tuple[float, ...] = ()
    rise_ph_per_min: tuple[float, ...] = ()
    lowest_ph: tuple[float, ...] = ()
    highest_ph: tuple[float, ...] = ()
    noise_ph: tuple[float, ...] = ()
