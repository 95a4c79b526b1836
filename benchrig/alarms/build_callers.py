"""What a bench file says of alarms, made into callers. The only place that reads a secret."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import assert_never

from ..bench.model import AlarmSettings, CommandSpec, EmailSpec, Secret, WebhookSpec
from ..errors import FileError
from .callers import CommandHook, Webhook, need_httpx
from .escalation import Policy
from .mail import Email
from .types import Caller

Spec = CommandSpec | WebhookSpec | EmailSpec


def policy_of(settings: AlarmSettings) -> Policy:
    """How alarms are told on this bench."""
    return Policy(settings.repeat, settings.loud_repeat, settings.quiet, settings.per_minute)


def callers_of(settings: AlarmSettings, environment: Mapping[str, str] = os.environ) -> list[Caller]:
    """The callers, with their secrets. Raises FileError that names every secret that is missing."""
    callers: list[Caller] = []
    missing: list[str] = []
    for spec in settings.callers:
        try:
            callers.append(_caller(spec, environment))
        except FileError as error:
            missing.append(f"{spec.name}: {error}")
    if missing:
        raise FileError("\n".join(missing))
    return callers


def _caller(spec: Spec, environment: Mapping[str, str]) -> Caller:
    match spec:
        case CommandSpec():
            return CommandHook(spec.run, spec.name, spec.least, spec.timeout)
        case WebhookSpec():
            return _webhook(spec, environment)
        case EmailSpec():
            return Email(
                spec.host, spec.to, spec.sender, spec.port, spec.security, spec.user,
                _read(spec.password, environment), spec.ca_file, spec.name, spec.least, spec.timeout,
            )  # fmt: skip
        case _:
            assert_never(spec)


def _webhook(spec: WebhookSpec, environment: Mapping[str, str]) -> Webhook:
    need_httpx()
    url = spec.url or _read(spec.secret_url, environment)
    token = _read(spec.token, environment)
    if not url.startswith(("http://", "https://")) or not (url + token).isascii() or not (url + token).isprintable():
        raise FileError(
            "The address or the token cannot be used.", next_step="An address begins with http:// or https://."
        )
    return Webhook(url, spec.name, spec.least, token, spec.timeout)


def _read(secret: Secret, environment: Mapping[str, str]) -> str:
    """The secret itself; "" where there is to be none."""
    if secret.env:
        if not environment.get(secret.env):
            raise FileError(f"The variable {secret.env} is not set.", next_step="Set it, and begin again.")
        return environment[secret.env]
    if not secret.file:
        return ""
    try:
        words = Path(secret.file).read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise FileError(f"The file {secret.file} cannot be read: {reason}.", next_step="Check it.") from None
    if not words:
        raise FileError(f"The file {secret.file} is empty.", next_step="Write the secret into it.")
    return words
