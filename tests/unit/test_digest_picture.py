"""The picture that goes with the morning's digest, and the digest that goes without it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from nightheron.model import JsonValue
from nightheron.runtime import digest
from nightheron.runtime.couriers import Couriers
from nightheron.runtime.inbox import DigestDue

from tests.support.devices import wait_until
from tests.support.endpoint import Endpoint
from tests.support.pushes import TellingBench
from tests.support.short_night import FROM, TO, play

PNG = b"\x89PNG\r\n\x1a\n"
DAY = "2026-03-15"
JOB: dict[str, JsonValue] = {"series": {}, "closings": [], "gaps": [], "zone": "UTC"}


def child(module: str, job: object) -> dict[str, Any]:
    """What a child of the service answers to one line of JSON."""
    done = subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-m", module],
        input=json.dumps(job).encode() + b"\n",
        capture_output=True,
        timeout=120,
        check=False,
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_the_digest_of_a_night_comes_with_its_picture(tmp_path: Path) -> None:
    """Three sentences, and a picture of at most 300 kB in a file of that day; yesterday's is removed."""
    path = play(tmp_path).parent / "journal.db"
    (tmp_path / "digest-2026-03-14.png").write_bytes(PNG)
    times = {"since": FROM.replace("Z", ".000Z"), "until": TO.replace("Z", ".000Z"), "day": DAY}
    found = child("nightheron.runtime.digest", {"path": str(path), "zone": "UTC", "site": "north", **times})
    assert all(f"\n{begin}" in found["lines"] for begin in ("It made", "Of ", "It cannot know"))
    drawn = Path(found["picture"])
    assert [drawn] == list(tmp_path.glob("digest-*.png"))
    assert drawn.name == f"digest-{DAY}.png"
    assert drawn.read_bytes().startswith(PNG)
    assert 5_000 < drawn.stat().st_size <= digest.PICTURE_MOST_BYTES


def test_without_the_library_there_is_no_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where matplotlib is not installed nothing is drawn and nothing else is different."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert digest.picture(tmp_path, DAY, JOB) is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("how", ["a job that cannot be drawn", "no module", "too late", "no place for it"])
def test_a_picture_that_fails_holds_up_no_digest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """A drawing that fails, hangs or has nowhere to go is no picture, and no exception."""
    if how == "no module":
        monkeypatch.setattr(digest, "PICTURE", "nightheron.report.no_such_module")
    elif how == "too late":
        monkeypatch.setattr(digest, "DRAW_S", 0.01)
    elif how == "no place for it":
        monkeypatch.setattr(digest, "PICTURE", "nightheron.version")
        monkeypatch.setattr(digest, "PICTURE_MOST_BYTES", -1)
    assert digest.picture(tmp_path, DAY, JOB) is None
    assert digest.picture(tmp_path, DAY, None) is None
    assert list(tmp_path.glob("digest-*")) == []


@pytest.mark.parametrize("path", ["ok", "words"])
def test_the_words_come_whatever_becomes_of_the_picture(tmp_path: Path, path: str) -> None:
    """A picture goes along once; a service that refuses it gets the words alone, as does a missing file."""
    picture = tmp_path / "digest.png"
    picture.write_bytes(PNG + bytes(1000))
    huge = tmp_path / "huge.png"
    huge.write_bytes(bytes(400_000))
    message: dict[str, JsonValue] = {"title": "north: quiet night", "body": "words", "wakes": False}
    said: dict[str, str] = {}
    couriers = Couriers(lambda label, why_not: said.update({label: why_not}), 60.0)
    with Endpoint() as endpoint:
        for number, attach in enumerate((str(picture), str(huge), str(tmp_path / "gone.png"), None), 1):
            couriers.send(str(number), endpoint.url(path), [{**message, "attach": attach}])
            wait_until(lambda number=number: len(said) == number, 90, f"courier {number} ({said})")  # type: ignore[misc]  # bound now
    assert set(said.values()) == {""}
    assert [len(one["attachments"]) for one in endpoint.got] == [1 if path == "ok" else 0, 0, 0, 0]
    assert {one["title"] for one in endpoint.got} == {message["title"]}


def test_a_second_try_goes_without_the_picture() -> None:
    """What a service choked on once, so that it had to be tried again, is left out the next time."""
    bench = TellingBench().wait(1)
    bench.service.digest_says = json.dumps(
        {"title": "t", "lines": "l", "picture": "/some/digest.png"}
    ).encode()
    bench.service.why_not = "no answer"
    bench.inbox.post(DigestDue(DAY))
    bench.wait(2)
    bench.service.why_not = ""
    bench.wait(200)
    tried = [one.get("attach") for one in bench.service.messages if one["title"] == "t"]
    assert tried[0] == "/some/digest.png"
    assert len(tried) > 1
    assert set(tried[1:]) == {None}
