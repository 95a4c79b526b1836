"""Alarms: who is told what is wrong, how often, and until when.

`Alarms` runs it; `escalation` (when to tell) and `caller_queue` (what one caller has still to tell) are pure;
`CommandHook`, `Webhook` and `Email` tell; `try_all` tries them. Nothing here acts on the bench, and nothing over a
network acknowledges.
"""

from .build_callers import callers_of, policy_of
from .callers import CommandHook, Webhook
from .delivery import Alarms
from .escalation import Policy
from .mail import Email
from .trial import try_all
from .types import Alarm, AlarmError, Caller, Severity

__all__ = [
    "Alarm",
    "AlarmError",
    "Alarms",
    "Caller",
    "CommandHook",
    "Email",
    "Policy",
    "Severity",
    "Webhook",
    "callers_of",
    "policy_of",
    "try_all",
]
