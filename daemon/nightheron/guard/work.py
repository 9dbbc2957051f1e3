"""What hands can have changed on a chamber: one row a kind of work.

A row says how the work is called, whether the chamber is out of use afterwards, what the guard must
forget because it was learned before, and the page a person reads beside the work: the cautions first,
then what to look at before the gas comes back. Whatever was changed, a trial opening follows.
The words are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nightheron.guard.learned import FEATURES, OF_GAS, OF_WATER, figures, forget
from nightheron.guard.state import ChamberState, Phase
from nightheron.guard.streams import Stream
from nightheron.model import Reason, Work

Forget = Callable[[ChamberState], None]


def forget_answers(s: ChamberState) -> None:
    """Hands were at work: what the water answered counts no longer, and the next opening is a trial."""
    s.objections.pop(Reason.PLANNED_REST, None)  # the trial that follows asks the question anew
    s.proof.demand_trial(fresh=True)
    s.proof.doubted = s.phase is Phase.OPEN
    s.proof.set_out_anew()
    s.proof.lowest_ph = None
    s.tally.untold = 0


def forget_probe(s: ChamberState) -> None:
    """Another probe has its own digit and noise, and stands still in its own way."""
    for track in s.probes:
        track.forget()
    s.proof.wander.forget()


def _forget(s: ChamberState, names: tuple[str, ...]) -> None:
    s.watch.doubt("hands were at work")
    if s.learned.cycles:
        s.learned, s.forgot = forget(s.learned, names), True
        s.known = figures(s.learned)


def forget_gas(s: ChamberState) -> None:
    """Other gas: the fall with it and all times that hang on it are others."""
    s.surges_ns = []
    _forget(s, OF_GAS)


def forget_water(s: ChamberState) -> None:
    """Other media, feed or pump: the water answers in another way, with gas and without."""
    _forget(s, OF_WATER)


def forget_all(s: ChamberState) -> None:
    """Another probe sees the same water in another way: all that was learned through the old one goes."""
    _forget(s, FEATURES)


def forget_usual(*streams: Stream) -> Forget:
    """What was usual of these streams is learned anew; of all where none is named."""
    return lambda s: s.drift.forget(len(s.probes), *streams)


_FALL, _RISE, _SHARE, _ANSWER = Stream.FALL, Stream.RISE, Stream.SHARE, Stream.ANSWER
_WATER = forget_usual(_FALL, _RISE, _SHARE, _ANSWER)
_PROBE = forget_usual(_FALL, _RISE, _SHARE, _ANSWER, Stream.NOISE, Stream.STEP, Stream.TWINS)


@dataclass(frozen=True, slots=True)
class Job:
    """One kind of work."""

    title: str
    done: str
    """What was done, for the record."""
    forgets: tuple[Forget, ...]
    forgot: str
    """What was learned before and counts no longer, for people."""
    cautions: tuple[str, ...]
    """Before and while the hands are at it."""
    looks: tuple[str, ...]
    """What to look at before the hold is ended."""
    holds: bool = False
    """The chamber is out of use: held shut until a person ends that."""


_GAS = (
    "CO2 is gas under pressure and displaces air. Air the room; if the CO2 alarm sounds, or you have a "
    "headache or short breath: out first, then help."
)
_HAND_VALVE = "Shut the hand valve at the cylinder before a fitting is loosened."
_MAINS = "Unplug what runs on mains before hands go into water; a drip loop when it is plugged in again."
_ANSWERS = "how the water answered the gas"

WORKS: dict[Work, Job] = {
    Work.NEEDLE: Job(
        title="the needle valve was set",
        done="needle valve set",
        forgets=(forget_answers, forget_gas, forget_usual(_FALL, _SHARE)),
        forgot=f"{_ANSWERS}, and how fast it falls with gas",
        cautions=(
            _GAS,
            "Turn it a little at a time, and never by force: a needle that is screwed home scores its seat.",
        ),
        looks=(
            "Count the bubbles over a whole minute, and again after ten: a needle creeps after it was set.",
            "A rate well above the old one takes pH down faster: look at nightheron check for how long the "
            "water gives.",
        ),
    ),
    Work.CYLINDER: Job(
        title="another cylinder, or the same one refilled",
        done="cylinder changed",
        forgets=(forget_answers, forget_gas, forget_usual(_FALL, _SHARE)),
        forgot=f"{_ANSWERS}, and how fast it falls with gas",
        cautions=(
            _GAS,
            "Shut the cylinder's valve, let the regulator blow off, then undo it; never under pressure.",
            "Fasten the new cylinder upright before its cap comes off; stand beside the outlet.",
            "Use a new washer, and no oil, grease or tape on the cylinder's thread.",
        ),
        looks=(
            "Regulator backed off before the cylinder is opened; open it slowly.",
            "Leak spray or soap water on every joint that was undone.",
            "Working pressure as before, then the bubbles: a regulator gives more after a change than it did "
            "at the end of the old cylinder.",
        ),
    ),
    Work.MEDIA: Job(
        title="media added or changed",
        done="media changed",
        forgets=(forget_answers, forget_water, _WATER),
        forgot=f"{_ANSWERS}, and how fast it falls and rises",
        cautions=(
            _GAS,
            _HAND_VALVE,
            _MAINS,
            "The vessel may stand under pressure, and its water is acid: open the vent first, and keep it "
            "off eyes and floor.",
        ),
        looks=(
            "Media rinsed until the water is clear; fines pack and clog.",
            "Lid and seal clean and dry outside; vent off the gas that stands under the lid.",
            "Circulation and effluent running for some minutes before the hold is ended: new media takes pH "
            "up at once.",
            "A trapped gas pocket dissolves as soon as water moves: pH may dip without any gas.",
        ),
    ),
    Work.PROBE: Job(
        title="the probe was changed, cleaned or calibrated",
        done="probe changed or cleaned",
        forgets=(forget_answers, forget_probe, forget_all, _PROBE),
        forgot=f"{_ANSWERS}, the old probe's digit, noise and standstill, and all learned of its cycles",
        cautions=(
            _HAND_VALVE,
            "Glass: no paper, no fingers on the bulb; rinse it, dab it, never let it dry.",
            "Cleaning acid and buffers: gloves and goggles; never acid and chlorine bleach together.",
        ),
        looks=(
            "Read two buffers before it goes back (nightheron listen shows what it says).",
            "Probe back in the chamber and not in its cup, bulb under water, plug dry.",
            "A reading that moves: a cup of buffer stands still, and looks like good water.",
        ),
    ),
    Work.FEED: Job(
        title="the feed to the chamber or its effluent was set",
        done="feed or effluent set",
        forgets=(forget_answers, forget_water, forget_usual(_FALL, _RISE, _SHARE, Stream.TANK)),
        forgot=f"{_ANSWERS}, and how fast it falls and rises",
        cautions=(
            _MAINS,
            "A feed that stops with gas on takes pH down slowly; one that was opened takes acid water to the "
            "tank faster.",
        ),
        looks=(
            "Measure the effluent: millilitres in one minute, twice.",
            "Lines without kinks, and the tank's outlet where it is seen.",
            "Test the effluent's alkalinity after a few hours, not at once.",
        ),
    ),
    Work.PUMP: Job(
        title="the circulation pump was changed or cleaned",
        done="pump changed or cleaned",
        forgets=(forget_answers, forget_water, _WATER),
        forgot=f"{_ANSWERS}, and how fast it falls and rises",
        cautions=(
            _HAND_VALVE,
            _MAINS,
            "The vessel may stand under pressure: open the vent before a hose comes off.",
        ),
        looks=(
            "No drip at the unions after ten minutes of running.",
            "Air out of the pump, and the water in the vessel seen to turn.",
            "A gas pocket that stood over still water dissolves at once: pH may dip without any gas.",
        ),
    ),
    Work.LAY_UP: Job(
        title="the chamber goes out of use",
        done="laid up, out of use",
        forgets=(forget_answers, forget_all, forget_usual()),
        forgot=f"{_ANSWERS}, and all that was learned of its cycles",
        cautions=(
            _GAS,
            "Shut the hand valve at the cylinder, let the line run empty, unplug valve and pump.",
            "Standing water turns foul within days: drain and rinse the vessel, or keep it circulating.",
        ),
        looks=(
            "Probe in storage solution, never dry and never in distilled water.",
            "Cylinder shut and fastened, or taken out of the room.",
        ),
        holds=True,
    ),
}
