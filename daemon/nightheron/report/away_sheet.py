"""The sheet for whoever looks in: 80 columns, one page, for somebody who did not build the site."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nightheron.guard.alarm_list import purpose
from nightheron.guard.interlock import TABLE
from nightheron.guard.rule import Rule, never
from nightheron.guard.signals import KINDS
from nightheron.model import AlarmClass, Reason
from nightheron.report.away import days_text
from nightheron.settings.site import Chamber, Site

WIDTH = 80
BLANK = "_" * 34

PEOPLE = (
    "Headache, short breath, dizzy, or the CO2 detector sounds: get out, stay out, air the room from "
    "outside, call for help. CO2 in a closed room kills without warning: do not go in, even to somebody "
    "who lies there.",
    "Gas does not stop, or you are in doubt: shut the hand valve AT THE CYLINDER, if you can stand there "
    "safely. Shutting it is never wrong. Do not open it again; call.",
    "The cylinder is under high pressure: leave it chained, upright, and turn nothing else on it.",
    "Water where mains is: touch nothing wet; switch off at the board first. Electric and gas work is for "
    "licensed people, by the codes of the place.",
)
SHORT = {
    Reason.NOT_STOPPING: "GAS NOT STOPPED",
    Reason.FOREIGN_ORDER: "something else opened the valve",
    Reason.VALVE_DISAGREES: "valve seen open, ordered shut",
    Reason.VALVE_LOST: "valve does not answer, gas may flow",
    Reason.KEEPER_LOST: "valve cannot be moved, gas may flow",
    Reason.TANK_LOW: "tank's pH far below its limit",
}

SHUT_FIRST = "shut the hand valve at the cylinder, then call"
DO = {
    Reason.NOT_STOPPING: SHUT_FIRST,
    Reason.FOREIGN_ORDER: SHUT_FIRST,
    Reason.VALVE_DISAGREES: SHUT_FIRST,
    Reason.VALVE_LOST: SHUT_FIRST,
    Reason.KEEPER_LOST: SHUT_FIRST,
    Reason.TANK_LOW: f"{SHUT_FIRST}; air the room from outside",
}
"""For somebody who is to repair nothing; other alarms say the same to everybody."""
VISIT = (
    "[ ] at the door: detector silent, no headache; else out. Air the room",
    "[ ] cylinder upright and chained; no hiss; nothing wet near mains",
    "[ ] no drips; water comes out of each chamber; tank's level and animals as usual",
    "[ ] the morning's message came today",
)


def sheet(site: Site, day: str, days: float, night: Mapping[str, Any] | None) -> str:
    """The page; ``day`` is today where the site is, ``night`` the last days by ``report.night``."""
    lines = [f"{site.name.upper()}: WHILE WE ARE AWAY", f"Written {day} for {days_text(days)}.", ""]
    lines += ["PEOPLE FIRST", *(line for text in PEOPLE for line in _item(text)), ""]
    lines += [
        "WHO TO CALL",
        f"  owner    {BLANK}",
        f"  nearby   {BLANK}",
        f"  emergency number here  {BLANK}",
    ]
    lines += [f"  hand valve of the cylinder is at  {BLANK}", "", "NORMAL"]
    for chamber in site.chambers:
        lines += _item(_limits(site, chamber))
        lines += _item(_usual(chamber.name, night))
    lines += _item("Gas opens and shuts by itself, many times a day. Shut gas is no emergency.")
    lines += ["", "EACH VISIT", *(line for text in VISIT for line in _item(text))]
    lines += ["", "IF ONE OF THESE WAKES YOU"]
    for do, names in _to_do(waking(site)).items():
        lines += _item(f"{'; '.join(names)}: {do.upper() if do == SHUT_FIRST else do}.")
    lines += _item("Any other alarm can wait until you have called. Change nothing, release nothing.")
    return "\n".join([*lines, "", *_last()])


def waking(site: Site) -> list[Rule]:
    """The rules that can wake somebody at this site, in the table's order."""
    sensed = {sense.signal for chamber in site.chambers for sense in chamber.senses}
    absent = {kind.reason for signal, kind in KINDS.items() if signal not in sensed}
    if not site.tanks:
        absent.add(Reason.TANK_LOW)
    if not any(valve.reports for chamber in site.chambers for valve in chamber.valves):
        absent.add(Reason.VALVE_DISAGREES)
    return [rule for rule in TABLE if _wakes(rule) and rule.reason not in absent]


def _wakes(rule: Rule) -> bool:
    return AlarmClass.WAKE in (rule.alarm, rule.latched_alarm) or rule.urgent is not never


def _limits(site: Site, chamber: Chamber) -> str:
    table, tank = chamber.table, site.tank_of(chamber.name)
    text = f"{chamber.name}: gas shuts below pH {table.floor_ph:.2f}, may open from {table.resume_ph:.2f}"
    for sense in chamber.senses:
        one, unit = sense.limits, KINDS[sense.signal].unit
        text += f"; {KINDS[sense.signal].noun}"
        text += f" below {one.low:g}{unit} shuts it" if one.low is not None else ""
        text += f" above {one.high:g}{unit} shuts it" if one.high is not None else ""
    if tank is not None:
        text += f"; tank {tank.name} below pH {tank.table.low_ph:.2f} shuts it"
    return f"{text}."


def _usual(name: str, night: Mapping[str, Any] | None) -> str:
    """What the last days looked like, as far as they were watched."""
    seen = [] if night is None else [one for one in night["chambers"] if one["chamber"] == name]
    if night is None or not seen or seen[0]["ph_min"] is None or seen[0]["ph_max"] is None:
        return f"{name}, last nights: not known"
    one = seen[0]
    text = f"{name}, last nights: pH {one['ph_min']:.2f} to {one['ph_max']:.2f}"
    if one["open_share"] is not None:
        text += f", gas open {100 * one['open_share']:.0f} % of the time"
    cuts = sum(1 for cut in night["cuts"] if cut["chamber"] == name)
    days = one["watched_s"] / 86_400
    return f"{text}, cuts a day: {cuts / days:.0f}." if days >= 1.0 else f"{text}."


def _to_do(rules: Sequence[Rule]) -> dict[str, list[str]]:
    """What to do, and the alarms it answers; gas that goes on comes first."""
    found: dict[str, list[str]] = {}
    for rule in sorted(rules, key=lambda rule: rule.reason is not Reason.NOT_STOPPING):
        do = DO.get(rule.reason) or purpose(rule.reason).action
        found.setdefault(do, []).append(SHORT.get(rule.reason, rule.sentence))
    return found


def _last() -> Iterator[str]:
    yield from _item("At the board: nightheron status shows it; nightheron ack --all says that you saw it.")
    yield from _item(
        "A control loop with alarms watches this. It is not certified, and no promise: your eyes and the "
        "CO2 detector come first."
    )


def _item(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_long_words=False)
