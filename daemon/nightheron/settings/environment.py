"""The secrets that may come by environment variable, kept from every error text and every print."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import SecretStr
from pydantic_settings import BaseSettings, EnvSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict


class Secrets(BaseSettings):
    """``NIGHTHERON_MQTT_PASSWORD`` and ``NIGHTHERON_PUSH_URLS``; None where unset."""

    model_config = SettingsConfigDict(
        env_prefix="NIGHTHERON_", case_sensitive=True, extra="ignore", hide_input_in_errors=True
    )

    MQTT_PASSWORD: SecretStr | None = None
    PUSH_URLS: SecretStr | None = None

    @classmethod
    def of(cls, environ: Mapping[str, str]) -> Secrets:
        """From these variables instead of the process's own."""

        class FromMapping(cls):  # type: ignore[valid-type,misc]  # one source per call
            @classmethod
            def settings_customise_sources(
                cls, settings_cls: type[BaseSettings], *_: object, **__: object
            ) -> tuple[PydanticBaseSettingsSource, ...]:
                source = EnvSettingsSource(settings_cls)
                source.env_vars = dict(environ)
                return (source,)

        made: Secrets = FromMapping()
        return made
