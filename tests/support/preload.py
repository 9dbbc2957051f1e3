"""Libraries that tests preload into processes: compiled from their C source when they are wanted."""

from __future__ import annotations

import subprocess
from pathlib import Path

HERE = Path(__file__).parent


def preload(name: str, folder: Path) -> Path:
    """The library of ``tests/support/NAME.c``, compiled into this folder."""
    made, source = folder / f"{name}.so", HERE / f"{name}.c"
    subprocess.run(  # noqa: S603 - our own source
        ["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", str(made), str(source), "-ldl"],  # noqa: S607 - whatever compiler this machine has
        check=True,
        timeout=60,
    )
    return made
