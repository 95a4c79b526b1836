"""For pytest: the fixture `sim_bench`, and procedure files collected as tests (`pytest procedures/`).

Rules kept here:
- A file counts as a procedure if it is TOML with a `[procedure]` table; bench files and others are left alone.
- Each procedure is one test for each seed (`--benchrig-seeds`, 1 by default): a whole job on doubles, with the
  simulated operator. It passes if the job ends all in tolerance and nothing at the bench would have hurt anybody.
- The bench file is the one called `bench.toml` beside the procedure; without one the procedure is not collected.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from .sim_bench import SimBench


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("benchrig")
    group.addoption("--benchrig-seeds", type=int, default=1, help="simulated units to try each procedure on")
    group.addoption(
        "--benchrig-fault", action="append", default=[], help="a fault of the simulated unit, from the start"
    )


@pytest.fixture
def sim_bench() -> Iterator[SimBench]:
    """A simulated bench with a unit as the workshop found it; a record of its own."""
    from .sim_bench import SimBench

    with SimBench() as bench:
        yield bench


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if file_path.suffix != ".toml" or not (file_path.parent / "bench.toml").is_file():
        return None
    if not any(line.strip() == "[procedure]" for line in file_path.read_text("utf-8", "replace").splitlines()):
        return None
    collector: pytest.Collector = ProcedureFile.from_parent(parent, path=file_path)
    return collector


class ProcedureFile(pytest.File):
    """One procedure file."""

    def collect(self) -> Iterator[pytest.Item]:
        for seed in range(self.config.getoption("--benchrig-seeds")):
            yield ProcedureJob.from_parent(self, name=f"seed {seed}", seed=seed)


class ProcedureJob(pytest.Item):
    """One whole job."""

    def __init__(self, *, seed: int, **options: Any) -> None:
        super().__init__(**options)
        self.seed = seed

    def runtest(self) -> None:
        from ..bench import load_bench
        from ..procedure import load_procedure
        from ..procedure.serials import sample
        from .sim_bench import SimBench

        faults = self.config.getoption("--benchrig-fault")
        place, work = self.path.parent / "bench.toml", load_procedure(self.path)
        world = load_bench(place).world or "skerry14"
        with SimBench(world, self.seed, bench=str(place), faults=faults) as bench:
            outcome = bench.run(work, serial=sample(work.serial))
            incidents = list(bench.world.hands.incidents)
        self.add_report_section("call", "benchrig", outcome.words)
        if outcome.exit_code != 0 or incidents:
            raise JobFailed(f"exit code {outcome.exit_code}: {outcome.words}", outcome, incidents)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        if isinstance(excinfo.value, JobFailed):
            return excinfo.value.report()
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        return self.path, 0, f"{self.path.name}: {self.name}"


class JobFailed(Exception):
    """A job that did not end well."""

    def __init__(self, words: str, outcome: Any, incidents: list[str]) -> None:
        super().__init__(words)
        self.outcome = outcome
        self.incidents = incidents

    def report(self) -> str:
        """The steps that are not in, and what would have hurt somebody."""
        bad = [
            f"  {name}: {result.verdict} {result.words}"
            for name, result in self.outcome.results.items()
            if result.verdict not in ("pass", "conditional pass", "done")
        ]
        return "\n".join([str(self), *bad, *(f"  INCIDENT {it}" for it in self.incidents)])
