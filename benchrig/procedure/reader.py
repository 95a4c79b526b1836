"""Read a procedure file: used whole or not at all, with every mistake of it in one error."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path

from ..errors import FileError
from ..tomlfile import read_toml
from . import build
from .checks import check
from .fields import File
from .hazards import with_ceilings
from .model import Procedure
from .sourcing import Notes


def load_procedure(path: str | Path) -> Procedure:
    """The procedure in `path`. Raises FileError with every mistake: file, line, what is wrong, and the cure."""
    file, lines = read_toml(path, File)
    notes = Notes(lines)
    procedure = Procedure(
        id=file.procedure.id,
        title=file.procedure.title,
        unit=file.procedure.unit,
        steps=tuple(build.step(table, ("step", index), notes) for index, table in enumerate(file.step)),
        hazards={name: build.hazard(name, table) for name, table in file.hazard.items()},
        rule=file.procedure.rule,
        serial=_pattern(file.procedure.serial, notes),
        file=str(path),
        digest=hashlib.sha256(Path(path).read_bytes()).hexdigest(),
    )
    check(procedure, notes)
    if notes.mistakes:
        raise FileError(sorted(notes.mistakes, key=lambda mistake: mistake.line))
    steps = (with_ceilings(step, procedure.hazards.get(step.hazard or "")) for step in procedure.steps)
    return replace(procedure, steps=tuple(steps))


def _pattern(text: str, notes: Notes) -> str:
    try:
        re.compile(text)
    except re.error as error:
        notes.add(("procedure", "serial"), f"This is not a regular expression: {error}.", "Correct it, or take it out.")
    return text
