"""Where the record lies unless a file is named."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path


def default_path(environment: Mapping[str, str] = os.environ) -> Path:
    """`$BENCHRIG_RECORD`, or `benchrig/record.sqlite` under `$XDG_DATA_HOME` (XDG Base Directory Specification 0.8:
    a relative value counts as unset; `~/.local/share` then).
    """
    if named := environment.get("BENCHRIG_RECORD"):
        return Path(named)
    base = environment.get("XDG_DATA_HOME", "")
    data = Path(base) if os.path.isabs(base) else Path.home() / ".local" / "share"
    return data / "benchrig" / "record.sqlite"
