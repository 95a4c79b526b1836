"""Read a procedure file: used whole or not at all, with every mistake of it in one error."""

from __future__ import annotations

import functools
import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, Union

from pydantic import Field, create_model

from ..errors import FileError
from ..tomlfile import FileModel, read_toml
from .checks import check
from .hazards import with_ceilings
from .keys import Id, Words
from .model import Hazard, Procedure
from .notes import Notes
from .step import kinds


class Head(FileModel):
    """The table [procedure]."""

    id: Id
    title: Words
    unit: Words
    serial: str = ""
    rule: Literal["simple", "guarded"] = "guarded"


@functools.cache
def file_model() -> type[FileModel]:
    """The whole file, with every kind of step that there is."""
    step: Any = Annotated[Union[tuple(kinds().values())], Field(discriminator="kind")]  # noqa: UP007 (made when called)
    fields: dict[str, Any] = {
        "procedure": (Head, ...),
        "hazard": (dict[Id, Hazard], Field(default_factory=dict)),
        "step": (Annotated[list[step], Field(min_length=1)], ...),
    }
    return create_model("File", __base__=FileModel, **fields)


def load_procedure(path: str | Path) -> Procedure:
    """The procedure in `path`. Raises FileError with every mistake: file, line, what is wrong, and the cure."""
    file: Any
    file, lines = read_toml(path, file_model())
    notes = Notes(lines)
    procedure = Procedure(
        id=file.procedure.id,
        title=file.procedure.title,
        unit=file.procedure.unit,
        steps=tuple(step.at_line(notes.line(("step", index))) for index, step in enumerate(file.step)),
        hazards={name: hazard.called(name) for name, hazard in file.hazard.items()},
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
