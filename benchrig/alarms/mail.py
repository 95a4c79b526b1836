"""Alarms by e-mail: one message to all addresses, over a connection that is encrypted and checked.

Foreign words stand in the text of a message. Its subject has them too, in letters that cannot end a header (RFC 5322
section 2.2); `email.message` refuses anything else. RFC 3834 says how a machine's mail is marked.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from collections.abc import Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Literal

from .types import Alarm, AlarmError, Severity, harmless, headline

Security = Literal["starttls", "tls", "none"]
TIMEOUT = 20.0  # s for each answer of the server


@dataclass(frozen=True, slots=True)
class Email:
    """Mail through a server that takes it from us.

    security   "starttls": encrypted after a greeting in clear; "tls": from the start; "none": only for this machine
    ca_file    certificates to trust besides the system's, for a server of the house
    """

    host: str
    to: Sequence[str]
    sender: str
    port: int = 587
    security: Security = "starttls"
    user: str = ""
    password: str = field(default="", repr=False)
    ca_file: str = ""
    name: str = "email"
    least: Severity = "warning"
    timeout: float = TIMEOUT

    def call(self, alarm: Alarm) -> None:
        try:
            server = self._connected()
            try:
                refused = self._send(server, alarm)
            finally:
                with contextlib.suppress(smtplib.SMTPException, OSError):
                    server.quit()  # the mail is theirs by now; a failed farewell must not send it twice
        except (smtplib.SMTPException, OSError, UnicodeError) as error:
            raise AlarmError(f"{self.host} port {self.port} took no mail: {_said(error)}.") from error
        if len(refused) == len(self.to):
            raise AlarmError(f"{self.host} takes no mail for {', '.join(refused)}.")
        if refused:
            raise AlarmError(f"{self.host} takes no mail for {', '.join(refused)}.", again=False)

    def _connected(self) -> smtplib.SMTP:
        context = ssl.create_default_context()
        if self.ca_file:
            context.load_verify_locations(self.ca_file)
        if self.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(self.host, self.port, timeout=self.timeout, context=context)
        else:
            server = smtplib.SMTP(self.host, self.port, timeout=self.timeout)
        try:
            if self.security == "starttls":
                server.starttls(context=context)
            if self.user:
                server.login(self.user, self.password)
        except BaseException:
            server.close()
            raise
        return server

    def _send(self, server: smtplib.SMTP, alarm: Alarm) -> list[str]:
        """The addresses that were refused."""
        try:
            return list(server.send_message(message(alarm, self.sender, self.to)))
        except smtplib.SMTPRecipientsRefused as error:
            return list(error.recipients)


def message(alarm: Alarm, sender: str, to: Sequence[str]) -> EmailMessage:
    """The alarm as a mail. Its Message-ID is the same for each try to deliver this telling."""
    mail = EmailMessage(policy=SMTP)
    mail["Subject"] = f"benchrig {headline(alarm)}"
    mail["From"] = sender
    mail["To"] = ", ".join(to)
    mail["Date"] = format_datetime(alarm.told or alarm.raised)
    mail["Message-ID"] = f"<{alarm.id}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"
    if alarm.severity == "stop":
        mail["Importance"] = "high"
    mail.set_content("\n".join(_lines(alarm)) + "\n")
    return mail


def _lines(alarm: Alarm) -> list[str]:
    facts = {
        "Unit": alarm.unit_serial,
        "Channel": alarm.channel,
        "Raised": f"{alarm.raised:%Y-%m-%d %H:%M:%S %Z}".strip(),
        "Occurred": f"{alarm.count} times" if alarm.count > 1 else "once",
        "Notified": f"{alarm.number} times" if alarm.number > 1 else "",
    }
    words = [harmless(alarm.words, 4000), ""] if alarm.words else []
    told = [f"{name}: {harmless(value)}" for name, value in facts.items() if value]
    return [headline(alarm), "", *words, *told, "", "It is acknowledged at the bench, and repeated until then."]


def _said(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        words = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        return harmless(f"{error.smtp_code} {words}")
    if isinstance(error, UnicodeError):  # its own words show a letter of what it is about, which may be the password
        return "the user name, the password or an address has a letter that it cannot be sent with"
    return harmless(str(error) or type(error).__name__)
