"""Lets these tests use the test points of the doubles' own tests."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent / "sim_instruments"))
