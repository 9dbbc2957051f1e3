"""The real service, a real push service beside it, and what breaks between them."""

from __future__ import annotations

import signal
import time
from collections import Counter
from pathlib import Path

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import wait_until
from tests.support.endpoint import Endpoint
from tests.support.pty_port import PtyPort
from tests.support.service import Service, Speaker, command, one_chamber

HIGH_PH = 6.9
LOST = "west-chamber_ph_lost-1"
SECRET = "canary-7c1d"  # noqa: S105 - an invented word that must never be printed


def site(folder: Path, broker: RunningBroker, port: PtyPort, endpoint: Endpoint) -> Path:
    """One chamber and one push address with a token in it."""
    urls = folder / "push.urls"
    urls.write_text(f"{endpoint.url()}?+X-Token={SECRET}\n")
    urls.chmod(0o600)
    path = folder / "nightheron.toml"
    text = one_chamber(broker, str(port.path))
    path.write_text(f'{text}\n[alerts]\nurls_file = "push.urls"\ndelay_s = 1\n')
    return path


def test_an_alarm_outlives_a_refusing_service_and_a_killed_guard(tmp_path: Path) -> None:
    """Refused, then the guard killed, then restarted: it arrives once, is seen, and no secret shows."""
    with running_broker() as broker, PtyPort(tmp_path) as port, Endpoint() as endpoint:
        config = site(tmp_path, broker, port, endpoint)
        with Service(config) as service:
            with Speaker(port, HIGH_PH):
                wait_until(lambda: "starting" not in service.chamber()["reasons"], 30, "readings")
            endpoint.refuse = True
            wait_until(lambda: "POST ok" in endpoint.asked, 40, "a first try")
            wait_until(lambda: bool(service.rows("--kind", "delivery")), 20, "the refusal in the journal")
            service.signal(signal.SIGKILL)
            service.ends()
            assert endpoint.got == []
            endpoint.refuse = False
            with Service(config) as again:
                wait_until(lambda: bool(endpoint.got), 40, "the push after the restart")
                wait_until(
                    lambda: again.rows("--kind", "delivery")[-1]["state"] == "accepted", 20, "acceptance"
                )
                assert command(config, "alarms").stdout.startswith(f"{LOST}: medium, notice, since ")
                assert command(config, "ack", LOST).returncode == 0
                wait_until(lambda: again.rows("--kind", "delivery")[-1]["state"] == "seen", 20, "seen")
                drill = command(config, "alarms", "test")
                assert (drill.returncode, "accepted by the service" in drill.stdout) == (0, True)
                journal = command(config, "log", "--json").stdout
                assert command(config, "verify").returncode == 0
                assert SECRET not in journal + again.log + drill.stdout + drill.stderr
    titles = Counter(title.partition(",")[0] for title in endpoint.titles())
    assert titles["west: no good pH reading. Gas shut"] == 1
    assert LOST in endpoint.got[0]["message"]


def test_a_service_that_never_answers_delays_no_close(tmp_path: Path) -> None:
    """With a courier hanging, a reading below the floor shuts as fast as ever."""
    with running_broker() as broker, PtyPort(tmp_path) as port, Endpoint() as endpoint:
        config = site(tmp_path, broker, port, endpoint)
        (tmp_path / "push.urls").write_text(f"{endpoint.url('never')}\n")
        with Speaker(port, HIGH_PH) as speaker, Service(config) as service:
            assert command(config, "alarms", "now").stdout == "No alarms.\n"
            service.wait_gas("open")
            control_drill = command(config, "ack", "--all")
            assert control_drill.returncode == 0
            speaker.ph = None
            wait_until(lambda: "POST never" in endpoint.asked, 40, "a courier that hangs")
            speaker.ph = HIGH_PH
            service.wait_gas("open")
            asked = time.monotonic()
            speaker.ph = 6.2
            closed = service.wait_gas("closed")
            assert closed - asked < 2.0
