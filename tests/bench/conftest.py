"""Lets these tests use the small bench of the contract tests."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent / "contract"))
