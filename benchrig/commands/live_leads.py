"""Before a command reads an instrument without a procedure: might its lead still be on a hazard's point?

Rules kept here:
1. An instrument that a hazardous step of a procedure beside the bench file uses is not touched before somebody has said
   that its lead is off that point. Where nobody can answer it is refused.
2. The procedures are only looked through for that: one that does not load, for another mistake, still counts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ..bench.model import Bench, InstrumentSpec
from ..errors import FileError, Refused
from ..links.addresses import parse_address, place_of
from ..ui.keys import open_keys
from ..ui.words import plain

_PARTS = ("channels", "catches", "axis")


def require_lead_off(bench: Bench | None, spec: InstrumentSpec) -> None:
    """Return once somebody has said that the lead of this instrument is off every hazard's point it is used at.

    Raises Refused where they do not, or nobody can be asked.
    """
    uses = dict.fromkeys(hazardous_uses(bench, spec))
    if not uses:
        return
    where = ", ".join(f"{point} ({file})" for point, file in uses)
    with open_keys() as keys:
        question = (
            f"{spec.name} is used at {where}. Is its lead off that point, and on nothing that can hurt? (yes/no) "
        )
        while (answer := keys.line(plain(question))) is not None:
            if answer.strip().lower() == "yes":
                return
            if answer.strip().lower() in ("no", "stop"):
                break
    raise Refused(
        f"{spec.name} is used at {where}, and its lead may still be there.",
        next_step="Make the point safe, move the lead, and say so when you are asked; or use a procedure.",
    )


def hazardous_uses(bench: Bench | None, spec: InstrumentSpec) -> Iterator[tuple[str, str]]:
    """(point, file) of each hazardous step, in the files beside the bench file, that uses this instrument."""
    if bench is None or not (name := _name_on(bench, spec)):
        return
    for path in sorted(Path(bench.file).parent.glob("*.toml")):
        for step in _steps(path):
            if step.get("hazard"):
                yield from (
                    (str(it.get("point", "?")), path.name) for it in _sources(step) if it.get("instrument") == name
                )


def _name_on(bench: Bench, spec: InstrumentSpec) -> str:
    """The bench's own name of an instrument that was given by name or by address; empty for one it has not got."""
    if spec.name in bench.instruments:
        return spec.name
    try:
        wanted = place_of(parse_address(spec.address))
    except FileError:
        return ""
    return next(
        (it.name for it in bench.instruments.values() if it.address and place_of(parse_address(it.address)) == wanted),
        "",
    )


def _steps(path: Path) -> list[Mapping[str, Any]]:
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8")).get("step", [])
    except (OSError, ValueError, RecursionError):
        return []
    return [it for it in found if isinstance(it, dict)] if isinstance(found, list) else []


def _sources(step: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    parts = [part for key in _PARTS if isinstance(step.get(key), list) for part in step[key]]
    return [step, *(part for part in parts if isinstance(part, dict))]
