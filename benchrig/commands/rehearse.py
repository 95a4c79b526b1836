"""`benchrig rehearse`: a whole job on simulated instruments, by the simulated operator or by your own hands.

The doubles run in a process of their own; the job runs as at a real bench, with the same files, links and drivers.
At the end the simulated unit is asked what it truly is, and a setting counts only if that is inside its window.

At your own rehearsal a mate moves probes, switches power and discharges as the steps ask; it never turns a trimmer and
never answers for the person: the hold point takes the words that the person types.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from ..bench import Bench, load_bench
from ..clock import RealClock
from ..dashboard.notice_log import Book
from ..instruments import load_stand_in
from ..procedure import Procedure, load_procedure
from ..procedure.serials import sample
from ..session import Outcome, run
from ..session.bench_tools import BenchTools
from ..session.notices import Notice, StepStarted, TrimMoved
from ..session.operators import Command, EntryRequest, HoldRequest, Operator, Question
from ..ui.terminal import Shown
from ..units import show
from .display_choice import (
    JSON,
    dashboard_option,
    mode,
    open_dashboard,
    open_display,
    open_sounds,
    person,
    showing_options,
    sound_options,
)
from .options import bench_beside, locate, orderly, report_command, say_afterwards, written_record
from .run import broken_off, open_bench
from .truth import Witness, Witnessed


@dataclass(frozen=True, slots=True)
class Served:
    """The running doubles, as the bench is told of them."""

    launched: Any

    def addresses(self) -> Collection[str]:
        found: Collection[str] = self.launched.addresses.values()
        return found


@click.command("rehearse")
@click.argument("procedure", default="skerry14/adjust")
@click.option("--seed", type=int, default=0, show_default=True, help="How the simulated unit arrives.")
@click.option("--hands", is_flag=True, help="You turn the simulated trimmers, with the arrow keys.")
@click.option("--serial", help="Serial number of the simulated unit; one that fits unless given.")
@click.option("--world", help="Which simulated bench; the one of the bench file beside PROCEDURE unless given.")
@click.option("--resume", is_flag=True, help="Go on with a rehearsal that was broken off, on a unit as it arrives.")
@written_record
@dashboard_option
@sound_options
@showing_options
def rehearse_command(
    procedure: str,
    seed: int,
    hands: bool,
    serial: str | None,
    world: str | None,
    resume: bool,
    record: str | None,
    dashboard: str | None,
    sound: str,
    wav: Path | None,
    as_json: bool,
    plain: bool,
) -> int:
    """Run a whole job on simulated instruments.

    PROCEDURE is the name of a shipped procedure or a file. A simulated operator turns the simulated trimmers; with
    --hands you do. Nothing real is touched.
    """
    how = mode(as_json, plain)
    plan = load_procedure(locate(procedure))
    bench = _bench(world, Path(plan.file))
    world = world or bench.world
    serial = serial or sample(plan.serial)
    with orderly(), ExitStack() as stack:
        doubles = stack.enter_context(load_stand_in("launch")(world, seed))
        clock = RealClock()
        store, station = open_bench(stack, bench_at(bench, doubles.addresses), record, clock, servers=Served(doubles))
        witness = Witness(plan, known_truth(doubles.hands), store, clock, _truth_lines(how, clock))
        stand_in = load_stand_in("operator")(doubles.hands, clock, seed=seed)
        stack.callback(stand_in.close)
        sounds = open_sounds(stack, sound, wav, clock)
        operator = _operator(stack, how, hands, stand_in, doubles.hands, plan, clock)
        shown = Shown(operator, witness, Book(store, clock), *sounds, *open_dashboard(stack, dashboard))
        job = broken_off(store.path, serial, plan.digest) if resume else None
        outcome = run(plan, BenchTools(station), shown, store, clock, serial=serial, resume=job)
    if how != JSON:
        say_afterwards(summary(outcome, witness.seen, store.path, report_command(outcome.job, record)))
    return outcome.exit_code or int(bool(witness.outside()))


def known_truth(hands: Any) -> Callable[[str], float | None]:
    """The world's truth by name; None for what it has no truth of."""
    names = frozenset(hands.truths())
    return lambda name: hands.truth(name) if name in names else None


def _bench(world: str | None, procedure: Path) -> Bench:
    """The simulated bench asked for, or that of the procedure's own folder, or the demo's."""
    beside = None if world else bench_beside(procedure)
    found = load_bench(beside) if beside else None
    return found if found is not None and found.world else load_bench(locate(f"{world or 'skerry14'}/bench"))


def _truth_lines(how: str, clock: RealClock) -> Callable[[dict[str, object]], None]:
    """In JSON mode each truth is a line of its own, of kind "truth"; the other displays have the table at the end."""

    def tell(facts: dict[str, object]) -> None:
        if how == JSON:
            at = clock.stamp().isoformat(timespec="milliseconds")
            click.echo(json.dumps({"kind": "truth", "at": at, **facts}))

    return tell


def bench_at(bench: Bench, addresses: Any) -> Bench:
    """The bench with its instruments at the doubles' addresses."""
    moved = {name: replace(spec, address=addresses[name]) for name, spec in bench.instruments.items()}
    return replace(bench, instruments=moved)


def _operator(
    stack: ExitStack, how: str, hands: bool, stand_in: Any, bench_hands: Any, plan: Procedure, clock: RealClock
) -> Operator:
    if not hands:
        return Shown(stand_in, open_display(stack, how, clock))
    practice = Practice(stand_in, bench_hands, plan)
    you: Operator = person(stack, "you", how, clock, on_key=practice.key, extra_help=HELP)
    return practice.with_person(you)


def summary(outcome: Outcome, seen: dict[str, Witnessed], record: Path, report: str) -> list[str]:
    """What a person wants to know at the end: each setting as read and as it truly is."""
    lines = ["", f"{'step':16} {'read':>12} {'true':>12}   window"]
    lines += [_line(it) for it in seen.values()]
    lines += ["", f"Job {outcome.job}: {outcome.words}.", f"Record: {record}", f"Report: {report}"]
    return lines


def _line(it: Witnessed) -> str:
    text: Callable[[float | None], str] = lambda value: "open" if value is None else show(value, it.unit)  # noqa: E731
    mark = "" if it.inside else "   OUTSIDE"
    return f"{it.step:16} {text(it.read):>12} {text(it.true):>12}   {text(it.low)} to {text(it.high)}{mark}"


HELP = "arrows: left/right turn, up/down turn finely, shift coarsely"
# Part of the whole travel that one press turns, and which way.
TURNS = {
    "left": -1 / 90, "right": 1 / 90, "down": -1 / 540, "up": 1 / 540,
    "shift-left": -1 / 18, "shift-right": 1 / 18, "shift-down": -1 / 540, "shift-up": 1 / 540,
}  # fmt: skip


def presses(degrees: float, travel: float) -> str:
    """The keys for a part of a turn, largest first: "1 x shift-right, 3 x up".

    >>> presses(-95.0, 7200.0)
    '1 x left, 1 x down'
    """
    way = ("shift-right", "right", "up") if degrees > 0.0 else ("shift-left", "left", "down")
    left, said = abs(degrees), []
    for key in way:
        size = abs(TURNS[key]) * travel
        count = round(left / size) if key is way[-1] else int(left / size)
        left -= count * size
        if count:
            said.append(f"{count} x {key}")
    return ", ".join(said) or f"1 x {way[-1]}"


class Practice:
    """An operator made of a person and a mate."""

    attended = True
    acts_for_person = False

    def __init__(self, mate: Any, hands: Any, procedure: Procedure) -> None:
        self._mate = mate
        self._hands = hands
        self._travel = {t.name: t.travel for step in procedure.steps for t in step.trimmers}
        self._in_hand = ""
        self._person: Operator | None = None
        self.name = ""

    def with_person(self, person: Operator) -> Practice:
        """The same, with who answers."""
        self._person, self.name = person, person.name
        return self

    def key(self, key: str) -> bool:
        """Turn the trimmer in hand; True if the key was one for turning."""
        if key not in TURNS:
            return False
        if self._in_hand in self._travel:
            self._hands.turn(self._in_hand, TURNS[key] * self._travel[self._in_hand])
        return True

    @property
    def _you(self) -> Operator:
        assert self._person is not None
        return self._person

    def acknowledge(self, hold: HoldRequest) -> str | None:
        typed = self._you.acknowledge(hold)
        if typed is not None:
            self._mate.acknowledge(hold)
        return typed

    def choose(self, question: Question) -> str | None:
        chosen = self._you.choose(question)
        if chosen is not None and question.about != "turn":
            self._mate.choose(question)
        return chosen

    def enter(self, request: EntryRequest) -> str | None:
        return self._you.enter(request)

    def hands_off(self, step: str, reason: str) -> bool:
        return self._you.hands_off(step, reason)

    def notify(self, notice: Notice) -> None:
        if isinstance(notice, StepStarted):
            self._in_hand = notice.trimmer
            self._mate.notify(notice)
        elif isinstance(notice, TrimMoved):  # of several trimmers the one that is to be turned
            self._in_hand = notice.trimmer
            if notice.asked and notice.view.asked is not None:
                keys = presses(notice.view.asked, self._travel.get(notice.trimmer, notice.goal.travel))
                notice = replace(notice, asked=f"{notice.asked} ({keys})")
        self._you.notify(notice)

    def commands(self) -> Sequence[Command]:
        return self._you.commands()
