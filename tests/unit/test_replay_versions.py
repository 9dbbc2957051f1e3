"""Journals that another version of the program wrote: they say so, and are replayed as far as they can be."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli.main import main
from nightheron.journal import pack as packing
from nightheron.journal.pack import NotKnown, pack, unpack
from nightheron.journal.span import rows
from nightheron.journal.verify import verify
from nightheron.model import NS, Act, Acted, Observed, Signal, Ticked
from nightheron.runtime import recorder
from nightheron.version import program_version

from tests.support.replays import rewrite
from tests.support.short_night import play

OLDER, NEWER = "0.0.9", "7.0.0"


@dataclass(frozen=True)
class Weighed:
    """An event that this program has never heard of."""

    at_ns: int
    grams: float


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An hour and a quarter in two runs, with a snapshot every ten minutes."""
    with pytest.MonkeyPatch.context() as sooner:
        sooner.setattr(recorder, "SNAPSHOT_NS", 600 * NS)
        return play(tmp_path_factory.mktemp("versions")).parent


@pytest.fixture
def folder(played: Path, tmp_path: Path) -> Path:
    """A copy of it for one test."""
    return Path(shutil.copytree(played, tmp_path / "copy"))


def recorded_by(folder: Path, version: str) -> Path:
    """Let every start of the journal say another version; its path."""
    path = folder / "journal.db"

    def say(body: dict[str, Any], inputs: bytes | None) -> bytes | None:
        body["version"] = version
        return inputs

    for row in [row for row in rows(path, 1, 10**9) if row.kind == "start"]:
        rewrite(path, row.seq, say)
    return path


def replays(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any], str]:
    """Exit code, JSON and text of ``nightheron replay``."""
    words = ["replay", "--config", str(folder / "nightheron.toml")]
    code = main(words)
    text = " ".join(capsys.readouterr().out.split())
    assert main([*words, "--json"]) == code
    return code, json.loads(capsys.readouterr().out), text


def deciding(path: Path) -> list[int]:
    """Numbers of the rows that carry inputs, of the first run."""
    starts = [row.seq for row in rows(path, 1, 10**9) if row.kind == "start"]
    return [row.seq for row in rows(path, 1, starts[1]) if row.inputs is not None]


def test_what_this_version_wrote_says_nothing_of_versions(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A journal of this very version is replayed without a word about versions; its runs are in the JSON."""
    code, answer, text = replays(folder, capsys)
    assert (code, answer["identical"], answer["skipped"]) == (0, True, [])
    assert answer["version"] == program_version()
    assert [one["version"] for one in answer["runs"]] == [program_version()] * 2
    assert all(len(one["config_sha256"]) == 64 for one in answer["runs"])
    assert "Recorded" not in text


def test_another_version_is_said_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A journal that another version wrote and that decides the same says in one sentence who wrote it."""
    recorded_by(folder, OLDER)
    code, answer, text = replays(folder, capsys)
    assert (code, answer["identical"]) == (0, True)
    assert text.count(OLDER) == 1
    assert f"by nightheron {OLDER}, replayed by {program_version()}." in text
    assert "Every decision is the same, bit for bit." in text


def test_a_difference_may_be_the_programs_own_change(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where versions differ, a difference is not called the journal's, and the way to tell is named."""
    path = recorded_by(folder, OLDER)

    def lift(body: dict[str, Any], inputs: bytes | None) -> bytes:
        del body
        events = unpack(inputs or b"")
        return pack([replace(one, value=8.0) if isinstance(one, Observed) else one for one in events])

    rewrite(path, deciding(path)[20], lift)
    code, answer, text = replays(folder, capsys)
    assert (code, answer["identical"], answer["first_difference"]["version"]) == (1, False, OLDER)
    assert "may be the program's change and not the journal's" in text
    assert f"A replay by nightheron {OLDER} of a copy can tell." in text
    recorded_by(folder, program_version())
    code, answer, text = replays(folder, capsys)
    assert (code, answer["first_difference"]["version"]) == (1, program_version())
    assert "program's change" not in text


def packed_by_a_newer(monkeypatch: pytest.MonkeyPatch, events: Sequence[object]) -> bytes:
    """The pack that a version with one more event would write."""
    with monkeypatch.context() as newer:
        newer.setitem(packing.NUMBER, Weighed, len(packing.TYPES))
        newer.setitem(packing.NAMES, Weighed, ("at_ns", "grams"))
        return pack(events)  # type: ignore[arg-type]  # an event that is none yet


def test_an_event_of_an_unknown_kind_is_named_with_what_to_do(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows with an event that this version does not know are left out by name, up to the next snapshot."""
    path = recorded_by(folder, NEWER)
    victim = deciding(path)[10]

    def weigh(body: dict[str, Any], inputs: bytes | None) -> bytes:
        body["evaluations"] += 1
        events = unpack(inputs or b"")
        return packed_by_a_newer(monkeypatch, [*events, Weighed(events[-1].at_ns, 1.0)])

    rewrite(path, victim, weigh)
    assert verify(path).ok
    code, answer, text = replays(folder, capsys)
    assert (code, answer["identical"], answer["first_difference"]) == (0, True, None)
    [left_out] = answer["skipped"]
    assert left_out["from_seq"] == victim
    assert f"entry {victim} hold an event of a kind (number {len(packing.TYPES)})" in left_out["why"]
    assert f"nightheron {NEWER} recorded it: replay a copy of the journal with that version" in text
    assert answer["rows"] > 20


def test_a_snapshot_with_a_field_of_a_newer_version_is_named(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A snapshot that this version cannot read leaves out what follows it, and names who can read it."""
    path = recorded_by(folder, NEWER)
    first = next(row for row in rows(path, 1, 10**9) if row.kind == "snapshot")

    def grow(body: dict[str, Any], inputs: bytes | None) -> bytes | None:
        body["snapshot"]["state"]["weighed_g"] = 1.0
        return inputs

    rewrite(path, first.seq, grow)
    code, answer, _ = replays(folder, capsys)
    assert code == 0
    assert f"entry {first.seq} cannot be read; nightheron {NEWER} recorded it" in answer["skipped"][0]["why"]


def test_what_an_older_version_did_not_write_is_not_compared(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A record that lacks a field of the state and of the decision replays as far as it goes, and says so."""
    path = recorded_by(folder, OLDER)
    kinds = ("snapshot", "decision", "witness")
    known = [(row.seq, json.loads(row.body)) for row in rows(path, 1, 10**9) if row.kind in kinds]
    late = next(seq for seq, body in known if body["kind"] == "witness" and body["gas"] == "open")

    def forget(body: dict[str, Any], inputs: bytes | None) -> bytes | None:
        if body["kind"] == "snapshot":
            for name in ("learned", "watch"):
                del body["snapshot"]["state"][name]
        elif body["seq"] >= late:
            del body["signals"]
        return inputs

    for seq, _ in known:
        rewrite(path, seq, forget)
    code, answer, text = replays(folder, capsys)
    assert (code, answer["identical"], answer["skipped"]) == (0, True, [])
    assert {"decision.signals", "state.learned", "state.watch"} <= {*answer["not_compared"]}
    assert "Not compared, for it was not written down then: decision.signals" in text
    recorded_by(folder, program_version())
    code, answer, _ = replays(folder, capsys)
    assert (code, answer["not_compared"]) == (1, [])
    assert answer["first_difference"]["fields"] == ["signals"]


def test_what_a_pack_holds_and_nobody_knows_is_told_from_damage(monkeypatch: pytest.MonkeyPatch) -> None:
    """A newer layout, event, signal, word or field is not known; it is not called damaged."""
    newer = [packed_by_a_newer(monkeypatch, [Weighed(1, 2.0)]), bytes([9]) + pack([Ticked(1)])[1:]]
    with monkeypatch.context() as later:
        later.setattr(packing, "SIGNALS", (Signal.TANK_PH,) * len(packing.SIGNALS) + (Signal.CHAMBER_PH,))
        newer.append(pack([Observed(1, Signal.CHAMBER_PH, 0, 6.8, "6.8")]))
    with monkeypatch.context() as later:
        later.setitem(packing.NAMES, Acted, (*packing.NAMES[Acted], "who"))
        newer.append(pack([Acted(1, Act.HOLD, "somebody")]))
    for data in newer:
        with pytest.raises(NotKnown, match="know"):
            unpack(data)
    word = pack([Acted(1, Act.HOLD, "somebody")])
    with monkeypatch.context() as earlier:
        earlier.setattr("nightheron.journal.packbits.ENUMS", (Signal,) * 5)
        with pytest.raises(NotKnown, match="the word"):
            unpack(word)
        earlier.setattr("nightheron.journal.packbits.ENUMS", ())
        with pytest.raises(NotKnown, match="a word of a sort"):
            unpack(word)
