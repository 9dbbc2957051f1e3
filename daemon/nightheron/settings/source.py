"""The file and the environment, before anything is made of them. Standard library only, and light."""

from __future__ import annotations

import difflib
import os
import re
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightheron.settings.faults import BadConfiguration, KeyFault

DEFAULT_PATH = Path("/etc/nightheron/nightheron.toml")
DEFAULT_DATA_DIR = "/var/lib/nightheron"
VARIABLES = ("NIGHTHERON_CONFIG", "NIGHTHERON_MQTT_PASSWORD", "NIGHTHERON_PUSH_URLS")
FILE_MOST_BYTES = 4_000_000
SOCKET_PATH_MOST_BYTES = 107
"""A Unix socket's address holds 108 bytes with its closing zero."""


def environment_faults(environ: Mapping[str, str]) -> tuple[KeyFault, ...]:
    """One fault for each variable with our prefix that nothing reads: most likely a misspelling."""
    found = []
    for name in sorted(environ):
        if name.upper().startswith("NIGHTHERON_") and name not in VARIABLES:
            near = difflib.get_close_matches(name.upper(), VARIABLES, n=1, cutoff=0.5)
            hint = f"; did you mean {near[0]}?" if near else f"; known are {', '.join(VARIABLES)}"
            found.append(KeyFault(name, f"this environment variable is not known{hint}"))
    return tuple(found)


def read_document(path: Path) -> dict[str, Any]:
    """The parsed TOML. Raises BadConfiguration, key ``config``, for anything but a readable TOML file."""
    return _parse(path, _read(path))


def _read(path: Path) -> bytes:
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            what = "a directory" if path.is_dir() else "not a regular file"
            raise _refuse(f"{path} is {what}; give the path of a TOML file with --config")
        with path.open("rb") as file:
            data = file.read(FILE_MOST_BYTES + 1)
    except FileNotFoundError:
        raise _refuse(f"there is no file {path}; write one, or name another with --config") from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise _refuse(f"{str(path)!r} cannot be read ({why})") from None
    if len(data) > FILE_MOST_BYTES:
        raise _refuse(f"{path} is larger than {FILE_MOST_BYTES} bytes")
    return data


def _parse(path: Path, data: bytes) -> dict[str, Any]:
    try:
        document = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise _refuse(f"{path} is not UTF-8 text (line {line})") from None
    except tomllib.TOMLDecodeError as error:
        raise _refuse(f"{path} is not valid TOML: {_place(str(error))}") from None
    except (ValueError, RecursionError):
        raise _refuse(f"{path} is not valid TOML: a number or a nesting is far too long") from None
    if not document:
        raise _refuse(f"{path} is empty; it needs [site] and at least one [[chamber]]")
    return document


def _place(message: str) -> str:
    """Put the place first: ``line 3, column 7: ...``."""
    found = re.fullmatch(r"(.*) \(at (.*)\)", message, re.DOTALL)
    what, where = found.groups() if found else (message, "")
    what = what[:1].lower() + what[1:]
    return f"{where}: {what}" if where else what


def _refuse(why: str) -> BadConfiguration:
    return BadConfiguration((KeyFault("config", why),))


def resolve_data_dir(path: Path, written: object) -> Path:
    """The data directory; a relative one counts from the configuration file. Raises BadConfiguration."""
    if not isinstance(written, str) or not written or "\0" in written:
        raise BadConfiguration((KeyFault("site.data_dir", "must be the path of a directory, in quotes"),))
    if written.startswith("~"):
        raise BadConfiguration((KeyFault("site.data_dir", "write the whole path; ~ is not expanded here"),))
    data_dir = Path(os.path.abspath(path.parent / written))  # noqa: PTH100 - resolve() would follow links
    if len(os.fsencode(data_dir / "control.sock")) > SOCKET_PATH_MOST_BYTES:
        why = f"too long: {data_dir}/control.sock must fit in {SOCKET_PATH_MOST_BYTES} bytes"
        raise BadConfiguration((KeyFault("site.data_dir", why),))
    return data_dir


def data_dir_of(path: Path, environ: Mapping[str, str]) -> Path:
    """Where journal and control socket are, without validating the rest.

    For commands that only need those. Raises BadConfiguration for an unusable file, an unknown
    variable with our prefix, or an unusable ``site.data_dir``.
    """
    unknown = environment_faults(environ)
    if unknown:
        raise BadConfiguration(unknown)
    site = read_document(path).get("site", {})
    if not isinstance(site, dict):
        raise BadConfiguration((KeyFault("site", "must be a table: [site]"),))
    return resolve_data_dir(path, site.get("data_dir", DEFAULT_DATA_DIR))


def data_dir_fault(data_dir: Path) -> KeyFault | None:
    """Why this user could not keep a journal there, or None. Creates nothing."""
    try:
        there = next(p for p in (data_dir, *data_dir.parents) if p.exists())
        usable = there.is_dir() and os.access(there, os.W_OK | os.X_OK)
    except OSError:
        there, usable = data_dir, False
    if usable:
        return None
    if there == data_dir:
        why = f"{data_dir} is not a directory that this user (uid {os.geteuid()}) can write to"
    else:
        why = f"{data_dir} cannot be made by this user (uid {os.geteuid()}): {there} does not allow it"
    return KeyFault("site.data_dir", f"{why}; choose another, or run this as the service's user")
