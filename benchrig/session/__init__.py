"""Running a procedure with a person, or with who stands in for one: `run`."""

from .absent import AbsentOperator
from .runner import Outcome, run
from .scripted import ScriptedOperator

__all__ = ["AbsentOperator", "Outcome", "ScriptedOperator", "run"]
