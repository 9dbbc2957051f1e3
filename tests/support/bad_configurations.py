"""Kinds of bad configuration: what is done to a sound one, the key that must be named, and a word of why."""

from __future__ import annotations

from dataclasses import dataclass

from tests.support.configuration import GOOD, changed

FLOOR = "floor_ph = 6.60"
VALVE_PORT = 'port = "/dev/made-up-valve"'
ORDER = 'order_topic = "greenhouse/east/gas/order"'
PROBES_2 = "[[chamber.probes]]\n"


@dataclass(frozen=True)
class Bad:
    """One kind. ``variable`` is set in the environment beside the file."""

    kind: str
    text: str
    key: str
    why: str
    variable: tuple[str, str] | None = None


def _bad(kind: str, old: str, new: str, key: str, why: str) -> Bad:
    return Bad(kind, changed((old, new)), key, why)


def _floor(kind: str, value: str, why: str) -> Bad:
    return _bad(kind, FLOOR, f"floor_ph = {value}", "chamber.west.floor_ph", why)


def _west(kind: str, line: str, why: str) -> Bad:
    key = line.split(" ")[0]
    return _bad(kind, FLOOR, f"{FLOOR}\n{line}", f"chamber.west.{key}", why)


def _east_valve(kind: str, line: str, why: str) -> Bad:
    return _bad(kind, ORDER, f"{ORDER}\n{line}", f"chamber.east.valve.{line.split(' ')[0]}", why)


def _button(kind: str, lines: str, key: str, why: str) -> Bad:
    """The last chamber gets a button."""
    return _bad(kind, "[[tank]]", f"{lines}\n[[tank]]", f"chamber.east.{key}", why)


def _alerts(kind: str, lines: str, key: str, why: str) -> Bad:
    return _bad(kind, "delay_s = 60", f"delay_s = 60\n{lines}", key, why)


BUTTON = '[chamber.button]\ndriver = "mqtt"\n'
RUI = '[[alerts.ladder]]\nname = "Rui"\n'
ONE_PROBE = 'driver = "serial"\nport = "/dev/made-up-probe"'

KINDS = (
    Bad("empty file", "", "config", "is empty"),
    Bad("only a comment", "# nothing\n", "config", "is empty"),
    Bad("not TOML", changed((FLOOR, "floor_ph 6.60")), "config", "line 14, column 10"),
    Bad("same key twice", changed((FLOOR, f"{FLOOR}\n{FLOOR}")), "config", "line 15"),
    Bad("number far too long", changed((FLOOR, "floor_ph = " + "6" * 5000)), "config", "far too long"),
    Bad("no chamber", GOOD[: GOOD.index("[[chamber]]")] + "[alerts]\n", "chamber", "at least one"),
    Bad("single brackets", '[site]\nname = "n"\n[chamber]\nname = "west"\n', "chamber", "two brackets"),
    _bad("no site name", 'name = "north-greenhouse"', "", "site.name", "is missing"),
    _bad("slash in a name", '"north-greenhouse"', '"north/greenhouse"', "site.name", "must not contain '/'"),
    _bad("wildcard in a name", 'name = "west"', 'name = "we+st"', "chamber[1].name", "must not contain '+'"),
    _bad("control sign in a name", '"display"', '"dis\\u0007play"', "tank[1].name", "must not contain"),
    _bad("empty name", 'name = "west"', 'name = ""', "chamber[1].name", "empty"),
    _bad("long name", 'name = "west"', f'name = "{"w" * 65}"', "chamber[1].name", "64"),
    _bad("a name twice", 'name = "east"', 'name = "west"', "chamber.west.name", "two chambers"),
    _bad("unknown table", "[alerts]", "[alarms]", "alarms", "alerts"),
    _bad("misspelt key", FLOOR, "flor_ph = 6.60", "chamber.west.flor_ph", '"floor_ph"'),
    _bad("key in the wrong table", FLOOR, "lease_s = 5", "chamber.west.lease_s", "[chamber.valve]"),
    _bad("misspelt driver key", VALVE_PORT, 'prot = "/dev/x"', "chamber.west.valve.prot", '"port"'),
    _floor("text for a number", '"6.6"', "must be a number, not text"),
    _floor("truth for a number", "true", "must be a number, not true or false"),
    _floor("not a number", "nan", "finite"),
    _floor("infinite", "inf", "finite"),
    _floor("floor outside the scale", "66.0", "at most 8.5"),
    _bad("resume not above floor", "resume_ph = 6.70", "resume_ph = 6.60", "chamber.west.resume_ph", "above"),
    _west("settle of zero", "settle_s = 0", "at least 1"),
    _west("negative rest", "min_rest_s = -5", "at least 1"),
    _west("pause below a second", "trial_pause_s = 0.5", "at least 1"),
    _west("endless opening", "longest_opening_s = inf", "finite"),
    _west("opening of a week", "longest_opening_s = 604800", "at most 86400"),
    _west("trial above the longest", "trial_opening_s = 30000", "longest_opening_s"),
    _west("unknown commissioning", 'commissioning = "off"', '"advise" or "require"'),
    _west("budget longer than a day", "gas_budget_s_per_day = 90000", "at most 86400"),
    _east_valve("lease too short", "lease_s = 1", "at least 2"),
    _east_valve("lease without end", "lease_s = inf", "finite"),
    _east_valve("device timer too short", "device_timer_s = 2", "half of lease_s"),
    _bad(
        "equal orders",
        ORDER,
        f'{ORDER}\nclose_order = "OPEN"',
        "chamber.east.valve.open_order",
        "close_order",
    ),
    _bad("stale too young", "stale_s = 60.0", "stale_s = 1.0", "tank.display.probe.stale_s", "three times"),
    _bad(
        "no probe",
        '[chamber.probe]\ndriver = "mqtt"\ntopic = "greenhouse/east/ph"',
        "",
        "chamber.east.probe",
        "is missing",
    ),
    _bad(
        "pattern that never ends",
        r"(?P<value>-?\d+\.\d+)",
        r"(?P<value>(\d+)*)x",
        "chamber.west.probe.pattern",
        "over 5 ms",
    ),
    _bad("pattern without value", "?P<value>", "?P<ph>", "chamber.west.probe.pattern", "named value"),
    _bad(
        "four probes",
        f"[chamber.probe]\n{ONE_PROBE}",
        4 * f"{PROBES_2}{ONE_PROBE}\n",
        "chamber.west.probes",
        "one to three probes",
    ),
    _bad(
        "unknown driver",
        'driver = "mqtt"',
        'driver = "telepathy"',
        "chamber.east.probe.driver",
        "installed are",
    ),
    _bad(
        "two valves on a topic",
        f'"serial"\n{VALVE_PORT}\nopen_line = "OPEN"\nclose_line = "SHUT"',
        f'"mqtt"\n{ORDER}',
        "chamber.east.valve.order_topic",
        "same topic",
    ),
    _bad(
        "wildcard in a topic",
        "greenhouse/east/gas/order",
        "greenhouse/+/gas/order",
        "chamber.east.valve.order_topic",
        "wildcard",
    ),
    _bad(
        "probe on the order topic",
        "greenhouse/east/ph",
        "greenhouse/east/gas/order",
        "chamber.east.probe.topic",
        "same topic",
    ),
    _bad(
        "one probe for two", "greenhouse/display/ph", "greenhouse/east/ph", "tank.display.probe.topic", "two"
    ),
    _bad(
        "orders under our reports",
        "greenhouse/east/gas/order",
        "nightheron/north-greenhouse/east/order",
        "chamber.east.valve.order_topic",
        "publishes itself",
    ),
    _bad(
        "probe and valve on a port",
        VALVE_PORT,
        'port = "/dev/made-up-probe"',
        "chamber.west.probe.port",
        "a probe needs its own",
    ),
    _bad(
        "equal lines",
        'close_line = "SHUT"',
        'close_line = "OPEN"',
        "chamber.west.valve.open_line",
        "close_line",
    ),
    _bad(
        "tank names no chamber", '["west", "east"]', '["wets"]', "tank.display.chambers", "no chamber 'wets'"
    ),
    _bad(
        "tank limits crossed",
        'name = "display"',
        'name = "display"\nlow_ph = 7.9',
        "tank.display.clear_ph",
        "above",
    ),
    _bad(
        "chamber in two tanks",
        "[alerts]",
        '[[tank]]\nname = "b"\nchambers = ["west"]\n[tank.probe]\ndriver = "mqtt"\ntopic = "b"\n[alerts]',
        "tank.b.chambers",
        "already feeds",
    ),
    _bad("port out of range", "port = 1883", "port = 70000", "mqtt.port", "at most 65535"),
    _bad("empty host", '"127.0.0.1"', '""', "mqtt.host", "empty"),
    _bad("no password file", "broker.password", "gone.password", "mqtt.password_file", "does not exist"),
    _bad("password in the file", "password_file =", "password =", "mqtt.password", "secrets do not belong"),
    _bad("tls file in vain", "port = 1883", 'port = 1883\nca_file = "ca.pem"', "mqtt.ca_file", "tls = true"),
    _bad(
        "no tls file", "port = 1883", 'port = 1883\ntls = true\nca_file = "ca.pem"', "mqtt.ca_file", "no file"
    ),
    Bad(
        "broker not given",
        changed((GOOD[GOOD.index("[mqtt]") : GOOD.index("[[chamber]]")], "")),
        "mqtt",
        "is missing",
    ),
    _button(
        "button on the valve's topic", f'{BUTTON}topic = "greenhouse/east/gas/order"', "button.topic", "own"
    ),
    _button("button on a probe's topic", f'{BUTTON}topic = "greenhouse/display/ph"', "button.topic", "own"),
    _button(
        "button under our prefix", f'{BUTTON}topic = "nightheron/north-greenhouse/x"', "button.topic", "under"
    ),
    _button("button on a wildcard", f'{BUTTON}topic = "hands/#"', "button.topic", "exactly"),
    _button(
        "button on the probe's port",
        '[chamber.button]\ndriver = "serial"\nport = "/dev/made-up-probe"\npattern = "(?P<value>x)"',
        "button.port",
        "needs its own",
    ),
    _button("button without a driver", '[chamber.button]\ntopic = "hands"', "button.driver", "missing"),
    _button(
        "misspelt button key", f'{BUTTON}topic = "hands"\nrest_txt = "x"', "button.rest_txt", "rest_text"
    ),
    _button(
        "a button that lets go", f'{BUTTON}topic = "hands"\noff_text = "x"', "button.off_text", "is not a key"
    ),
    _button("hasty reminder", f'{BUTTON}topic = "hands"\nremind_s = 0', "button.remind_s", "at least 60"),
    _button("button in two brackets", '[[chamber.button]]\ndriver = "mqtt"', "button", "two brackets"),
    _button(
        "both button and buttons", f'{BUTTON}topic = "hands"\n[[chamber.buttons]]', "buttons", "not both"
    ),
    _bad("no urls file", "delay_s = 60", 'urls_file = "push.urls"', "alerts.urls_file", "does not exist"),
    _bad(
        "ladder in single brackets", "[alerts]", "[alerts.ladder]\n[alerts]", "alerts.ladder", "two brackets"
    ),
    _bad("ladder of one", "[alerts]", "[alerts]\nladder = 3", "alerts.ladder", "two brackets"),
    _alerts(
        "nobody on the ladder", '[[alerts.ladder]]\nname = "Rui"', "alerts.ladder[1].urls_file", "no push"
    ),
    _alerts(
        "no ladder file", f'{RUI}urls_file = "gone.urls"', "alerts.ladder[1].urls_file", "does not exist"
    ),
    _alerts(
        "ladder without a name", '[[alerts.ladder]]\nurls = ["json://a"]', "alerts.ladder[1].name", "missing"
    ),
    _alerts("misspelt ladder key", f'{RUI}url = ["json://a"]', "alerts.ladder[1].url", '"urls"'),
    _alerts("a ladder too long", f'{RUI}urls = ["json://a"]\n' * 4, "alerts.ladder", "4 steps"),
    _alerts("one quiet hour", 'quiet_hours = "22:00"', "alerts.quiet_hours", "22:00-07:00"),
    _alerts("quiet for ever", 'quiet_hours = "22:00-22:00"', "alerts.quiet_hours", "two times of day"),
    _bad("negative delay", "delay_s = 60", "delay_s = -1", "alerts.delay_s", "at least 0"),
    _bad("no such time of day", "delay_s = 60", 'digest_at = "7.30"', "alerts.digest_at", "07:30"),
    _bad(
        "no such zone", 'data_dir = "data"', 'timezone = "Europe/Lisbonn"', "site.timezone", "Europe/Lisbon"
    ),
    Bad(
        "unknown variable", GOOD, "NIGHTHERON_MQTT_PASWORD", "did you mean", ("NIGHTHERON_MQTT_PASWORD", "x")
    ),
)
