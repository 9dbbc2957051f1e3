"""How a sound configuration is shown: wiring, rules, budget, mechanical limits, warnings, cautions."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence

from nightheron.chemistry.needle import OUTLET_BAR, outlet_bar_for
from nightheron.chemistry.safety import HARM_BELOW_FLOOR_PH
from nightheron.model import JsonValue
from nightheron.settings import KeyFault
from nightheron.settings.reckon import SAFE_SHARE, BudgetRow, late, safety_s
from nightheron.settings.site import Button, Chamber, Probe, Sense, Site, Valve

FACTORS = (2.0, 10.0, 50.0)
SLOW = "probe_stuck"
"""Bounded by longest_opening_s, hours where the rest is seconds, so it is told apart."""

CAUTIONS = """\
Before you work on it: gas cylinders are under high pressure; chain them upright, shut the hand valve first.
CO2 in a closed room kills without warning; keep a detector that sounds where people breathe.
Keep mains power away from water: a residual-current device, drip loops, and follow the codes and the licensed
practice of your place. This program is a control loop with alarms. It is not certified and claims no risk
reduction: add a mechanical limit that works without it."""


def as_json(site: Site, rows: Sequence[BudgetRow], cautions: Sequence[KeyFault]) -> str:
    """The whole as one JSON object."""
    body: dict[str, JsonValue] = {
        "ok": True,
        "errors": [],
        "warnings": [{"key": w.key, "why": w.why} for w in worst_first(cautions)],
        "budget": [_row_json(row) for row in rows],
        "site": site.name,
        "fingerprint": site.fingerprint(),
        "effective": site.effective(),
        "process_safety": [_safety_json(c, rows) for c in site.chambers],
        "rules": [dict(rule) for rule in _rules()],
    }
    return json.dumps(body, indent=2, allow_nan=False)


def as_text(site: Site, rows: Sequence[BudgetRow], cautions: Sequence[KeyFault]) -> str:
    """The whole for a person."""
    parts = [f"{site.path}: sound. Site {site.name}, data in {site.data_dir}, times in {site.timezone}"]
    parts += [_broker(site), "\n".join(_wiring(site, c) for c in site.chambers), _rule_table()]
    for chamber in site.chambers:
        own = [row for row in rows if row.chamber == chamber.name]
        parts += [_budget(chamber, own), _mechanical(chamber, own)]
    parts += ["\n".join(["Warnings"] + [_wrap(f"{w.key}: {w.why}") for w in worst_first(cautions)]), CAUTIONS]
    return "\n\n".join(parts)


def worst_first(cautions: Sequence[KeyFault]) -> list[KeyFault]:
    """What nothing bounds comes before everything that is merely worth knowing."""
    return sorted(cautions, key=lambda caution: not caution.why.startswith("NOT BOUNDED"))


def _row_json(row: BudgetRow) -> dict[str, JsonValue]:
    return {
        "chamber": row.chamber,
        "cause": row.cause,
        "seconds": row.seconds,
        "by": row.by,
        "water_s": row.water_s,
        "process_safety_s": row.process_safety_s,
    }


def _safety_json(chamber: Chamber, rows: Sequence[BudgetRow]) -> dict[str, JsonValue]:
    most = _most_gas(chamber, [row for row in rows if row.chamber == chamber.name])
    times: dict[str, JsonValue] = {f"{f:g}": round(safety_s(chamber, f), 1) for f in FACTORS}
    return {
        "chamber": chamber.name,
        "gas_ml_min": chamber.table.gas_ml_min,
        "seconds_at_times_normal_gas": times,
        "most_times_normal_gas": round(most, 2),
        "most_outlet_bar": round(outlet_bar_for(most), 2),
    }


def _most_gas(chamber: Chamber, own: Sequence[BudgetRow]) -> float:
    """Times the normal gas up to which every bounded cause, a stuck probe aside, is in time."""
    worst_s = max((r.water_s for r in own if r.water_s is not None and r.cause != SLOW), default=0.0)
    return SAFE_SHARE * safety_s(chamber, 1.0) / max(worst_s, 1.0)


def _broker(site: Site) -> str:
    if site.mqtt is None:
        return "Broker  none"
    broker = site.mqtt.broker
    how = "with TLS" if broker.tls else "without TLS"
    tells = f"publishes under {site.mqtt.prefix}/{site.name}" if site.mqtt.publish else "publishes nothing"
    return f"Broker  {broker.host}:{broker.port} {how}; {tells}"


def _wiring(site: Site, chamber: Chamber) -> str:
    table, tank = chamber.table, site.tank_of(chamber.name)
    lines = [
        f"Chamber {chamber.name}",
        f"  gas     shut below pH {table.floor_ph:.2f}, again from {table.resume_ph:.2f} held for "
        f"{table.settle_s:g} s, rest at least {table.min_rest_s:g} s",
        *(f"  probe   {_probe(p)}" for p in chamber.probes),
        *(f"  valve   {_valve(v)}" for v in chamber.valves),
        *(f"  button  {_button(b)}" for b in chamber.buttons),
    ]
    for s in chamber.senses:
        lines += [f"  {s.signal.value:<16} {_limits(s)}", f"  {'':<16} {_probe(s.probe)}"]
    if table.gas_budget_s_per_day is not None:
        lines.append(f"  budget  at most {table.gas_budget_s_per_day:g} s of open gas in 24 h")
    if tank is not None:
        need = "required" if tank.table.required else "not required"
        lines.append(f"  tank    {tank.name}, gas shut below pH {tank.table.low_ph:.2f}, {need}")
        lines.append(f"          {_probe(tank.probe)}")
    return "\n".join(lines)


def _button(button: Button) -> str:
    rest = button.table.rest_text
    holds = "any message" if rest is None else f"any message but {rest!r}"
    return f"{button.driver} {_where(button.options)}, {holds} holds the gas shut"


def _limits(sense: Sense) -> str:
    from nightheron.guard.signals import KINDS

    one, unit = sense.limits, KINDS[sense.signal].unit
    bounds = [f"below {one.low:g}{unit}"] if one.low is not None else []
    bounds += [f"above {one.high:g}{unit}"] if one.high is not None else []
    held = f", held {one.hold_s:g} s" if one.hold_s else ""
    need = "required" if one.required else "not required"
    return f"gas shut {' or '.join(bounds)}{held}, {need}"


def _where(options: object) -> str:
    if getattr(options, "chip", None) is not None:
        return f"{getattr(options, 'chip', '')} line {getattr(options, 'line', '')}"
    names = ("port", "topic", "order_topic", "path")
    return next((str(v) for v in (getattr(options, n, None) for n in names) if v), "")


def _probe(probe: Probe) -> str:
    scale = f", {'calibrated' if probe.calibrated else 'ideal electrode'}" if probe.unit == "mv" else ""
    age = f"every {probe.period_s:g} s, lost after {probe.stale_s:g} s"
    unit = f"{probe.unit}{scale}, " if probe.unit else ""
    return f"{probe.driver} {_where(probe.options)}, {unit}{age}"


def _valve(valve: Valve) -> str:
    timer = valve.table.device_timer_s
    own = "no timer of its own configured" if timer is None else f"its own timer {timer:g} s"
    if any("{lease_s}" in str(getattr(valve.options, name, "")) for name in ("open_order", "open_line")):
        own = "its own timer told by each order" if timer is None else f"{own}, and told by each order"
    report = "reports its position" if valve.reports else "does not report its position"
    return f"{valve.driver} {_where(valve.options)}, lease {valve.table.lease_s:g} s, {own}, {report}"


def _rules() -> list[dict[str, str]]:
    from nightheron.guard.interlock import TABLE

    return [
        {
            "reason": rule.reason.value,
            "state": rule.state.value,
            "closes_when": rule.closes_when,
            "resets": rule.resets,
            "alarm": "none" if rule.alarm is None else rule.alarm.value,
            "sentence": rule.sentence,
        }
        for rule in TABLE
    ]


def _rule_table() -> str:
    lines = ["Rules, first in the table wins a tie; gas is shut while any stands"]
    for rule in _rules():
        alarm = "" if rule["alarm"] == "none" else f"; alarm: {rule['alarm']}"
        lines.append(f"  {rule['reason']:<20} {rule['closes_when']}")
        lines.append(f"  {'':<20}   {rule['state']}; resets {rule['resets']}{alarm}")
    return "\n".join(lines)


def _budget(chamber: Chamber, rows: Sequence[BudgetRow]) -> str:
    lines = [
        f"Response-time budget of {chamber.name}: longest time from cause to gas closed, to water turning",
        f"  {'cause':<20} {'gas closed':>11} {'water turns':>11}  by",
    ]
    for row in rows:
        by = textwrap.wrap(row.by, 62)
        lines.append(f"  {row.cause:<20} {_span(row.seconds):>11} {_span(row.water_s):>11}  {by[0]}")
        lines += [f"  {'':<44}  {more}" for more in by[1:]]
    return "\n".join(lines)


def _span(seconds: float | None) -> str:
    return "NOT BOUNDED" if seconds is None else f"{seconds:.1f} s"


def _mechanical(chamber: Chamber, rows: Sequence[BudgetRow]) -> str:
    table = chamber.table
    harm = table.floor_ph - HARM_BELOW_FLOOR_PH
    lines = [
        f"Process safety time of {chamber.name}: {table.water_l:g} L, pH {table.floor_ph:.2f} to {harm:.2f}",
        _wrap(
            f"(normal gas {table.gas_ml_min:g} mL/min with {OUTLET_BAR:g} bar at the regulator; no help "
            "counted from media or feed; in time means that half of it is left as the water turns)"
        ),
    ]
    most = _most_gas(chamber, rows)
    for factor in FACTORS:
        safety = safety_s(chamber, factor)
        slow = ", ".join(late(rows, safety))
        need = f"not in time after {slow}" if slow else "every cause is in time"
        surge = f"{factor:g} x normal gas (regulator at {outlet_bar_for(factor):.1f} bar)"
        lines.append(_wrap(f"{surge}: {safety:.0f} s; {need}{_limit(factor, most)}"))
    lines.append(
        _wrap(
            f"Mechanical limit: {most:.1f} x the normal gas; up to there each cause above with a bound, "
            f"{SLOW} aside, is in time. For {SLOW} and for what is NOT BOUNDED, only a flow that is "
            "harmless for as long as it lasts."
        )
    )
    return "\n".join(lines)


def _limit(factor: float, most: float) -> str:
    """The mechanical limit without which a surge of this size comes too fast."""
    if factor <= most:
        return ""
    return (
        f"; needs a needle or orifice that passes no more than {most:.1f} x, or a regulator whose outlet "
        f"cannot stand above {outlet_bar_for(most):.1f} bar, its relief valve included"
    )


def _wrap(text: str) -> str:
    return textwrap.fill(text, 112, initial_indent="  ", subsequent_indent="    ", break_long_words=False)
