"""A waveform is kept in the record."""

from __future__ import annotations

from typing import Literal

from ..procedure.keys import Sourced
from ..procedure.notes import Notes
from ..procedure.quantities import Measurement, ScopeSource
from ..procedure.step import Part, Step
from ..records.facts import StepResult
from ..session.results import Done, Results
from ..session.work import Work
from ..tomlfile import KeyPath

_NO_SCOPE = ScopeSource("", 1, Measurement.MEAN)


class Capture(Sourced, Step):
    """Its source is one channel of a scope."""

    kind: Literal["capture"] = "capture"

    @property
    def source(self) -> ScopeSource:
        """The channel."""
        found = self.named_source()
        return found if isinstance(found, ScopeSource) else _NO_SCOPE

    def parts(self) -> tuple[Part, ...]:
        return (Part(self.source),)

    def check_keys(self, path: KeyPath, notes: Notes) -> None:
        self.check_source(path, notes)
        if self.named_source() is not None and not isinstance(self.named_source(), ScopeSource):
            words = "Give a scope's `instrument`, `channel`, `measurement`."
            notes.add(path, "Only a scope captures a waveform.", words)

    def run(self, work: Work, results: Results) -> Done:
        with work.feed(self.source, None) as feed:
            wave = work.waveform(feed, self.source)
        return Done(
            StepResult("done" if wave is not None else "fail", words="" if wave is not None else "No record came.")
        )
