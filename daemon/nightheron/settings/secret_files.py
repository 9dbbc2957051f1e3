"""Secrets and key files: read where the configuration says, never shown."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from pydantic import SecretStr

from nightheron.settings.environment import Secrets
from nightheron.settings.faults import Faults
from nightheron.settings.tables import AlertsTable, LadderTable, MqttTable

SECRET_MOST_BYTES = 65_536


def read_secret(path: Path, key: str, faults: Faults) -> str | None:
    """The text of a secret file without its line ends, or None after noting why not."""
    try:
        if not path.is_file():
            what = "is not a regular file" if path.exists() else "does not exist"
            faults.add(key, f"{path} {what}")
            return None
        with path.open("rb") as file:
            data = file.read(SECRET_MOST_BYTES + 1)
        text = data.decode("utf-8").strip("\r\n")
    except OSError as error:
        faults.add(key, f"{path} cannot be read by this user ({error.strerror})")
        return None
    except UnicodeDecodeError:
        faults.add(key, f"{path} is not UTF-8 text")
        return None
    if not text.strip() or len(data) > SECRET_MOST_BYTES:
        faults.add(key, f"{path} is empty" if not text.strip() else f"{path} is too large for a secret")
        return None
    return text


def mqtt_password(
    table: MqttTable, base: Path, environ: Mapping[str, str], faults: Faults
) -> tuple[str | None, str | None]:
    """The broker's password and where it came from; the environment wins over the file."""
    from_env = Secrets.of(environ).MQTT_PASSWORD
    password: str | None = None
    source: str | None = None
    if table.password_file is not None:
        password = read_secret(base / table.password_file, "mqtt.password_file", faults)
        source = "mqtt.password_file"
    if from_env is not None:
        if not from_env.get_secret_value():
            faults.add("NIGHTHERON_MQTT_PASSWORD", "is empty; unset it, or give the password")
        password, source = from_env.get_secret_value(), "NIGHTHERON_MQTT_PASSWORD"
    if source is not None and table.username is None:
        faults.add("mqtt.username", f"is missing, and {source} gives a password for it")
    return password, source


def push_urls(
    table: AlertsTable, base: Path, environ: Mapping[str, str], faults: Faults
) -> tuple[SecretStr, ...]:
    """Push addresses from the environment, else the file, else the table; one a line or a blank between."""
    written = _written(table, "alerts", base, faults)
    from_env = Secrets.of(environ).PUSH_URLS
    if from_env is not None:
        return _addresses("NIGHTHERON_PUSH_URLS", from_env.get_secret_value(), faults)
    return written


def ladder_urls(table: LadderTable, key: str, base: Path, faults: Faults) -> tuple[SecretStr, ...]:
    """Push addresses of one step of the ladder; at least one."""
    before = len(faults)
    found = _written(table, key, base, faults)
    if not found and len(faults) == before:
        faults.add(f"{key}.urls_file", f"{table.name} has no push address; give urls_file")
    return found


def _written(table: AlertsTable | LadderTable, key: str, base: Path, faults: Faults) -> tuple[SecretStr, ...]:
    if table.urls_file is not None and table.urls:
        faults.add(f"{key}.urls", "give either urls or urls_file, not both")
    if table.urls_file is not None:
        text = read_secret(base / table.urls_file, f"{key}.urls_file", faults)
        return _addresses(f"{key}.urls_file", text or "", faults)
    return _addresses(f"{key}.urls", [u.get_secret_value() for u in table.urls], faults)


def _addresses(key: str, text: str | list[str], faults: Faults) -> tuple[SecretStr, ...]:
    if isinstance(text, list):
        found = text
    else:
        lines = [line.strip() for line in text.splitlines()]
        found = [word for line in lines if not line.startswith("#") for word in line.split()]
    for number, url in enumerate(found, 1):
        scheme, colon, rest = url.partition("://")
        if not colon or not rest or not scheme.replace("+", "").replace("-", "").isalnum():
            faults.add(key, f"address {number} does not begin like scheme://")
    return tuple(SecretStr(url) for url in found)


def tls_files(table: MqttTable, base: Path, faults: Faults) -> None:
    """Note key files that are given in vain, cannot be read, or do not load."""
    given = {name: getattr(table, name) for name in ("ca_file", "cert_file", "key_file")}
    paths = {name: base / path for name, path in given.items() if path is not None}
    if not table.tls:
        for name in paths:
            faults.add(f"mqtt.{name}", "has no effect without tls = true")
        return
    if "key_file" in paths and "cert_file" not in paths:
        faults.add("mqtt.key_file", "has no effect without cert_file")
    readable = [name for name, path in paths.items() if _readable(path, f"mqtt.{name}", faults)]
    if len(readable) == len(paths):
        _loads(paths, faults)


def _readable(path: Path, key: str, faults: Faults) -> bool:
    if not path.is_file():
        faults.add(key, f"there is no file {path}")
    elif not os.access(path, os.R_OK):
        faults.add(key, f"{path} cannot be read by this user")
    else:
        return True
    return False


def _loads(paths: dict[str, Path], faults: Faults) -> None:
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if "ca_file" in paths:
        try:
            context.load_verify_locations(cafile=str(paths["ca_file"]))
        except OSError:
            faults.add("mqtt.ca_file", f"{paths['ca_file']} holds no certificate in PEM form")
    if "cert_file" in paths:
        try:
            # An encrypted key would ask for its passphrase on the terminal; an empty one fails instead.
            context.load_cert_chain(paths["cert_file"], paths.get("key_file"), password=lambda: "")
        except (OSError, ValueError):
            why = f"{paths['cert_file']} and its key do not load as an unlocked PEM pair"
            faults.add("mqtt.cert_file", why)
