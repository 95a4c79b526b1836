"""Who works here, where nobody says so."""

from __future__ import annotations

import getpass


def login_name() -> str:
    """As far as the system knows; "unknown" where it does not, as in a bare container."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # KeyError until Python 3.13
        return "unknown"
