"""Probes on a broker that go on saying what they are told to say, and the site that listens to them."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable, Mapping
from contextlib import suppress

from tests.support.broker import Client, RunningBroker

EVERY_S = 0.2
NO_VALUES: Mapping[str, object] = {}
Said = bytes | str | None


class Talker:
    """Publishes each topic's payload five times a second; None is silence."""

    def __init__(self, broker: RunningBroker, **said: Said) -> None:
        self.said: dict[str, Said] = dict(said)
        self._client = Client(broker)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Talker:
        self._client.__enter__()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(20)
        self._client.__exit__()

    def _run(self) -> None:
        while not self._ending.wait(EVERY_S):
            for topic, payload in list(self.said.items()):
                if payload is not None:
                    # While the broker is gone nothing is said; the client comes back by itself.
                    with suppress(RuntimeError):
                        self._client.publish(topic, payload, qos=0)


def chamber(
    name: str,
    probe: str = "",
    valve: str = "",
    *,
    driver: str = 'driver = "mqtt"',
    values: Mapping[str, object] = NO_VALUES,
) -> str:
    """One chamber with an mqtt probe on the topic of its name; quick but lawful times."""
    keys = {"min_rest_s": 1, "settle_s": 1, **values}
    lines = "\n".join(f"{key} = {json.dumps(value)}" for key, value in keys.items())
    orders = f'driver = "mqtt"\norder_topic = "orders/{name}"\nlease_s = 2.0'
    topic = "" if "port" in probe else f'topic = "{name}"'
    return f"""
[[chamber]]
name = "{name}"
{lines}
[chamber.probe]
{driver}
{topic}
period_s = 0.3
stale_s = 2.0
{probe}
[chamber.valve]
{orders}
{valve}
"""


def site(broker: RunningBroker, chambers: Iterable[str], *, mqtt: str = "", keys: str = "") -> str:
    """The whole file; ``mqtt`` and ``keys`` are further lines of [mqtt] and [site]."""
    return f"""
[site]
name = "house"
data_dir = "data"
{keys}
[mqtt]
host = "127.0.0.1"
port = {broker.port}
{mqtt}
{"".join(chambers)}
"""
