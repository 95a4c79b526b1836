"""What every kind of step has and can be asked; and the register of kinds.

A kind is one class in one file of `benchrig.steps`: its keys in a file, what they mean, what is looked at before a job,
and how it runs. Whoever plans, runs, checks or reports steps asks what stands here, and knows no kind by its name.
"""

from __future__ import annotations

import functools
import importlib
import pkgutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Self

from pydantic import Field, PrivateAttr

from ..bench.model import Bench
from ..tomlfile import FileModel, KeyPath
from .keys import AClass, Duration, Id, Lower, Words
from .notes import Notes
from .quantities import Limits, Source, Trimmer, TypedSource

HOME = "benchrig.steps"  # the package in which every module with a kind is found


@dataclass(frozen=True, slots=True)
class Part:
    """One quantity of a step: where it comes from, which values are right, what sets it.

    place  of its table in the file, from the step's own on
    aims   further values that it is to reach, or may reach, such as a target; None for one that is not given
    """

    source: Source | None = None
    limits: Limits | None = None
    trimmer: Trimmer | None = None
    place: KeyPath = ()
    aims: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Neighbours:
    """The other steps of a procedure, as a step that is checked sees them."""

    earlier: Mapping[str, Step]
    later: Sequence[Step]


class Step(FileModel):
    """The keys and the answers of every kind.

    hazard      name of the hazard that this step exposes; None where it exposes none
    card        pattern that the unit must show
    conditions  states in which the unit must be, said to the person
    needs       steps that must have ended well before this one may begin
    disturbs    steps whose result a real change here puts in question
    cleans      trimmers that this step cleans: what they set is opened again
    hints       what to look at, by class of reading ("absent", "low", "high", "noisy", ...)
    only_if     step id -> words: this step is done only where that step was answered with those words
    safety      a failure here ends everything that would power the unit further
    as_found    False: read only in its turn, such as a value that is wanted after the work
    """

    measures: ClassVar[bool] = False  # its value is read in the as-found pass
    prepares: ClassVar[bool] = False  # it is done in the as-found pass where a step that measures needs it
    only_looks: ClassVar[bool] = False  # nothing is turned: it looks again when what it rests on was changed
    beside_hazard: ClassVar[bool] = False  # it may read harmless points beside those of its hazard

    unread: ClassVar[str] = "typed"  # how a report says where its value is from, where no instrument read it
    lasting: ClassVar[bool] = False  # what it reads goes on for hours: a report sums it up and shows no single readings

    kind: str
    id: Id
    title: Words
    instruction: str = ""
    hazard: Words | None = None
    card: Words | None = None
    conditions: list[Literal["powered", "unplugged"]] = Field(default_factory=list)
    needs: list[Id] = Field(default_factory=list)
    disturbs: list[Id] = Field(default_factory=list)
    cleans: list[Words] = Field(default_factory=list)
    hints: dict[AClass, Words] = Field(default_factory=dict)
    only_if: dict[Id, Words] = Field(default_factory=dict)
    safety: bool = False
    as_found: bool = True
    _line: int = PrivateAttr(0)

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        word = cls.model_fields["kind"].default
        if isinstance(word, str):
            _register(word, cls)

    def at_line(self, line: int) -> Self:
        """The step, as it stands in this line of its file."""
        self._line = line
        return self

    @property
    def line(self) -> int:
        """Where its table begins in the file; 0 where it is of no file."""
        return self._line

    # what it is made of

    def parts(self) -> tuple[Part, ...]:
        """Its quantities, in the order of the file."""
        return ()

    @property
    def sources(self) -> tuple[Source, ...]:
        """Every place from which it takes values."""
        return tuple(part.source for part in self.parts() if part.source is not None)

    @property
    def trimmers(self) -> tuple[Trimmer, ...]:
        """What it lets the hands turn."""
        return tuple(part.trimmer for part in self.parts() if part.trimmer is not None)

    @property
    def turns(self) -> frozenset[str]:
        """Names of what it lets the hands turn."""
        return frozenset(trimmer.name for trimmer in self.trimmers)

    @property
    def sets(self) -> frozenset[str]:
        """Names of the trimmers that stand right when it has ended well."""
        return self.turns

    @property
    def made_of(self) -> tuple[str, ...]:
        """Ids of the steps whose values it is made from."""
        return ()

    @property
    def rests_on(self) -> tuple[str, ...]:
        """Ids of the steps that it needs, or is made of."""
        return (*self.needs, *self.made_of)

    @property
    def answers(self) -> tuple[str, ...] | None:
        """What it can be answered with; None where that shows only when it runs."""
        return ()

    @property
    def value_unit(self) -> str | None:
        """The unit of its single value; None where it gives none."""
        return None

    # what it asks of the job

    @property
    def powers_unit(self) -> bool:
        """True if the unit runs while it is done."""
        if "unplugged" in self.conditions:
            return False
        return self.reads or self.hazard is not None or "powered" in self.conditions

    @property
    def reads(self) -> bool:
        """True if an instrument reads something in it."""
        return any(not isinstance(source, TypedSource) for source in self.sources)

    @property
    def sees_to_power(self) -> bool:
        """True if it switches the unit by itself, at its hold point."""
        return self.hazard is not None

    @property
    def asked_again(self) -> bool:
        """True if it is done again when a job that was broken off goes on."""
        return False

    @property
    def unattended(self) -> float:
        """Seconds for which nobody is there to acknowledge its hold point again."""
        return 0.0

    # what is looked at before a job

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        """Note what its own keys cannot mean together."""

    def check(self, others: Neighbours, path: KeyPath, notes: Notes) -> None:
        """Note what cannot be, beside the other steps."""

    def preflight(self, bench: Bench) -> Iterable[tuple[str, str, str]]:
        """What a bench lacks for it beside instruments: rows of what was looked at, level, words."""
        return ()

    def with_ceilings(self, lower: Lower) -> Self:
        """The step with the ceiling that `lower` makes of each one that stands in the file."""
        return self

    # doing it

    def run(self, work: Any, results: Any) -> Any:
        """Do it, with a session's `Work` and the `Results` of earlier steps; how it ended, as `Done`."""
        raise NotImplementedError


class HandStep(Step):
    """A kind in which a hand sets something, and holds still until it stands."""

    hold: Duration = 1.5
    settle: Duration = 0.3


_KINDS: dict[str, type[Step]] = {}


def _register(word: str, kind: type[Step]) -> None:
    before = _KINDS.setdefault(word, kind)
    if before is not kind:
        raise TypeError(f"There are two kinds of step called {word!r}: {before.__module__} and {kind.__module__}.")


def kind_of(word: str) -> type[Step]:
    """The kind called `word` in a record; what every kind has, for one that is no more."""
    return kinds().get(word, Step)


@functools.cache
def kinds() -> Mapping[str, type[Step]]:
    """Every kind of step by its word in a file; the modules of `HOME` are imported for it."""
    for module in pkgutil.iter_modules(importlib.import_module(HOME).__path__):
        importlib.import_module(f"{HOME}.{module.name}")
    return dict(_KINDS)
