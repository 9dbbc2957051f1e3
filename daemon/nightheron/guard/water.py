"""One more level of the water, taken to all that watches it: proofs, turns, cycles, rates, standstill."""

from __future__ import annotations

from nightheron.guard import vote
from nightheron.guard.learned import lag_s
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.proof import ANSWER_NOISES
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import NS

SURGES_KEPT = 3
UNSEEN_MOST_NS = 900 * NS
"""After a silence of the probe of so long nobody knows whether the water stood still."""
RISE_TIMES = 2.0
"""So many times faster than what may be a surge: in this time no water rises so far."""


def see(s: ChamberState, limits: ChamberLimits, *, anew: bool) -> None:
    """The level after a reading of chamber pH; ``anew``: other probes decide now, or one jumped."""
    if s.now_ns - s.still_seen_ns > UNSEEN_MOST_NS:
        s.still_ns = None
    s.still_seen_ns = s.now_ns
    level_ph, noise_ph = vote.level(s, s.heard)
    if anew:
        _set_out_anew(s)
        return
    if level_ph is None:
        return
    closed_s = (s.now_ns - s.closed_ns) / NS
    if s.phase is Phase.OPEN:
        s.proof.see_open(level_ph, noise_ph)
        if s.proof.answered:
            s.turn.confirm()
    elif s.phase is Phase.CLOSED:
        if s.turn.flows:
            s.proof.give_up()  # with one valve open, a fall is that turn's to tell
        if not (s.service and s.proof.turned()):  # hands move the probe once the gas was seen to stop
            s.proof.see_closed(level_ph, noise_ph, closed_s, lag_s(s.known, limits))
        s.turn.see(level_ph, noise_ph)
    s.proof.wander.see(s.now_ns, level_ph, noise_ph)
    s.watch.see(s.now_ns, level_ph, noise_ph, max([s.probes[i].noise_ph for i in s.heard]))
    _rate(s, limits, level_ph, noise_ph)
    _standstill(s, limits, level_ph, noise_ph)


def _set_out_anew(s: ChamberState) -> None:
    s.proof.set_out_anew()
    s.turn.set_out_anew()
    s.rate.set_out_anew()
    s.watch.doubt("the reading jumped, or other probes decide now")


def _rate(s: ChamberState, limits: ChamberLimits, level_ph: float, noise_ph: float) -> None:
    """A fall far beyond what gas does here is a surge; a rise beyond what water can do is a moved probe."""
    falls = s.rate.see(s.now_ns, level_ph, noise_ph)
    if falls is None:
        return
    usual = s.known.fall_ph_per_min
    if s.phase is Phase.OPEN:
        if usual is not None and falls >= max(usual, limits.surge_ph_per_min):
            s.surging_ph_per_min = falls
            s.surges_ns = [*s.surges_ns[1 - SURGES_KEPT :], s.now_ns]
            s.watch.doubt("a surge")
    elif s.phase is Phase.CLOSED and -falls >= RISE_TIMES * limits.surge_ph_per_min:
        if s.proof.turned():
            s.tally.take_back()
        s.proof.rises_too_fast()
        s.watch.doubt("pH rose as no water does")


def _standstill(s: ChamberState, limits: ChamberLimits, level_ph: float, noise_ph: float) -> None:
    """Since when pH has not risen though gas is shut and it is below resume."""
    if s.phase is not Phase.CLOSED or level_ph >= limits.resume_ph:
        s.still_ns = None
    elif s.still_ns is None or level_ph - s.still_ph >= ANSWER_NOISES * noise_ph:
        s.still_ns, s.still_ph = s.now_ns, level_ph
    else:
        s.still_ph = min(s.still_ph, level_ph)
