"""A real broker on a free port of 127.0.0.1, which a test can kill, freeze and start again."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

HOST = "127.0.0.1"
PATIENCE_S = 20.0


class RunningBroker:
    """One mosquitto process; ``port`` stays the same over ``kill`` and ``start``."""

    def __init__(self, directory: Path, more: Iterable[str] = ()) -> None:
        self.host = HOST
        self.port = 0
        self.directory = directory
        self._more = tuple(more)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        """What the broker wrote since its first start."""
        path = self.directory / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    @property
    def pid(self) -> int:
        """Process id of the running broker."""
        if self._process is None:
            raise RuntimeError("the broker is not running; call start() first")
        return self._process.pid

    def start(self) -> None:
        """Start it and wait until it accepts connections; the first start picks the port."""
        for _ in range(5):
            port = self.port or free_port()
            self._process = self._spawn(port)
            if self._accepts(port):
                self.port = port
                return
            self.kill()
        raise RuntimeError(f"mosquitto would not listen:\n{self.log}")

    def _spawn(self, port: int) -> subprocess.Popen[bytes]:
        config = self.directory / "mosquitto.conf"
        lines = [
            f"listener {port} {HOST}",
            "persistence false",
            "set_tcp_nodelay true",
            f"user {pwd.getpwuid(os.getuid()).pw_name}",
            *self._more,
        ]
        if not any(line.startswith("allow_anonymous") for line in lines):
            lines.append("allow_anonymous true")
        config.write_text("\n".join(lines) + "\n")
        binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with (self.directory / "mosquitto.log").open("ab") as log:
            return subprocess.Popen([binary, "-c", str(config)], stdout=log, stderr=log)  # noqa: S603 - our own arguments

    def _accepts(self, port: int) -> bool:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and self._process is not None and self._process.poll() is None:
            try:
                with socket.create_connection((HOST, port), timeout=0.5):
                    return True
            except OSError:
                time.sleep(0.02)
        return False

    def kill(self) -> None:
        """SIGKILL: no last words, every connection is reset."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._process = None

    def restart(self) -> None:
        """Killed and started again on the same port; without persistence it remembers nothing."""
        self.kill()
        self.start()

    def freeze(self) -> None:
        """SIGSTOP: connections stay up and nothing answers."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """SIGCONT after ``freeze``."""
        os.kill(self.pid, signal.SIGCONT)

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 1, retain: bool = False) -> None:
        """Publish one message and wait until the broker has it."""
        with Client(self) as client:
            client.publish(topic, payload, qos=qos, retain=retain)


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it arrived; ``at`` is time.monotonic()."""

    at: float
    topic: str
    payload: bytes
    retain: bool
    qos: int


class Client:
    """A plain client beside the program under test: publishes, and keeps what it hears."""

    def __init__(
        self,
        broker: RunningBroker,
        *topics: str,
        client_id: str = "",
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        self.messages: list[Message] = []
        self._broker = broker
        self._topics = topics
        self._subscribed = threading.Event()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5
        )
        if username is not None:
            self._client.username_pw_set(username, password)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._heard

    def _connected(
        self,
        client: paho.Client,
        _data: object,
        _flags: object,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if code.is_failure:
            return
        if self._topics:
            client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self._topics])
        else:
            self._subscribed.set()

    def _heard(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self.messages.append(
            Message(time.monotonic(), message.topic, bytes(message.payload), message.retain, message.qos)
        )

    def __enter__(self) -> Client:
        self._client.connect(self._broker.host, self._broker.port, keepalive=30)
        self._client.loop_start()
        if not self._subscribed.wait(PATIENCE_S):
            raise TimeoutError("the test's own client could not connect and subscribe")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 1, retain: bool = False) -> None:
        """Publish and wait for the broker's acknowledgement."""
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(PATIENCE_S)

    def wait_for(self, wanted: Callable[[Message], bool], within_s: float = PATIENCE_S) -> Message:
        """The first message that is wanted, heard already or within this time."""
        end = time.monotonic() + within_s
        seen = 0
        while True:
            messages = self.messages[seen:]
            for message in messages:
                if wanted(message):
                    return message
            seen += len(messages)
            if time.monotonic() > end:
                raise TimeoutError(f"not heard within {within_s} s; heard {self.messages[-20:]}")
            time.sleep(0.005)


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


@contextmanager
def running_broker(*more: str) -> Iterator[RunningBroker]:
    """A broker for the length of a test; ``more`` are further lines for its configuration file."""
    with tempfile.TemporaryDirectory(prefix="nh-broker-") as directory:
        broker = RunningBroker(Path(directory), more)
        broker.start()
        try:
            yield broker
        finally:
            broker.kill()
