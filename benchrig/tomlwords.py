"""What pydantic found, said in the words of the trade: where, what, and the cure.

Rule: pure functions; an error type without words of ours is a defect that a test finds, not something a person sees.
"""

from __future__ import annotations

import difflib
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeGuard

from pydantic import BaseModel

from .tomllines import KeyPath

Words = tuple[str, str]  # problem, cure
_KEY_ITSELF = "[key]"  # pydantic's last part where the name of a table is wrong, not what stands in it


def near(word: str, known: Iterable[str]) -> str:
    """A cure for a misspelt word: the nearest known one, or all of them."""
    choices = list(known)
    close = difflib.get_close_matches(word.lower(), [c.lower() for c in choices], n=1, cutoff=0.65)
    if close:
        return f"Did you mean {next(c for c in choices if c.lower() == close[0])!r}?"
    return f"Known here: {', '.join(choices)}." if choices else ""


def mistake_of(error: Mapping[str, Any], model: type[BaseModel], data: object) -> tuple[KeyPath, str, str]:
    """Path in the file, problem and cure of one entry of `ValidationError.errors()`."""
    kind = error["type"]
    path = place(data, error["loc"])
    context = error.get("ctx", {})
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _kind_of_table(kind, path, context, error["loc"], model)
    if kind == "missing":
        return path, f"{error['loc'][-1]!r} is missing.", _missing_cure(path, _field_at(model, error["loc"]))
    if kind == "extra_forbidden":
        key = str(path[-1])
        others = _kinds_with(model, error["loc"])
        cure = f"It is a key of {others}." if others else near(key, _fields_around(model, error["loc"]))
        return path, f"{key!r} is not a key of this table.", cure
    problem, cure = WORDS.get(kind, _unknown)(context, error["input"])
    if kind == "list_type" and (example := _example(_field_at(model, error["loc"]))):
        cure = f"Write it like {example}."
    return path, problem, cure


def place(data: object, loc: Sequence[str | int]) -> KeyPath:
    """`loc` without what pydantic put in that the file does not hold (tags of unions), but with a missing last key."""
    path: list[str | int] = []
    for number, part in enumerate(loc):
        if _holds(data, part) and not _is_tag(data, part, loc[number + 1 :]):
            data = data[part]
        elif part == _KEY_ITSELF or not _is_missing_key(data, part, last=number == len(loc) - 1):
            continue
        path.append(part)
    return tuple(path)


def _is_missing_key(data: object, part: str | int, *, last: bool) -> bool:
    return last and isinstance(data, dict) and part not in data.values()


def _holds(data: object, part: str | int) -> TypeGuard[Any]:
    if isinstance(data, list):
        return isinstance(part, int) and part < len(data)
    return isinstance(data, dict) and part in data


def _is_tag(table: Any, part: str | int, rest: Sequence[str | int]) -> bool:
    """True if `part` is the table's kind, which happens to be spelt like one of its keys."""
    return (
        isinstance(table, dict)
        and bool(rest)
        and part in [v for v in table.values() if isinstance(v, str)]
        and rest[0] in table
    )


def _kind_of_table(
    kind: str, path: KeyPath, context: Mapping[str, Any], loc: Sequence[str | int], model: type[BaseModel]
) -> tuple[KeyPath, str, str]:
    key = str(context.get("discriminator", "kind")).strip("'")
    if kind == "union_tag_not_found":
        tags = _tags(model, loc, key)
        return (*path, key), f"{key!r} is missing.", f"Known here: {', '.join(tags)}." if tags else f"Add {key} = ..."
    tags = [tag.strip().strip("'") for tag in context["expected_tags"].split(",")]
    return (*path, key), f"{key} {context['tag']!r} is not known.", near(str(context["tag"]), tags)


def _missing_cure(path: KeyPath, info: Any) -> str:
    heading = ".".join(part for part in path if isinstance(part, str))
    leaves = [] if info is None else _leaves(info.annotation)
    if any(_is_table(leaf) for leaf in leaves):
        return f"Add a table [{heading}]."
    if any(_is_table(part) for leaf in leaves if typing.get_origin(leaf) is list for part in _step(leaf, 0, ())):
        return f"Add a table [[{heading}]]."
    if any(typing.get_origin(leaf) is dict for leaf in leaves):
        return f"Add a table [{heading}.NAME]."
    return f"Add {path[-1]} = {_example(info) or '...'}"


def _example(info: Any) -> str:
    """How a value of this field is written; "" where nobody has said."""
    if info is None:
        return ""
    told = [example for part in info.metadata if isinstance(example := getattr(part, "example", None), str)]
    return next(iter([*(info.examples or ()), *told]), "")


# Walking the model beside the path


def _fields_around(model: type[BaseModel], loc: Sequence[str | int]) -> dict[str, Any]:
    """Fields, by the name used in the file, of the table that holds the last part of `loc`."""
    found: dict[str, Any] = {}
    for table in _models_at(model, loc[:-1]):
        found |= {info.alias or name: info for name, info in table.model_fields.items()}
    return found


def _field_at(model: type[BaseModel], loc: Sequence[str | int]) -> Any:
    """The field that the last part of `loc` names; None where there is none."""
    return _fields_around(model, loc).get(str(loc[-1]))


def _kinds_with(model: type[BaseModel], loc: Sequence[str | int]) -> str:
    """Which other kinds of this table have the key at the end of `loc`, in words; "" where it has no kinds."""
    tables = _models_at(model, loc[:-2])
    found = [tag for table in tables if loc[-1] in table.model_fields for tag in _own_tag(table)]
    return ", ".join(found) if len(tables) > 1 else ""


def _own_tag(table: type[BaseModel]) -> list[str]:
    """The word by which a table among others is told: that of its only field with a single possible word."""
    words = [typing.get_args(info.annotation) for info in table.model_fields.values()]
    return [str(it[0]) for it in words if len(it) == 1 and isinstance(it[0], str)]


def _is_table(kind: Any) -> TypeGuard[type[BaseModel]]:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _tags(model: type[BaseModel], loc: Sequence[str | int], key: str) -> list[str]:
    fields = [table.model_fields[key] for table in _models_at(model, loc) if key in table.model_fields]
    return [str(word) for info in fields for word in typing.get_args(info.annotation)]


def _models_at(model: type[BaseModel], loc: Sequence[str | int]) -> list[type[BaseModel]]:
    here: list[Any] = [model]
    for part in loc:
        here = [leaf for kind in here for leaf in _step(kind, part, here)]
    return [kind for kind in here if _is_table(kind)]


def _step(kind: Any, part: str | int, beside: Sequence[Any]) -> list[Any]:
    """What stands at `part` of `kind`; several where it may be one of several tables."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is list:
        return _leaves(arguments[0])
    if origin is dict:
        return _leaves(arguments[1])
    if not _is_table(kind):
        return []
    fields = {info.alias or name: info for name, info in kind.model_fields.items()}
    if len(beside) > 1 and any(part in typing.get_args(info.annotation) for info in fields.values()):
        return [kind]  # `part` is this table's kind
    return _leaves(fields[str(part)].annotation) if part in fields else []


def _leaves(annotation: Any) -> list[Any]:
    """The plain types of an annotation, seen through Optional, Annotated and unions."""
    arguments = typing.get_args(annotation)
    if hasattr(annotation, "__metadata__"):
        return _leaves(arguments[0])
    if arguments and typing.get_origin(annotation) not in (list, dict, tuple, typing.Literal):
        return [leaf for argument in arguments for leaf in _leaves(argument)]
    return [annotation]


# Words for each error type


def _ours(context: Mapping[str, Any], found: object) -> Words:
    return context["problem"], context.get("cure", "")


def _of_validator(context: Mapping[str, Any], found: object) -> Words:
    return str(context.get("error", "This cannot be used.")), ""


def _choice(context: Mapping[str, Any], found: object) -> Words:
    words = [word.strip().strip("'") for word in context["expected"].replace(" or ", ", ").split(",")]
    return f"{_shown(found)} is not known here.", near(str(found), words)


def _bound(words: str, key: str) -> Callable[[Mapping[str, Any], object], Words]:
    return lambda context, found: (f"{_shown(found)} is not {words} {context[key]:g}.", "Correct the value.")


def _needs(what: str, example: str) -> Callable[[Mapping[str, Any], object], Words]:
    return lambda context, found: (f"{_shown(found)} is not {what}.", f"Write it like {example}.")


def _length(context: Mapping[str, Any], found: object) -> Words:
    size = context.get("actual_length", len(found) if isinstance(found, str | list | dict) else 0)
    least, most = context.get("min_length"), context.get("max_length")
    bound = f"at least {least}" if least is not None else f"at most {most}"
    entries = "entry" if size == 1 else "entries"
    return f"This has {size} {entries}; {bound} are needed.", "Add or take away entries."


def _text_length(context: Mapping[str, Any], found: object) -> Words:
    if found == "":
        return "The text is empty.", "Write something here, or take the key out."
    least, most = context.get("min_length"), context.get("max_length")
    bound = f"at least {least}" if least is not None else f"at most {most}"
    return f"{_shown(found)} does not fit; {bound} characters are needed.", "Correct the text."


def _pattern(context: Mapping[str, Any], found: object) -> Words:
    signs = ", '-' and '_'" if "_" in context["pattern"] else " and '-'"
    return f"{_shown(found)} is not spelt as it must be here.", f"Use lower-case letters, digits{signs}."


def _unknown(context: Mapping[str, Any], found: object) -> Words:
    return f"{_shown(found)} cannot be used here.", "Compare with the files under procedures/."


def _shown(found: object) -> str:
    if isinstance(found, dict):
        return "A table"
    if isinstance(found, list):
        return "A list"
    if isinstance(found, bool):
        return str(found).lower()
    text = repr(found)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _list_needed(context: Mapping[str, Any], found: object) -> Words:
    if isinstance(found, dict):
        return "This is a single table where several may stand.", "Head it with double brackets: [[name]]."
    inside = f'"{found}"' if isinstance(found, str) else "..."
    return f"{_shown(found)} is not a list.", f"Write it like [{inside}]."


_NUMBER = _needs("a number", "12.5")
_TEXT = _needs("text", '"text in quotes"')

_TABLE = _needs("a table", "[heading] with key = value lines below it")
_TRUTH = _needs("true or false", "true")
_DATE = _needs("a date", "2026-05-31 (without quotes)")

WORDS: dict[str, Callable[[Mapping[str, Any], object], Words]] = {
    "benchrig": _ours,
    "value_error": _of_validator,
    "assertion_error": _of_validator,
    "literal_error": _choice,
    "enum": _choice,
    "float_type": _NUMBER,
    "float_parsing": _NUMBER,
    "finite_number": _needs("a finite number", "12.5"),
    "int_type": _needs("a whole number", "12"),
    "int_parsing": _needs("a whole number", "12"),
    "int_from_float": _needs("a whole number", "12"),
    "string_type": _TEXT,
    "bool_type": _TRUTH,
    "bool_parsing": _TRUTH,
    "list_type": _list_needed,
    "tuple_type": _list_needed,
    "set_type": _list_needed,
    "frozen_set_type": _list_needed,
    "dict_type": _TABLE,
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "date_type": _DATE,
    "date_parsing": _DATE,
    "date_from_datetime_parsing": _DATE,
    "date_from_datetime_inexact": _DATE,
    "datetime_type": _DATE,
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "multiple_of": _bound("a multiple of", "multiple_of"),
    "too_short": _length,
    "too_long": _length,
    "string_too_short": _text_length,
    "string_too_long": _text_length,
    "string_pattern_mismatch": _pattern,
}
