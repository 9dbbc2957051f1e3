"""What the commands answer: exit codes, keys, order, forms of time."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.support.broker import running_broker
from tests.support.service import NIGHTHERON, Service, command, environment
from tests.support.talker import Talker, chamber, site

SETS = ("bounding-set", "inh-caps")
"""What root must give up to be refused by a file's mode."""
CAUSES = [
    "reading_below_floor",
    "probe_silent",
    "probe_stuck",
    "guard_killed",
    "guard_frozen",
    "keeper_killed",
    "valve_unreachable",
    "broker_lost",
    "host_lost",
]
WRITTEN = """
[site]
name = "north-greenhouse"
data_dir = "data"
timezone = "Europe/Lisbon"
starts_per_hour = 10

[mqtt]
host = "127.0.0.1"
port = 1883
username = "nightheron"
tls = false
publish = true
prefix = "nightheron"

[[chamber]]
name = "west"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
min_rest_s = 120
settle_s = 30
deep_low_margin_ph = 0.30
spread_ph = 0.20
longest_opening_s = 21600
trial_opening_s = 600
trial_pause_s = 1800
probe_lag_s = 60
tail_s = 90
commissioning = "advise"
[chamber.probe]
driver = "serial"
port = "/dev/serial/by-id/made-up"
baud = 9600
pattern = '(?P<value>-?\\d+\\.\\d+)'
unit = "ph"
period_s = 1.0
stale_s = 5.0
[chamber.valve]
driver = "mqtt"
order_topic = "greenhouse/west/gas/order"
open_order = "OPEN"
close_order = "CLOSE"
feedback_topic = "greenhouse/west/gas"
device_timer_s = 10
lease_s = 5.0
travel_s = 2

[[tank]]
name = "display"
chambers = ["west"]
low_ph = 7.70
clear_ph = 7.80
required = false
[tank.probe]
driver = "mqtt"
topic = "greenhouse/display/ph"
stale_s = 60.0

[alerts]
urls_file = "push.urls"
delay_s = 60
digest_at = "07:30"
heartbeat_url = ""
"""


def test_check_takes_every_named_key(tmp_path: Path) -> None:
    """A file with every key there is passes, warns of the absent port, and bounds every cause in order."""
    config = tmp_path / "nightheron.toml"
    config.write_text(WRITTEN)
    (tmp_path / "push.urls").write_text("json://127.0.0.1\n")
    done = command(config, "check", "--json")
    answer = json.loads(done.stdout)
    assert (done.returncode, answer["ok"], answer["errors"]) == (0, True, [])
    assert "chamber.west.probe.port" in {one["key"] for one in answer["warnings"]}
    assert [row["cause"] for row in answer["budget"]] == CAUSES
    keys = {"chamber", "cause", "seconds", "by", "water_s", "process_safety_s"}
    assert all(keys <= set(row) for row in answer["budget"])
    assert all(row["water_s"] > row["seconds"] > 0 for row in answer["budget"])
    config.write_text(WRITTEN.replace("device_timer_s = 10", ""))
    rows = json.loads(command(config, "check", "--json").stdout)["budget"]
    unbounded = {row["cause"] for row in rows if row["seconds"] is None}
    assert unbounded >= {"valve_unreachable", "host_lost"}
    assert "NOT BOUNDED" in command(config, "check").stdout


def test_the_same_by_defaults(tmp_path: Path) -> None:
    """Leaving out every key but names, probe and valve guards with the same numbers."""
    config = tmp_path / "nightheron.toml"
    config.write_text(WRITTEN)
    (tmp_path / "push.urls").write_text("json://127.0.0.1\n")
    full = json.loads(command(config, "check", "--json").stdout)["effective"]
    kept = r"(\[|name|chambers|data_dir|driver|port = \"|pattern|order_topic|topic)"
    config.write_text("\n".join(line for line in WRITTEN.splitlines() if re.match(kept, line)))
    bare = json.loads(command(config, "check", "--json").stdout)["effective"]
    assert bare["chamber"][0]["valves"][0]["lease_s"] == 5.0
    for key in ("feedback_topic", "device_timer_s"):
        full["chamber"][0]["valves"][0][key] = None
    full["site"]["timezone"], full["mqtt"]["username"], full["alerts"]["urls"] = "UTC", None, 0
    full["tank"][0]["probe"]["stale_s"] = 5.0
    assert bare == full


def test_unknown_variables_are_refused(tmp_path: Path) -> None:
    """Every command refuses a variable with our prefix that nothing reads; check names it in JSON."""
    config = tmp_path / "nightheron.toml"
    config.write_text(WRITTEN.replace("urls_file", "# urls_file"))
    variables = environment() | {"NIGHTHERON_FLOOR": "6.6"}
    words = ["check", "run", "status", "why", "log", "verify", "replay", "demo", "listen", "release west"]
    for line in [*words, "valve close west", "service off west"]:
        done = subprocess.run(  # noqa: S603 - our own program
            [*NIGHTHERON, *line.split(), "--config", str(config)],
            env=variables,
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert (line, done.returncode) == (line, 2)
        assert "NIGHTHERON_FLOOR" in done.stderr
    done = subprocess.run(  # noqa: S603 - our own program
        [*NIGHTHERON, "check", "--json", "--config", str(config)],
        env=variables,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert [one["key"] for one in json.loads(done.stdout)["errors"]] == ["NIGHTHERON_FLOOR"]
    assert not (tmp_path / "nightheron-demo").exists()


def test_the_variable_names_the_file(tmp_path: Path) -> None:
    """NIGHTHERON_CONFIG names the configuration, and --config wins over it."""
    config = tmp_path / "nightheron.toml"
    config.write_text(WRITTEN.replace("urls_file", "# urls_file"))
    for named, words, code in (
        (config, [], 0),
        ("/absent", [], 2),
        ("/absent", ["--config", str(config)], 0),
    ):
        done = subprocess.run(  # noqa: S603 - our own program
            [*NIGHTHERON, "check", *words],
            env=environment() | {"NIGHTHERON_CONFIG": str(named)},
            capture_output=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == code


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The configuration of a site that has opened, cut, been held and stopped."""
    folder = tmp_path_factory.mktemp("lived")
    with running_broker() as broker, Talker(broker, zulu="6.91", alpha="6.91") as talker:
        config = folder / "nightheron.toml"
        config.write_text(site(broker, [chamber("zulu"), chamber("alpha")]))
        with Service(config) as service:
            service.wait_gas("open")
            talker.said["zulu"] = "6.5"
            service.wait_gas("closed")
            on = command(config, "service", "on", "alpha", "--for", "20m", "--why", "buffers")
            assert on.returncode == 0
            status = service.status()
            assert [one["name"] for one in status["chambers"]] == ["zulu", "alpha"]
            why = json.loads(command(config, "why", "--json").stdout)
            assert [set(one) for one in why] == [set(one) for one in status["chambers"]]
            service.signal(signal.SIGTERM)
            assert service.ends() == 0
    yield config


def rows(config: Path, *words: str) -> list[dict[str, Any]]:
    done = command(config, "log", "--json", *words)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_log_has_every_key_in_every_row(lived: Path) -> None:
    """Each row has every key, null where it does not apply, oldest first, numbered without a gap."""
    found = rows(lived)
    keys = {
        "seq",
        "utc",
        "boot",
        "mono_ns",
        "kind",
        "chamber",
        "state",
        "gas",
        "reason",
        "reasons",
        "ph",
        "hash",
    }
    assert all(keys <= set(row) for row in found)
    assert [row["seq"] for row in found] == list(range(1, len(found) + 1))
    times = [row["mono_ns"] for row in found]
    assert times == sorted(times)
    assert {"start", "config", "decision", "act", "snapshot", "stop"} <= {row["kind"] for row in found}
    assert all(datetime.fromisoformat(row["utc"]).tzinfo is not None for row in found)
    act = next(row for row in found if row["kind"] == "act")
    assert (act["chamber"], act["why"]) == ("alpha", "buffers")
    cut = next(r for r in found if r["kind"] == "decision" and r["reason"] == "floor")
    assert (cut["chamber"], cut["gas"], cut["ph"], cut["reasons"][0]) == ("zulu", "closed", 6.5, "floor")


def test_log_s_choices(lived: Path) -> None:
    """--kind, --chamber, --limit (the newest), and --since/--until as time, date or span choose rows."""
    all_rows = rows(lived)
    assert rows(lived, "--limit", "3") == all_rows[-3:]
    assert rows(lived, "--kind", "decision") == [r for r in all_rows if r["kind"] == "decision"]
    assert rows(lived, "--chamber", "alpha") == [r for r in all_rows if r["chamber"] == "alpha"]
    newest = [r for r in all_rows if r["kind"] == "decision"][-1:]
    assert rows(lived, "--kind", "decision", "--limit", "1") == newest
    assert rows(lived, "--since", "8h") == rows(lived, "--since", "2000-01-01") == all_rows
    assert rows(lived, "--until", "8h") == rows(lived, "--until", "2000-01-01") == []
    middle = all_rows[len(all_rows) // 2]["utc"]
    assert rows(lived, "--since", middle) == [r for r in all_rows if r["utc"] >= middle]
    assert rows(lived, "--until", middle) == [r for r in all_rows if r["utc"] < middle]
    zoned = (datetime.fromisoformat(middle).astimezone(UTC) + timedelta(hours=5)).replace(tzinfo=None)
    assert rows(lived, "--since", f"{zoned.isoformat()}+05:00") == rows(lived, "--since", middle)
    today = datetime.now().astimezone().date().isoformat()
    assert rows(lived, "--until", today)[-1:] == all_rows[-1:]
    for wrong in (["--since", "yesterday"], ["--limit", "0"], ["--limit", "x"], ["--until", "2026-13-01"]):
        done = command(lived, "log", *wrong)
        assert (done.returncode, "Traceback" in done.stderr) == (2, False)


def test_verify_and_heads(lived: Path, tmp_path: Path) -> None:
    """verify counts what log shows; --head takes any hash of the chain, or its beginning, and no other."""
    found = rows(lived)
    whole = json.loads(command(lived, "verify", "--json").stdout)
    assert (whole["ok"], whole["entries"], whole["first_bad"]) == (True, len(found), None)
    assert whole["head"] == found[-1]["hash"]
    for head in (found[0]["hash"], found[-1]["hash"], found[2]["hash"].upper(), found[3]["hash"][:8]):
        assert command(lived, "verify", "--head", head).returncode == 0
    done = command(lived, "verify", "--head", "0" * 64, "--json")
    assert (done.returncode, json.loads(done.stdout)["ok"]) == (1, False)
    assert command(lived, "verify", "--head", "zz").returncode == 2
    other = tmp_path / "nightheron.toml"
    shutil.copy(lived, other)
    assert command(other, "verify").returncode == 2
    shutil.copytree(lived.parent / "data", tmp_path / "data")
    db = sqlite3.connect(tmp_path / "data" / "journal.db")
    db.execute("UPDATE entries SET body = replace(body, 'floor', 'flour') WHERE seq = 5")
    db.execute("DELETE FROM entries WHERE seq = 7")
    db.commit()
    db.close()
    done = command(other, "verify", "--json")
    assert (done.returncode, json.loads(done.stdout)["ok"]) == (1, False)
    assert json.loads(done.stdout)["first_bad"] in (5, 7, 8)
    (tmp_path / "data" / "journal.db").write_bytes(b"not a journal" * 1000)
    done = command(other, "verify", "--json")
    assert (done.returncode, json.loads(done.stdout)["ok"]) == (1, False)


def test_a_journal_of_somebody_else_is_not_damaged(lived: Path, tmp_path: Path) -> None:
    """Who may not read the journal is told so with exit 2, never that it is damaged."""
    config = tmp_path / "nightheron.toml"
    shutil.copy(lived, config)
    data = tmp_path / "data"
    shutil.copytree(lived.parent / "data", data)
    drop = [] if os.geteuid() else ["setpriv", *(f"--{one}=-dac_override,-dac_read_search" for one in SETS)]
    for path in (data / "journal.db", data):
        mode = path.stat().st_mode
        path.chmod(0)
        for word in ("log", "verify", "replay"):
            done = subprocess.run(  # noqa: S603 - our own program, as a user who may not do everything
                [*drop, *NIGHTHERON, word, "--config", str(config)],
                env=environment(),
                capture_output=True,
                text=True,
                timeout=60,
                check=False,
            )
            assert (word, done.returncode) == (word, 2)
            assert done.stderr.startswith("You may not read")
        path.chmod(mode)


def test_odd_words_are_usage(lived: Path) -> None:
    """Odd words exit 2 with a sentence; an act without a service exits 3."""
    for line in (
        "bogus",
        "valve open zulu",
        "service maybe zulu",
        "service on",
        "release",
        "verify --what",
        "",
    ):
        done = command(lived, *line.split())
        assert (line, done.returncode, "Traceback" in done.stderr) == (line, 2, False)
    for span in ("0m", "-5m", "20", "20 minutes", "15d", "nan"):
        assert command(lived, "service", "on", "zulu", "--for", span, "--why", "x").returncode == 2
    assert command(lived, "service", "on", "zulu", "--for", "20m", "--why", "x").returncode == 3


def test_answers_are_quick(tmp_path: Path) -> None:
    """Help and status import little: neither brings in what validates, connects or stores."""
    heavy = {"pydantic", "paho", "serial", "structlog", "sqlite3", "apscheduler", "nightheron.guard"}
    config = tmp_path / "nightheron.toml"
    config.write_text(WRITTEN)
    for words in (["--help"], ["run", "--help"], ["status", "--config", str(config)]):
        script = (
            "import sys\nfrom nightheron.cli.main import main\n"
            f"try:\n    main({words!r})\nexcept SystemExit:\n    pass\n"
            "print(' '.join(sys.modules), file=sys.stderr)"
        )
        done = subprocess.run(  # noqa: S603 - our own program
            [NIGHTHERON[0], "-c", script],
            env=environment(),
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert not heavy & set(done.stderr.split())


def test_nothing_to_do_is_fine_and_a_second_run_is_not(tmp_path: Path) -> None:
    """service off without a hold and release without a latch exit 0; a second run exits 1 in good time."""
    with running_broker() as broker, Talker(broker, west="6.91"):
        config = tmp_path / "nightheron.toml"
        config.write_text(site(broker, [chamber("west")]))
        with Service(config) as service:
            service.wait_gas("open")
            assert command(config, "service", "off", "west").returncode == 0
            assert command(config, "release", "west").returncode == 0
            assert command(config, "release", "nobody").returncode == 2
            assert service.chamber()["gas"] == "open"
            began = time.monotonic()
            assert command(config, "run").returncode == 1
            assert time.monotonic() - began < 30
            assert service.chamber()["gas"] == "open"
