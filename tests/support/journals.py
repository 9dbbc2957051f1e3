"""Small journals for tests: drafts that look like the service's, and both verifiers over a file."""

from __future__ import annotations

import importlib.util
import sqlite3
from pathlib import Path
from types import ModuleType

from nightheron.journal.draft import Draft
from nightheron.journal.pack import pack
from nightheron.journal.store import Store
from nightheron.journal.verify import Result, verify
from nightheron.model import NS, Ticked

UTC = "2026-03-01T22:00:00.000Z"
ALONE = Path(__file__).parents[2] / "deploy" / "verify_journal.py"


def draft(number: int = 1, kind: str = "decision", **changes: object) -> Draft:
    """Row ``number`` of a night, a second after the one before."""
    at_ns = (1000 + number) * NS
    given: dict[str, object] = {
        "kind": kind,
        "utc": f"2026-03-01T22:{number // 60 % 60:02d}:{number % 60:02d}.000Z",
        "boot": "b1",
        "mono_ns": at_ns,
        "chamber": "west",
        "body": {"state": "resting", "gas": "closed", "reason": "floor", "reasons": ["floor"], "ph": 6.55},
        "inputs": pack([Ticked(at_ns)]),
    }
    return Draft(**(given | changes))  # type: ignore[arg-type]  # tests pass fields by name


def filled(data_dir: Path, rows: int = 10) -> Path:
    """A closed journal with that many rows; its path."""
    store = Store(data_dir, UTC)
    store.append([draft(number) for number in range(1, rows + 1)])
    store.close()
    return store.path


def edit(path: Path, *statements: str) -> None:
    """Change a journal behind the program's back."""
    db = sqlite3.connect(path)
    with db:
        for statement in statements:
            db.execute(statement)
    db.close()


def alone() -> ModuleType:
    """The stand-alone verifier, loaded from its file."""
    spec = importlib.util.spec_from_file_location("verify_journal", ALONE)
    if spec is None or spec.loader is None:
        raise ImportError(str(ALONE))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def both(path: Path, head: str | None = None) -> tuple[Result, int]:
    """What verify finds, and the stand-alone verifier's exit code."""
    arguments = [str(path)] + (["--head", head] if head else [])
    return verify(path, head), alone().main(arguments)
