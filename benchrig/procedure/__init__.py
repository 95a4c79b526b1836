"""Procedure files: the model, the reader, and the checks against a bench. `load_procedure` reads one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazy import names_of

if TYPE_CHECKING:
    from .model import Procedure, Step
    from .reader import load_procedure

__all__ = ["Procedure", "Step", "load_procedure"]
__getattr__ = names_of(globals(), {"Procedure": ".model", "Step": ".model", "load_procedure": ".reader"})
