"""A TOML file against a pydantic model: everything wrong with it, at once, with line numbers and in plain words.

Rules of this module:
1. A file is used whole or not at all; one `FileError` carries every mistake found.
2. Nothing is converted on the quiet: models are strict, unknown keys are mistakes, a bare number is no voltage.
3. pydantic's own sentences never reach a person.

Only readers of files import this module, so that nothing else pays for pydantic. Models derive from `FileModel`;
values with units are fields such as `Volts` or `Annotated[float, InUnit("ohm"), Field(gt=0)]`; a `StrEnum` field is
`Annotated[Function, OneOf(Function)]`. A validator of your own raises `wrong("what", "cure")`.
"""

from __future__ import annotations

import enum
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, ValidationError
from pydantic_core import PydanticCustomError, core_schema

from .errors import FileError, Mistake, UnitError
from .tomllines import KeyPath, key_lines
from .tomlwords import mistake_of, near
from .units import Quantity, quantity, quantity_in

__all__ = [
    "Amps", "AnyQuantity", "Degrees", "FileModel", "Fraction", "Hertz", "InUnit", "KeyPath", "Lines", "Ohms", "OneOf",
    "Seconds", "Volts", "read_toml", "wrong",
]  # fmt: skip

SIZE_LIMIT = 4_000_000  # bytes; a bench or procedure file is some ten thousand
_MOST_PARTS = 32  # of a dotted key; the deepest of ours has five, and the parser's time grows with their square
_LONG_KEY = re.compile(
    rf"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{_MOST_PARTS}}}"""
)
_SYNTAX_PLACE = re.compile(r"\s*\((?:at line (\d+), column (\d+)|at end of document)\)$")
MARKS = {"bench file": "instrument", "procedure": "procedure"}  # kinds of file, by the table that no other kind has
_EXAMPLES = {
    "V": '"9.40 kV"', "A": '"20 mA"', "ohm": '"10 Mohm"', "s": '"1.5 s"', "Hz": '"50 Hz"', "deg": '"270 deg"',
    "1": '"0.5 %"', "m": '"18 mm"', "F": '"100 pF"', "Sa/s": '"1 GSa/s"',
}  # fmt: skip

Model = TypeVar("Model", bound=BaseModel)


class FileModel(BaseModel):
    """Base of every table in a file of ours: strict, closed, frozen, finite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Lines:
    """Where the keys of one file stand, for whoever finds a mistake later."""

    file: str
    places: dict[KeyPath, int] = field(default_factory=dict, repr=False)

    def line(self, *path: str | int) -> int:
        """1-based line of `path`, or of the nearest table around it; 1 for the whole file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.places:
                return self.places[path[:length]]
        return 1

    def mistake(self, path: KeyPath, problem: str, cure: str = "") -> Mistake:
        """A `Mistake` at `path`."""
        return Mistake(self.file, self.line(*path), dotted(path), problem, cure)


def dotted(path: KeyPath) -> str:
    """`step[3].target`; list elements count from 1 as people do."""
    text = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".")


def wrong(problem: str, cure: str = "") -> PydanticCustomError:
    """What a validator of ours raises: plain words and a cure.

    >>> raise wrong("The window's low end is above its high end.", "Swap them.")
    """
    return PydanticCustomError("benchrig", "{problem}", {"problem": problem, "cure": cure})


@dataclass(frozen=True)
class InUnit:
    """Field metadata: text with a unit in the file, a float in base unit `unit` in the model.

    Where `unit` is "1" or "count" a bare number is taken too.
    """

    unit: str

    @property
    def example(self) -> str:
        """As it is written in a file."""
        return _EXAMPLES.get(self.unit, f'"1.0 {self.unit}"')

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self._value, handler(source))

    def _value(self, found: object) -> float:
        if self.unit in ("1", "count") and isinstance(found, int | float) and not isinstance(found, bool):
            return float(found)
        text = _text_with_unit(found, self.example)
        try:
            return quantity_in(text, self.unit)
        except UnitError as error:
            raise wrong(error.message, error.next_step) from None


class AsQuantity:
    """Field metadata: text with a unit in the file, a `Quantity` in the model."""

    example = _EXAMPLES["V"]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self._value)

    @staticmethod
    def _value(found: object) -> Quantity:
        try:
            return quantity(_text_with_unit(found, AsQuantity.example))
        except UnitError as error:
            raise wrong(error.message, error.next_step) from None


@dataclass(frozen=True)
class OneOf:
    """Field metadata: one word of a `StrEnum`, as its member in the model."""

    words: type[enum.StrEnum]

    @property
    def example(self) -> str:
        """As it is written in a file."""
        return f'"{next(iter(self.words))}"'

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self._member)

    def _member(self, found: object) -> enum.StrEnum:
        known = [str(member) for member in self.words]
        if not isinstance(found, str):
            raise wrong(f"{found!r} is not a word.", f"Known here: {', '.join(known)}.")
        if found not in known:
            raise wrong(f"{found!r} is not known here.", near(found, known))
        return self.words(found)


def _text_with_unit(found: object, example: str) -> str:
    if isinstance(found, str):
        return found
    if isinstance(found, int | float) and not isinstance(found, bool):
        raise wrong(f"{found} has no unit.", f"Write it in quotes with its unit, like {example}.")
    raise wrong("A quantity is needed here.", f"Write it in quotes with its unit, like {example}.")


Volts = Annotated[float, InUnit("V")]
Amps = Annotated[float, InUnit("A")]
Ohms = Annotated[float, InUnit("ohm")]
Seconds = Annotated[float, InUnit("s")]
Hertz = Annotated[float, InUnit("Hz")]
Degrees = Annotated[float, InUnit("deg")]
Fraction = Annotated[float, InUnit("1")]
AnyQuantity = Annotated[Quantity, AsQuantity()]


def read_toml(path: str | Path, model: type[Model]) -> tuple[Model, Lines]:
    """Read `path` as one `model`, with the lines of its keys. Raises FileError with every mistake."""
    name = str(path)
    text = _text(Path(path), name)
    data = _parsed(text, name)
    _check_kind(data, model, name)
    try:
        lines = Lines(name, key_lines(text))
    except RecursionError:
        raise _too_deep(name) from None
    try:
        return model.model_validate(data), lines
    except ValidationError as error:
        raise FileError(_mistakes(error, model, data, lines)) from None


def _check_kind(data: dict[str, Any], model: type[BaseModel], name: str) -> None:
    """Raises FileError where a file of another kind was given: one sentence, and no list of its strange keys."""
    known = model.model_fields.keys()
    is_, wanted = (next((kind for kind, mark in MARKS.items() if mark in keys), "") for keys in (data, known))
    if is_ and wanted and not data.keys() & known:
        raise _refuse(name, f"This is a {is_}, and a {wanted} is wanted here.", "Name the other file.", 1)


def _mistakes(error: ValidationError, model: type[BaseModel], data: dict[str, Any], lines: Lines) -> list[Mistake]:
    """One mistake for each place, in the order of the file."""
    found: dict[KeyPath, Mistake] = {}
    for entry in error.errors(include_url=False):
        path, problem, cure = mistake_of(entry, model, data)
        found.setdefault(path, lines.mistake(path, problem, cure))
    return sorted(found.values(), key=lambda mistake: mistake.line)


def _refuse(name: str, problem: str, cure: str, line: int = 0) -> FileError:
    return FileError([Mistake(name, line, "", problem, cure)])


def _too_deep(name: str) -> FileError:
    return _refuse(name, "Lists or tables are nested too deep.", "Write it flatter.")


def _text(path: Path, name: str) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(SIZE_LIMIT + 1)
    except FileNotFoundError:
        raise _refuse(name, "There is no such file.", "Check the name and the folder.") from None
    except IsADirectoryError:
        raise _refuse(name, "This is a folder.", "Name a file in it.") from None
    except PermissionError:
        raise _refuse(name, "The file may not be read.", "Give yourself read permission.") from None
    except (OSError, ValueError) as error:
        raise _refuse(name, f"The file cannot be read: {error}.", "Check the name and the disk.") from None
    if len(raw) > SIZE_LIMIT:
        raise _refuse(name, f"The file is larger than {SIZE_LIMIT} bytes.", "It is surely not a file of this kind.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _refuse(name, "The file is not UTF-8 text.", "Save it as UTF-8.", line) from None
    if not text.strip():
        raise _refuse(name, "The file is empty.", "Start from one of the files under procedures/.", 1)
    return text


def _parsed(text: str, name: str) -> dict[str, Any]:
    if long := _LONG_KEY.search(text):
        line = text.count("\n", 0, long.start()) + 1
        raise _refuse(name, f"A key of more than {_MOST_PARTS} parts.", "No file of this kind has one.", line)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        whole = str(error)
        place = _SYNTAX_PLACE.search(whole)
        line, column = (int(place[1]), int(place[2])) if place and place[1] else (text.count("\n") + 1, 0)
        what = _SYNTAX_PLACE.sub("", whole)
        at = f"at column {column}" if column else "at the end"
        raise _refuse(name, f"Not TOML {at}: {what}.", _syntax_cure(what, text.split("\n")[line - 1]), line) from None
    except RecursionError:
        raise _too_deep(name) from None


def _syntax_cure(what: str, line: str) -> str:
    """For what the parser says of `line`."""
    if "overwrite" in what or "twice" in what or "Duplicate" in what:
        if line.lstrip().startswith("[["):
            return "A table of that name is headed with single brackets; each of several needs double ones."
        return "The same key or table stands twice; keep one of them."
    if "Illegal character" in what or "Unterminated" in what:
        return 'Text ends with the quote that it began with, on the same line: title = "+12 V rail".'
    if "Unclosed array" in what:
        return 'A list ends with ], and what is in it stands in quotes: ["11.4 V", "12.6 V"].'
    if what == "Invalid value":
        return 'Text and quantities stand in straight quotes: target = "9.40 kV"; true and false in small letters.'
    return 'Each line is key = value, or a [table] heading; text stands in "quotes".'
