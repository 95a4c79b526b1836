"""Procedure files: the model, the reader, and the checks against a bench. `load_procedure` reads one."""

from .model import Procedure, Step
from .reader import load_procedure

__all__ = ["Procedure", "Step", "load_procedure"]
