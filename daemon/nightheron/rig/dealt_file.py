"""The configuration of a dealt chamber, as its owner would have written it."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.rig.nights import CHAMBER

TANK = "display"


@dataclass(frozen=True, slots=True)
class Keys:
    """What the file says; names as in the file where they are in it."""

    floor_ph: float
    resume_ph: float
    deep_low_margin_ph: float
    settle_s: float
    min_rest_s: float
    longest_opening_s: float
    trial_opening_s: float
    trial_pause_s: float
    probes: int
    period_s: float
    stale_s: float
    millivolts: bool
    lease_s: float
    feedback: bool
    broker: bool
    """Probe and valve are on a broker: readings are stamped, strange orders are heard."""
    device_timer: bool
    tank: str
    """"", "watched" or "required"."""
    signals: tuple[str, ...]
    water_l: float = 1.9
    probe_lag_s: float = 60.0
    tail_s: float = 90.0
    flow_low_ml_min: float = 10.0
    budget_s: float | None = None


def configuration(keys: Keys) -> str:
    """The file's text."""
    parts = [_site(keys), _chamber(keys)]
    header = "[chamber.probe]" if keys.probes == 1 else "[[chamber.probes]]"
    parts += [_probe(keys, header, number) for number in range(keys.probes)]
    parts += [_valve(keys)]
    parts += [_signal(keys, name) for name in keys.signals]
    if keys.tank:
        parts.append(_tank(keys))
    return "\n".join(parts)


def _site(keys: Keys) -> str:
    text = '[site]\nname = "dealt"\ndata_dir = "."\ntimezone = "UTC"\n'
    return text + ('\n[mqtt]\nhost = "127.0.0.1"\n' if keys.broker or keys.tank or keys.signals else "")


def _chamber(keys: Keys) -> str:
    budget = "" if keys.budget_s is None else f"gas_budget_s_per_day = {keys.budget_s}\n"
    numbers = "".join(
        f"{name} = {getattr(keys, name)}\n"
        for name in (
            *("water_l", "floor_ph", "resume_ph", "deep_low_margin_ph", "settle_s", "min_rest_s"),
            *("longest_opening_s", "trial_opening_s", "trial_pause_s", "probe_lag_s", "tail_s"),
        )
    )
    return f'[[chamber]]\nname = "{CHAMBER}"\n{numbers}{budget}'


def _probe(keys: Keys, header: str, number: int) -> str:
    unit = 'unit = "mv"\n' if keys.millivolts else ""
    times = f"period_s = {keys.period_s}\nstale_s = {keys.stale_s}\n{unit}"
    if keys.broker:
        where = f'topic = "greenhouse/west/ph{number}"\nvalue_pointer = "/ph"\ntime_pointer = "/t"\n'
        return f'{header}\ndriver = "mqtt"\n{where}{times}'
    where = f"port = \"/dev/made-up-probe{number}\"\npattern = '(?P<value>-?\\d+\\.\\d+)'\n"
    return f'{header}\ndriver = "serial"\n{where}{times}'


def _valve(keys: Keys) -> str:
    timer = f"device_timer_s = {2 * keys.lease_s}\n" if keys.device_timer else ""
    times = f"lease_s = {keys.lease_s}\n{timer}"
    if keys.broker:
        reports = 'feedback_topic = "greenhouse/west/gas"\n' if keys.feedback else ""
        where = f'order_topic = "greenhouse/west/gas/order"\n{reports}'
        return f'[chamber.valve]\ndriver = "mqtt"\n{where}{times}'
    reports = 'reply_pattern = "open|closed"\n' if keys.feedback else ""
    where = f'port = "/dev/made-up-valve"\nopen_line = "OPEN"\nclose_line = "CLOSE"\n{reports}'
    return f'[chamber.valve]\ndriver = "serial"\n{where}{times}'


def _signal(keys: Keys, name: str) -> str:
    own = f"low_ml_min = {keys.flow_low_ml_min}\n" if name == "flow" else ""
    probe = f'[chamber.{name}.probe]\ndriver = "mqtt"\ntopic = "greenhouse/west/{name}"\nperiod_s = 10.0\n'
    return f"[chamber.{name}]\n{own}{probe}stale_s = 30.0\n"


def _tank(keys: Keys) -> str:
    required = "true" if keys.tank == "required" else "false"
    return (
        f'[[tank]]\nname = "{TANK}"\nchambers = ["{CHAMBER}"]\nlow_ph = 7.7\nclear_ph = 7.8\n'
        f'required = {required}\n[tank.probe]\ndriver = "mqtt"\ntopic = "greenhouse/{TANK}/ph"\n'
        "period_s = 10.0\nstale_s = 60.0\n"
    )
