"""Ways to tell somebody: a command of the operator's own, a web hook. (E-mail: see `mail`.)

Rules they keep. Words of an alarm are data: they reach a command on its standard input and in its environment, never a
shell; a web hook as JSON; a mail as its text, with nothing in its headers that could begin another. Secrets are in no
error text. No command runs, and no single wait for an answer lasts, longer than its timeout.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import IO, Any
from urllib.parse import urlsplit

from ..errors import FileError
from .types import Alarm, AlarmError, Severity, harmless, headline

TIMEOUT = 10.0  # s


def as_json(alarm: Alarm) -> dict[str, Any]:
    """The alarm as JSON's own types; `id` is the same for each try to deliver this telling."""
    told = (alarm.told or alarm.raised).isoformat()
    more = {"raised": alarm.raised.isoformat(), "told": told, "id": alarm.id, "headline": headline(alarm)}
    return {**asdict(alarm), **more}


@dataclass(frozen=True, slots=True)
class CommandHook:
    """Runs a program: the alarm as JSON on its standard input and as BENCHRIG_ALARM_* in its environment. No shell."""

    run: Sequence[str]
    name: str = "command"
    least: Severity = "warning"
    timeout: float = TIMEOUT

    def call(self, alarm: Alarm) -> None:
        # Files and not pipes: a grandchild that keeps a pipe open could hold us beyond the timeout.
        with tempfile.TemporaryFile() as words, tempfile.TemporaryFile() as complaints:
            words.write(json.dumps(as_json(alarm)).encode())
            words.seek(0)
            code = self._run(words, complaints, _environment(alarm))
            if code:
                complaints.seek(0)
                said = harmless(complaints.read(2000).decode("utf-8", "replace").strip().replace("\n", " / "))
                raise AlarmError(f"{self.run[0]} ended with {code}{f': {said}' if said else ''}.")

    def _run(self, words: IO[bytes], complaints: IO[bytes], environment: Mapping[str, str]) -> int:
        try:
            process = subprocess.Popen(
                list(self.run), stdin=words, stdout=subprocess.DEVNULL, stderr=complaints, env=environment,
                start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            raise AlarmError(f"{self.run[0]} cannot be run: {error.strerror}.", next_step="Check `run`.") from error
        try:
            return process.wait(self.timeout)
        except subprocess.TimeoutExpired:
            _end(process)
            raise AlarmError(f"{self.run[0]} was not done within {self.timeout:g} s; it was ended.") from None


def _end(process: subprocess.Popen[bytes]) -> None:
    """The program and what it started."""
    with contextlib.suppress(OSError):
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    process.wait()


def _environment(alarm: Alarm) -> dict[str, str]:
    facts = {name: harmless(str(value)) for name, value in as_json(alarm).items()}
    return {**os.environ, **{f"BENCHRIG_ALARM_{name.upper()}": value for name, value in facts.items()}}


@dataclass(frozen=True, slots=True)
class Webhook:
    """Posts the alarm as JSON. Told is what is answered with 2xx; a redirection is not followed.

    The header `Idempotency-Key` is the telling's id: a sink whose answer was lost can know it again.
    """

    url: str = field(repr=False)
    name: str = "webhook"
    least: Severity = "warning"
    token: str = field(default="", repr=False)
    timeout: float = TIMEOUT

    def call(self, alarm: Alarm) -> None:
        httpx = need_httpx()
        headers = {"Content-Type": "application/json", "Idempotency-Key": alarm.id, "User-Agent": "benchrig"}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        body = json.dumps(as_json(alarm)).encode()
        where = urlsplit(self.url).hostname  # the rest of the address is often the secret
        try:
            with httpx.stream("POST", self.url, content=body, headers=headers, timeout=self.timeout) as answer:
                status = answer.status_code
        except (httpx.HTTPError, httpx.InvalidURL, ValueError, OSError) as error:
            raise AlarmError(f"No answer from {where}: {type(error).__name__}.") from None
        if not 200 <= status < 300:
            raise AlarmError(f"{where} answered {status}.")


def need_httpx() -> Any:
    """The library, with all that it imports when it is first used; FileError that says how to install it."""
    try:
        import httpcore  # noqa: F401
        import httpx
    except ImportError as error:
        raise FileError("Web hooks need httpx.", next_step="pip install 'benchrig[alarms]'") from error
    return httpx
