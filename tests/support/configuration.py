"""A sound configuration of an invented site, and ways to spoil it."""

from __future__ import annotations

from pathlib import Path

SECRET = "canary-7c1d"  # noqa: S105 - an invented word that must never be printed
GOOD = r"""
[site]
name = "north-greenhouse"
data_dir = "data"

[mqtt]
host = "127.0.0.1"
port = 1883
username = "nightheron"
password_file = "broker.password"

[[chamber]]
name = "west"
floor_ph = 6.60
resume_ph = 6.70
[chamber.probe]
driver = "serial"
port = "/dev/made-up-probe"
pattern = '(?P<value>-?\d+\.\d+)'
[chamber.valve]
driver = "serial"
port = "/dev/made-up-valve"
open_line = "OPEN"
close_line = "SHUT"

[[chamber]]
name = "east"
water_l = 2.5
[chamber.probe]
driver = "mqtt"
topic = "greenhouse/east/ph"
[chamber.valve]
driver = "mqtt"
order_topic = "greenhouse/east/gas/order"

[[tank]]
name = "display"
chambers = ["west", "east"]
[tank.probe]
driver = "mqtt"
topic = "greenhouse/display/ph"
stale_s = 60.0

[alerts]
delay_s = 60
"""


def write(directory: Path, text: str = GOOD) -> Path:
    """The file, with the broker's password beside it."""
    password = directory / "broker.password"
    password.write_text(SECRET + "\n")
    password.chmod(0o600)
    path = directory / "nightheron.toml"
    path.write_text(text)
    return path


def changed(*pairs: tuple[str, str], text: str = GOOD) -> str:
    """``text`` with the first place of each old piece made new; raises when a piece is not there."""
    for old, new in pairs:
        if old not in text:
            raise ValueError(f"{old!r} is not in the text")
        text = text.replace(old, new, 1)
    return text
