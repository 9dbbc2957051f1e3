"""One fault at one configured chamber, with the guard's own core in charge and without any guard.

Without a guard a plain thermostat holds the chamber: it shuts gas below the same floor, opens it above the
same resume, keeps its last order when its probe is silent, and its valve has no timer. That is how chambers
are commonly held, and a fairer match than gas that is simply open. Everything begins with a healthy chamber,
just as gas opens, when most faults do most. Nobody comes unless woken.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field

from nightheron.model import NS, Act, AlarmClass, Effect, Event, Gas, Raise, State
from nightheron.rig.devices import Device
from nightheron.rig.faults import Fault
from nightheron.rig.harm import Harm
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.played import Played
from nightheron.rig.stand_in import Stand, plant_of
from nightheron.rig.standing import Faults
from nightheron.rig.thermostat import Thermostat, play

HEALTHY_S = 2700
OPENS_WITHIN_S = 3 * 3600
INTO_OPENING_S = 30
BEAT_MISSED_S = 900.0
"""Until somebody is told that a heartbeat stays out; assumed."""
IN_SERVICE, HANDS_S = "during nightheron service on", 300.0
"""What the hands of a fault say where it comes while somebody works, and how long each half of that takes."""
OVER_AFTER_S = 3600.0
"""So long after the last change, gas that is latched shut and does not flow ends a play."""


@dataclass(frozen=True, slots=True)
class Score:
    """What became of one fault. Seconds are counted from the fault on; pH on the NBS scale."""

    harm_s: float
    kinds_s: dict[str, float]
    """Seconds of each kind of harm."""
    lowest_ph: float
    tank_lowest_ph: float
    vessel_most_bar: float
    room_most_ppm: float
    open_s: float
    told: str | None = None
    """The reason that somebody was first told of, and how: None, or reason."""
    told_class: str | None = None
    told_after_s: float | None = None
    answered_after_s: float | None = None
    """When somebody shut the cylinder by hand."""
    state: str | None = None
    """The guard's, at the end."""


@dataclass(slots=True)
class Ear:
    """A watcher that hears what people are told, and nothing else."""

    since_ns: int
    wake_ns: int | None = None
    first: tuple[Raise, int] | None = None
    pushes_fail: bool = False
    seen: list[str] = field(default_factory=list)

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation."""
        for effect in effects:
            if not isinstance(effect, Raise):
                continue
            self.first = self.first or (effect, event.at_ns)
            if effect.kind is AlarmClass.WAKE and self.wake_ns is None and not self.pushes_fail:
                self.wake_ns = event.at_ns

    def water(self, now_ns: int, bay: Bay) -> None:
        """Water is silent."""

    def died(self, now_ns: int) -> None:
        """So is a dead guard."""


class NeverOpens(Exception):  # noqa: N818 - it says what is wrong
    """The healthy chamber's gas stays shut, so nothing can be rehearsed; the text says what stands."""


def ready(stand: Stand) -> Played:
    """A healthy chamber that has lived for three quarters of an hour, gas just open."""
    plant = plant_of(stand)
    guard = Played(
        stand.limits,
        plant,
        chamber=stand.limits.name,
        stamped=stand.stamped,
        hears_strangers=stand.hears_strangers,
    ).begin()
    guard.lives(HEALTHY_S)
    _until(guard, Gas.CLOSED)
    if not _until(guard, Gas.OPEN):
        reasons = guard.core.decision.reasons if guard.core is not None else ()
        raise NeverOpens(", ".join(reasons) or "nothing opens it")
    guard.lives(INTO_OPENING_S)
    return guard


def _until(guard: Played, gas: Gas) -> bool:
    for _ in range(0, OPENS_WITHIN_S, 5):
        if guard.gas is gas:
            return True
        guard.lives(5)
    return guard.gas is gas


def guarded(
    healthy: Played, stand: Stand, fault: Fault | None, hours: float, answer_s: float | None
) -> Score:
    """The fault with the guard in charge; ``healthy`` stays as it is. None: nothing breaks.

    ``answer_s``: how long after a wake somebody shuts the cylinder by hand; None: nobody ever does.
    """
    guard = copy.deepcopy(healthy)
    harm, ear = Harm(stand.harm), Ear(guard.now_ns)
    guard.watchers = [ear]
    if fault is not None:
        _put(guard, fault)
    from_ms, lost_ms, shut_ms = guard.now_ms, 0, 0
    end_ms, quiet_ms = from_ms + round(hours * 3.6e6), from_ms + 1000 * _last_change_s(fault)
    while guard.now_ms < end_ms:
        before_ms, plant, bay = guard.now_ms, guard.plant, guard.bay
        ear.pushes_fail = plant.guard.pushes_fail
        _limited(stand, bay)
        if plant.guard.host_lost and not lost_ms:
            lost_ms, guard.core, guard.link.until_ms = before_ms, None, 0
        guard.lives(1.0)
        harm.look((guard.now_ms - before_ms) / 1000, plant, bay)
        if lost_ms and stand.host_gone_s is not None and guard.now_ms - lost_ms >= 1000 * stand.host_gone_s:
            bay.valve.order("CLOSE")
        if not shut_ms and _answered(stand, ear, lost_ms, guard.now_ms, answer_s):
            shut_ms = guard.now_ms
        if shut_ms:
            bay.gas.cylinder = bay.gas.fitting_ml_min = 0.0
        if guard.now_ms - quiet_ms > 1000 * OVER_AFTER_S and _over(guard, harm, shut=bool(shut_ms)):
            break
    return _score(harm, guard, ear, from_ms, shut_ms)


def _put(guard: Played, fault: Fault) -> None:
    """Put it in; where hands must have been at work for it, during a hold that then ends."""
    in_service = IN_SERVICE in fault.hands
    if in_service:
        guard.acts(Act.SERVICE_ON, why="cleaning", for_s=1200.0)
        guard.lives(HANDS_S)
    guard.faults.put(fault, guard.name)
    if in_service:
        guard.lives(HANDS_S)
        guard.acts(Act.SERVICE_OFF)


def _limited(stand: Stand, bay: Bay) -> None:
    """What a mechanical limit leaves of a surge."""
    bay.gas.outlet_bar = min(bay.gas.outlet_bar, stand.outlet_most_bar)


def _last_change_s(fault: Fault | None) -> int:
    """When the last thing of a fault has changed; far away where it comes again."""
    if fault is None:
        return 10**7
    ends = [10**7 if step.every_s else step.after_s + step.over_s + step.for_s for step in fault.steps]
    return round(max(ends))


def _answered(stand: Stand, ear: Ear, lost_ms: int, now_ms: int, answer_s: float | None) -> bool:
    """Somebody who was woken, or misses the heartbeat, has come and shuts the cylinder."""
    if answer_s is None:
        return False
    if stand.told and ear.wake_ns is not None and now_ms - ear.wake_ns / 1e6 >= 1000 * answer_s:
        return True
    return stand.beat and bool(lost_ms) and now_ms - lost_ms >= 1000 * (BEAT_MISSED_S + answer_s)


def _over(guard: Played, harm: Harm, *, shut: bool) -> bool:
    """Gas is shut for good, and the water is well: nothing more comes of it."""
    latched = guard.core is not None and guard.core.decision.state is State.LATCHED
    well = guard.bay.ph > harm.limits.sour_ph and guard.plant.tank.ph >= harm.limits.tank_ph
    calm = guard.bay.vessel.gas_mol < 1e-4 and guard.plant.tank.room_ppm <= harm.limits.room_ppm
    return (latched or shut) and guard.bay.valve.share == 0.0 and well and calm


def _score(harm: Harm, guard: Played, ear: Ear, from_ms: int, shut_ms: int) -> Score:
    told = ear.first
    return Score(
        harm_s=harm.any_s,
        kinds_s={kind: seconds for kind, seconds in harm.seconds.items() if seconds},
        lowest_ph=harm.lowest_ph,
        tank_lowest_ph=harm.tank_lowest_ph,
        vessel_most_bar=harm.vessel_most_bar,
        room_most_ppm=harm.room_most_ppm,
        open_s=harm.open_s,
        told=None if told is None else told[0].reason.value,
        told_class=None if told is None else told[0].kind.value,
        told_after_s=None if told is None else told[1] / NS - from_ms / 1000,
        answered_after_s=(shut_ms - from_ms) / 1000 if shut_ms else None,
        state="gone" if guard.core is None else guard.core.decision.state.value,
    )


# -- without a guard --


def unguarded(stand: Stand, fault: Fault | None, hours: float) -> Score:
    """The same with a plain thermostat in charge."""
    plant, thermostat = _held(stand)
    name, harm, faults = stand.limits.name, Harm(stand.harm), Faults(plant)
    bay = plant.bays[name]
    if fault is not None:
        faults.put(fault, name)
    _limited(stand, bay)
    for _ in play(plant, round(hours * 3600), {name: thermostat}, faults):
        _limited(stand, bay)
        harm.look(1.0, plant, bay)
        if plant.guard.host_lost:
            thermostat.floor_ph, thermostat.resume_ph = 0.0, 14.0  # it hangs, and its last order stands
    return Score(
        harm.any_s,
        {kind: seconds for kind, seconds in harm.seconds.items() if seconds},
        harm.lowest_ph,
        harm.tank_lowest_ph,
        harm.vessel_most_bar,
        harm.room_most_ppm,
        harm.open_s,
    )


def _held(stand: Stand) -> tuple[Plant, Thermostat]:
    """A healthy chamber on a thermostat, its gas just open."""
    plant, name = plant_of(stand), stand.limits.name
    plant.bays[name].valve = Device(None)
    thermostat = Thermostat(stand.limits.floor_ph, stand.limits.resume_ph)
    for wanted in (None, Gas.CLOSED, Gas.OPEN):
        for _ in range(0, OPENS_WITHIN_S, 5):
            if wanted is not None and thermostat.gas is wanted:
                break
            for _ in play(plant, HEALTHY_S if wanted is None else 5, {name: thermostat}):
                pass
            if wanted is None:
                break
    for _ in play(plant, INTO_OPENING_S, {name: thermostat}):
        pass
    return plant, thermostat
