"""The configuration with which the service guards a played site: to paste, and to run as it stands."""

from __future__ import annotations

from pathlib import Path

from nightheron.model import Signal
from nightheron.rig.broker import TOPICS

MARK = "# Made by nightheron rig, which writes it anew at each start; copy it to change it.\n"
SERIAL, WIRELESS, TANK = "west", "east", "display"

_SITE = """\
[site]
name = "rig"
data_dir = "{folder}/data"
timezone = "UTC"
"""
_BROKER = """
[mqtt]
host = "{host}"
port = {port}
"""
_CHAMBER = """
[[chamber]]
name = "{name}"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
commissioning = "advise"                # "require" where real gas hangs on it
"""
_SERIAL = """\
[chamber.probe]
driver = "serial"
port = "{folder}/west-probe"
pattern = '(?P<value>\\d+\\.\\d+)'
[chamber.valve]
driver = "serial"
port = "{folder}/west-valve"
open_line = "OPEN {{lease_s}}"
close_line = "CLOSE"
reply_pattern = "open|closed"
"""
_WIRELESS = """\
[chamber.probe]
driver = "mqtt"
topic = "{topics}/east/ph"
value_pointer = "/ph"
time_pointer = "/t"
[chamber.valve]
driver = "mqtt"
order_topic = "{topics}/east/gas/order"
open_order = "OPEN {{lease_s}}"
close_order = "CLOSE"
feedback_topic = "{topics}/east/gas"
open_answer = "open"
closed_answer = "closed"
device_timer_s = 6                      # this valve's own timer is the lease in its order
"""
_INSTRUMENT = """\
[chamber.{signal}.probe]
driver = "mqtt"
topic = "{topics}/east/{signal}"
"""
_HOLD = """\
[chamber.circulation]
hold_s = 60                             # after a start too; leave it at its 900 where real gas can gather
"""
INSTRUMENTS = (
    *(Signal.FLOW, Signal.CIRCULATION, Signal.FEED, Signal.OUTLET_PRESSURE, Signal.VESSEL_PRESSURE),
    *(Signal.TEMPERATURE, Signal.LEAK, Signal.ROOM_CO2),
)
_TANK = """
[[tank]]
name = "{tank}"
chambers = [{fed}]
low_ph = 7.70
clear_ph = 7.80
[tank.probe]
"""
_TANK_SERIAL = """\
driver = "serial"
port = "{folder}/display-probe"
pattern = '(?P<value>\\d+\\.\\d+)'
stale_s = 60.0
"""
_TANK_WIRELESS = """\
driver = "mqtt"
topic = "{topics}/{tank}/ph"
stale_s = 60.0
"""


def chambers(broker: tuple[str, int] | None) -> list[str]:
    """The chambers of the played site: one on serial lines, and with a broker one more on it."""
    return [SERIAL] if broker is None else [SERIAL, WIRELESS]


def configuration(folder: Path, broker: tuple[str, int] | None) -> str:
    """TOML for the site whose lines lie in ``folder``."""
    host, port = broker or ("", 0)
    known = {"folder": folder, "host": host, "port": port, "topics": TOPICS, "tank": TANK}
    fed = ", ".join(f'"{name}"' for name in chambers(broker))
    text = _SITE + (_BROKER if broker else "")
    text += _CHAMBER.format(name=SERIAL) + _SERIAL
    if broker:
        text += _CHAMBER.format(name=WIRELESS) + _WIRELESS
        for one in INSTRUMENTS:
            text += _HOLD if one is Signal.CIRCULATION else ""
            text += _INSTRUMENT.format(signal=one.value, topics=TOPICS)
    text += _TANK.replace("{fed}", fed) + (_TANK_WIRELESS if broker else _TANK_SERIAL)
    return MARK + text.format(**known)
