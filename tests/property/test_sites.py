"""Whole configurations, from file to loop: any number of chambers, probes, valves, signals and tanks."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings, strategies as st
from nightheron.model import Gas, Signal
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.loop import Beginning, Loop
from nightheron.runtime.wiring import routes
from nightheron.settings import load
from nightheron.settings.site import ProbePlan, Site
from nightheron_drivers.protocols import Heard

from tests.support.loops import TICK_NS, FakeJournal, FakeKeepers

WELL_AND_BAD = {
    Signal.CHAMBER_PH: (6.75, 6.58),
    Signal.TANK_PH: (8.0, 7.6),
    Signal.TEMPERATURE: (25.0, 35.0),
    Signal.FLOW: (25.0, 5.0),
    Signal.CIRCULATION: (1.0, 0.0),
    Signal.FEED: (1.0, 0.0),
    Signal.OUTLET_PRESSURE: (25.0, 80.0),
    Signal.VESSEL_PRESSURE: (5.0, 40.0),
    Signal.LEAK: (0.0, 1.0),
    Signal.ROOM_CO2: (600.0, 6000.0),
}
OTHERS = [signal for signal in Signal if signal not in (Signal.CHAMBER_PH, Signal.TANK_PH)]
OPENS_WITHIN_S = 15


@st.composite
def sites(draw: st.DrawFn) -> str:
    """The file of a site in which every device speaks through the broker."""
    names = [f"c{number}" for number in range(draw(st.integers(1, 4)))]
    lines = ['[site]\nname = "any"\ndata_dir = "."\n[mqtt]']
    for name in names:
        lines += [f'[[chamber]]\nname = "{name}"\nsettle_s = 1\nmin_rest_s = 1\ntail_s = 1\nprobe_lag_s = 1']
        for number in range(draw(st.integers(1, 3))):
            lines += [f'[[chamber.probes]]\ndriver = "mqtt"\ntopic = "{name}/ph/{number}"']
        for number in range(draw(st.integers(1, 2))):
            lines += [f'[[chamber.valves]]\ndriver = "mqtt"\norder_topic = "{name}/gas/{number}"']
        for signal in draw(st.lists(st.sampled_from(OTHERS), unique=True)):
            lines += [f"[chamber.{signal}]\nrequired = {str(draw(st.booleans())).lower()}"]
            lines += ["hold_s = 0"] if signal is Signal.CIRCULATION else []  # held after a start as well
            lines += [f'[chamber.{signal}.probe]\ndriver = "mqtt"\ntopic = "{name}/{signal}"']
    feeds = [draw(st.integers(0, 2)) for _ in names]
    for tank in (1, 2):
        fed = [name for name, into in zip(names, feeds, strict=True) if into == tank]
        if fed:
            lines += [f'[[tank]]\nname = "t{tank}"\nchambers = {fed}\nrequired = true'.replace("'", '"')]
            lines += [f'[tank.probe]\ndriver = "mqtt"\ntopic = "t{tank}/ph"']
    return "\n".join(lines)


class Played:
    """The site's own loop, in which every probe says once a second what it is set to say."""

    def __init__(self, site: Site) -> None:
        self.clock, self.inbox = VirtualClock(), Inbox()
        self.said = {plan.id: WELL_AND_BAD[plan.signal][0] for plan in site.probes()}
        limits = site.limits()
        keepers = FakeKeepers(self.clock, [one.name for one in limits])
        self.loop = Loop(limits, self.clock, keepers, FakeJournal(self.inbox), routes(site), inbox=self.inbox)
        none = tuple(None for _ in limits)
        self.loop.begin(Beginning(none, none, 0, journal_new=False, commissioned=False))

    def wait(self, seconds: int) -> dict[str, Gas]:
        """Let time pass; the gas of each chamber then."""
        for turn in range(1, 4 * seconds + 1):
            self.clock.advance(TICK_NS)
            if turn % 4 == 0:
                for probe, value in self.said.items():
                    self.inbox.post(Heard(probe, self.clock.now_ns(), value, str(value)))
            self.loop.step()
        chambers = self.loop.chambers
        return {one.limits.name: one.decision.gas for one in chambers}


def outvoted(plan: ProbePlan, site: Site) -> bool:
    """One of three chamber probes alone decides nothing."""
    chamber = next(one for one in site.chambers if one.name == plan.chambers[0])
    return plan.signal is Signal.CHAMBER_PH and len(chamber.probes) == 3


@settings(max_examples=25)
@given(sites(), st.data())
def test_one_bad_value_shuts_the_chambers_it_speaks_for_and_no_other(text: str, data: st.DataObject) -> None:
    """A sound site opens everywhere; then any one probe's bad value shuts its own chambers alone."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "nightheron.toml"
        path.write_text(text)
        site = load(path, {})
    played = Played(site)
    assert set(played.wait(OPENS_WITHIN_S).values()) == {Gas.OPEN}
    plan = data.draw(st.sampled_from(site.probes()))
    played.said[plan.id] = WELL_AND_BAD[plan.signal][1]
    shut = () if outvoted(plan, site) else plan.chambers
    wanted = {one.name: Gas.CLOSED if one.name in shut else Gas.OPEN for one in site.chambers}
    assert played.wait(1) == wanted
