"""The table [alarms] of a bench file: who is told of an alarm, and how often.

[alarms]
repeat = "5 min"          # until it is acknowledged at the bench
loud_repeat = "30 s"      # where making safe has failed
quiet = "60 s"            # the same alarm raised anew is told once in this time
per_minute = 6            # tellings; what is more goes into a summary
sound = "tones"           # at the bench: off, bell, tones (the bell without a sound card), speech (tones, then words)

[[alarms.email]]
host = "mail.lantern-lane.example"
from = "bench@lantern-lane.example"
to = ["ida@lantern-lane.example"]
user = "bench"
password_env = "BENCH_MAIL_PASSWORD"     # or password_file; a secret never stands in this file
least = "stop"                           # nothing less severe

[[alarms.webhook]]
url = "http://192.168.1.9:8080/bench"    # or url_env, url_file
token_file = "hook.token"                # from the folder of this file

[[alarms.command]]
run = ["/usr/local/bin/ring", "--loud"]  # the alarm as JSON on its standard input, and in BENCHRIG_ALARM_*
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal, TypeVar
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from ..tomlfile import FileModel, Seconds, wrong
from .model import AlarmSettings, CommandSpec, EmailSpec, Secret, WebhookSpec

_PORTS = {"starttls": 587, "tls": 465, "none": 25}
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+", re.ASCII)  # the common form of RFC 5322
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
_THIS_MACHINE = frozenset({"localhost", "127.0.0.1", "::1"})

Table = TypeVar("Table", bound="CallerTable")


class CallerTable(FileModel):
    """What all ways to tell somebody have in common."""

    name: str = Field(default="", pattern=r"^[a-z0-9 _-]*$", max_length=40)
    least: Literal["warning", "stop"] = "warning"
    timeout: Annotated[Seconds, Field(ge=1, le=60)] = 10.0


class CommandTable(CallerTable):
    run: list[str] = Field(min_length=1, examples=['["/usr/local/bin/ring"]'])

    @field_validator("run")
    @classmethod
    def _runs(cls, run: list[str]) -> list[str]:
        if not run[0] or any("\0" in word for word in run):
            raise wrong("This names no program.", 'Write the program and its arguments: ["/usr/local/bin/ring"].')
        return run


class WebhookTable(CallerTable):
    url: str = Field(default="", examples=['"http://192.168.1.9:8080/bench"'])
    url_env: str = ""
    url_file: str = ""
    token_env: str = ""
    token_file: str = ""

    @field_validator("url")
    @classmethod
    def _web(cls, url: str) -> str:
        check_url(url)
        return url

    @field_validator("url_env", "token_env")
    @classmethod
    def _variable(cls, name: str) -> str:
        return _checked_variable(name)

    @model_validator(mode="after")
    def _whole(self) -> WebhookTable:
        if sum(map(bool, (self.url, self.url_env, self.url_file))) != 1:
            raise wrong("The web hook needs one address.", 'Give one of url = "http://...", url_env and url_file.')
        if self.token_env and self.token_file:
            raise wrong("The token is given twice.", "Keep token_env or token_file.")
        clear = self.url.lower().startswith("http:") and urlsplit(self.url).hostname not in _THIS_MACHINE
        if clear and (self.token_env or self.token_file):
            raise wrong("The token would go over the network in clear.", "Use https://, or leave the token out.")
        return self


class EmailTable(CallerTable):
    host: str = Field(min_length=1, examples=['"mail.example"'])
    to: list[str] = Field(min_length=1, examples=['["ida@lantern-lane.example"]'])
    sender: str = Field(alias="from", examples=['"bench@lantern-lane.example"'])
    security: Literal["starttls", "tls", "none"] = "starttls"
    port: int | None = Field(default=None, ge=1, le=65_535)
    user: str = ""
    password_env: str = ""
    password_file: str = ""
    ca_file: str = ""

    @field_validator("sender")
    @classmethod
    def _from(cls, address: str) -> str:
        return _checked_address(address)

    @field_validator("to")
    @classmethod
    def _to(cls, addresses: list[str]) -> list[str]:
        return [_checked_address(address) for address in addresses]

    @field_validator("password_env")
    @classmethod
    def _variable(cls, name: str) -> str:
        return _checked_variable(name)

    @model_validator(mode="after")
    def _whole(self) -> EmailTable:
        if bool(self.user) != (bool(self.password_env) != bool(self.password_file)):
            raise wrong(
                "A user and one place of the password belong together.",
                'Give user = "..." and one of password_env and password_file; or none of them.',
            )
        if self.user and self.security == "none" and self.host not in _THIS_MACHINE:
            raise wrong("The password would go over the network in clear.", 'Set security = "starttls" or "tls".')
        return self


class AlarmsTable(FileModel):
    repeat: Annotated[Seconds, Field(ge=10)] = 300.0
    loud_repeat: Annotated[Seconds, Field(ge=5)] = 30.0
    quiet: Annotated[Seconds, Field(ge=0, le=3600)] = 60.0
    per_minute: int = Field(default=6, ge=1, le=60)
    sound: Literal["off", "bell", "tones", "speech"] = "tones"
    command: list[CommandTable] = Field(default_factory=list)
    webhook: list[WebhookTable] = Field(default_factory=list)
    email: list[EmailTable] = Field(default_factory=list)

    @model_validator(mode="after")
    def _names(self) -> AlarmsTable:
        given = Counter(table.name for table in (*self.command, *self.webhook, *self.email) if table.name)
        if twice := [name for name, times in given.items() if times > 1]:
            raise wrong(f"Several are called {twice[0]!r}.", "Give each a name of its own.")
        return self

    def settings(self, folder: Path) -> AlarmSettings:
        """As plain data; files of secrets are looked for from `folder`."""
        return AlarmSettings(
            self.repeat, self.loud_repeat, self.quiet, self.per_minute, self.sound,
            (
                *(_command(name, it) for name, it in _named("command", self.command)),
                *(_webhook(name, it, folder) for name, it in _named("webhook", self.webhook)),
                *(_email(name, it, folder) for name, it in _named("email", self.email)),
            ),
        )  # fmt: skip


def _named(kind: str, tables: Sequence[Table]) -> Iterator[tuple[str, Table]]:
    for number, table in enumerate(tables, 1):
        yield table.name or (kind if len(tables) == 1 else f"{kind} {number}"), table


def _command(name: str, it: CommandTable) -> CommandSpec:
    return CommandSpec(name, it.least, it.timeout, tuple(it.run))


def _webhook(name: str, it: WebhookTable, folder: Path) -> WebhookSpec:
    return WebhookSpec(
        name, it.least, it.timeout, it.url,
        _secret(it.url_env, it.url_file, folder), _secret(it.token_env, it.token_file, folder),
    )  # fmt: skip


def _email(name: str, it: EmailTable, folder: Path) -> EmailSpec:
    return EmailSpec(
        name, it.least, it.timeout, it.host, it.port or _PORTS[it.security], it.security, tuple(it.to), it.sender,
        it.user, _secret(it.password_env, it.password_file, folder), str(folder / it.ca_file) if it.ca_file else "",
    )  # fmt: skip


def _secret(env: str, file: str, folder: Path) -> Secret:
    return Secret(env, str(folder / file) if file else "")


def check_url(url: str) -> None:
    """Raises what a validator raises unless `url` can be posted to."""
    try:
        parts = urlsplit(url)
        good = parts.scheme in {"http", "https"} and bool(parts.hostname) and url.isprintable() and " " not in url
        _ = parts.port
    except ValueError:
        good = False
    if not good:
        raise wrong("This is no address of the web.", 'Write it like "http://192.168.1.9:8080/bench".')


def _checked_address(address: str) -> str:
    if not _ADDRESS.fullmatch(address):
        raise wrong(f"{address!r} is no mail address.", 'Write it like "ida@lantern-lane.example".')
    return address


def _checked_variable(name: str) -> str:
    if not _VARIABLE.fullmatch(name):
        # What stands here may be the secret itself, so it is not shown.
        raise wrong("This cannot name a variable.", "The secret itself does not belong here; name where it is.")
    return name
