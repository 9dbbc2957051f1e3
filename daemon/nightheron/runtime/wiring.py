"""From a configuration to what the loop and the threads need: routes of readings, and their sources."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from nightheron.runtime.buttons import Buttons
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.ports import ProbeRoute
from nightheron.runtime.probes import Ear, Runner
from nightheron.settings.site import ButtonPlan, ProbePlan, Site

if TYPE_CHECKING:
    from nightheron_drivers.protocols import ProbeDriver, ProbeSource

BUTTON_STALE_S = 5.0
"""A button's own time can only refuse its message, and a refused message holds too."""


def routes(site: Site) -> dict[str, ProbeRoute]:
    """Probe id to the chambers that must hear it."""
    places = {one.name: place for place, one in enumerate(site.chambers)}
    return {
        plan.id: ProbeRoute(
            places=tuple(places[name] for name in plan.chambers),
            signal=plan.signal,
            number=int(plan.id.rsplit("/", 1)[-1]),
        )
        for plan in site.probes()
    }


def runners(site: Site, inbox: Inbox, say: Callable[..., Any]) -> list[Runner]:
    """One runner per source, as each driver groups its probes, and the buttons with them."""
    from nightheron.settings.drivers import probe_driver

    plans: dict[str, list[ProbePlan | ButtonPlan]] = {}
    heard: list[ProbePlan | ButtonPlan] = [*site.probes(), *site.buttons()]
    for plan in heard:
        plans.setdefault(plan.driver, []).append(plan)
    ear: Ear = Buttons(inbox, site.buttons()) if site.buttons() else inbox
    found = []
    for name, group in plans.items():
        make = _maker(probe_driver(name), group, site)
        found += [Runner(f"{name}-{number}", _nth(make, number), ear, say) for number in range(len(make()))]
    return found


def _maker(
    driver: type[ProbeDriver], group: Sequence[ProbePlan | ButtonPlan], site: Site
) -> Callable[[], Sequence[ProbeSource]]:
    options = {plan.id: plan.options for plan in group}
    stale_s = {plan.id: plan.stale_s if isinstance(plan, ProbePlan) else BUTTON_STALE_S for plan in group}
    broker = site.mqtt.broker if site.mqtt else None
    return lambda: driver.sources(options, stale_s, broker, site.name)


def _nth(make: Callable[[], Sequence[ProbeSource]], number: int) -> Callable[[], ProbeSource]:
    """A source that broke is made anew; its siblings made beside it are not opened."""
    return lambda: make()[number]
