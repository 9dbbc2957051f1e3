"""One chamber under siege: a probe on a serial line, a valve on a broker, and the service between them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice
from tests.support.pty_port import PtyPort
from tests.support.service import Service, Speaker
from tests.support.siege import HIGH_PH, Part, Siege, besieged, mqtt_valve, serial_probe, write_site

TOPIC = "house/west/gas/order"
ANY_WORD = r"(?P<value>\S+)"


@dataclass
class House:
    """Everything a fault can be laid at."""

    siege: Siege
    valve: MqttDevice
    probe: Speaker
    port: PtyPort
    broker: RunningBroker


@contextmanager
def house_under_siege(
    folder: Path,
    *,
    timer_s: float | None = None,
    pattern: str = ANY_WORD,
    data_dir: Path | None = None,
    words: tuple[str, ...] | None = None,
    **keys: object,
) -> Iterator[House]:
    """``timer_s``: the valve's own timer, else it has none; ``words``: what starts the service, else ``run``.

    The pattern lets through every word, so that what is no number reaches the reader of numbers.
    """
    with (
        running_broker() as broker,
        PtyPort(folder) as port,
        MqttDevice(broker, TOPIC, timer_s=timer_s) as valve,
        Speaker(port, HIGH_PH) as probe,
    ):
        part = Part("west", serial_probe(port.path, pattern), mqtt_valve(TOPIC, timer_s), keys)
        where = {} if data_dir is None else {"data_dir": str(data_dir)}
        config = write_site(folder, broker.port, [part], **where)
        service = Service(config, data_dir) if words is None else Service(config, data_dir, words)
        with besieged(config, service) as siege:
            yield House(siege, valve, probe, port, broker)
