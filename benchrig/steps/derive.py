"""A value is made from the results of earlier steps and judged."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ..procedure.keys import Id, Limited
from ..procedure.notes import Notes
from ..procedure.quantities import Operation
from ..procedure.step import Neighbours, Part, Step
from ..session.results import Done, Results, absent, with_hint
from ..session.verdicts import derived, judged
from ..session.work import Work
from ..tomlfile import KeyPath, OneOf


class Derive(Limited, Step):
    """`of` are the steps whose values it is made from."""

    measures: ClassVar[bool] = True
    only_looks: ClassVar[bool] = True
    unread: ClassVar[str] = "calculated"

    kind: Literal["derive"] = "derive"
    operation: Annotated[Operation, OneOf(Operation)]
    of: Annotated[list[Id], Field(min_length=2)]

    @property
    def unit(self) -> str:
        """That of the window, where it is no quotient."""
        if self.operation in (Operation.RATIO, Operation.PERCENT_MISMATCH):
            return "1"
        return next((edge.unit for edge in self.window if edge is not None), "1")

    def parts(self) -> tuple[Part, ...]:
        return (Part(limits=self.limits),)

    @property
    def value_unit(self) -> str:
        return self.unit

    @property
    def made_of(self) -> tuple[str, ...]:
        return tuple(self.of)

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        if self.operation is not Operation.MEAN and len(self.of) != 2:
            notes.add((*path, "of"), f"{self.operation} is made of two results.", "Name two steps.")
        self.check_limits(path, notes)

    def check(self, others: Neighbours, path: KeyPath, notes: Notes) -> None:
        """It is made of values, of one unit where they are not divided, and its window is in that unit."""
        units: dict[str, str] = {}
        for place, name in enumerate(self.of):
            other = others.earlier.get(name)
            if other is None:
                words = f"{name!r} is not an earlier step."
                notes.add((*path, "of", place), words, "Correct the id, or the order of the steps.")
            elif other.value_unit is None:
                words = f"{name!r} ({other.kind}) gives no single value."
                notes.add((*path, "of", place), words, "Name another step.")
            else:
                units[name] = other.value_unit
        if self.operation is not Operation.RATIO:
            self._check_comparable(units, path, notes)

    def _check_comparable(self, units: dict[str, str], path: KeyPath, notes: Notes) -> None:
        limits = self.limits
        if len(set(units.values())) > 1:
            listed = ", ".join(f"{name} in {unit}" for name, unit in units.items())
            notes.add((*path, "of"), f"These cannot be compared: {listed}.", "Name steps of one unit.")
        elif units and self.operation is not Operation.PERCENT_MISMATCH and limits.unit not in units.values():
            unit = next(iter(units.values()))
            words = f"The window is in {limits.unit}, but what it is made of is in {unit}."
            notes.add((*path, "window"), words, f"Give it in {unit}.")

    def run(self, work: Work, results: Results) -> Done:
        limits = self.limits
        missing = [name for name in self.of if name not in results.values]
        if missing:
            return Done(absent(self, limits.unit, limits, f"No value of {', '.join(missing)}."))
        try:
            found = derived(self.operation, [results.values[name] for name in self.of], limits.unit)
        except ZeroDivisionError:
            return Done(absent(self, limits.unit, limits, f"The {self.operation} has nothing to divide by."))
        result = judged(found, limits, work.rule)
        right = result.verdict in ("pass", "conditional pass")
        return Done(with_hint(self, result), to_do=work.only_looking and not right)
