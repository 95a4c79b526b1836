"""Who is told of alarms while a command runs; and `benchrig ack`, by which they are acknowledged.

`ack` says so beside the record, where the soak looks once a second, and waits until that was seen. It acknowledges no
hold point; nothing but the words typed at one does.
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, SimpleQueue

import click

from ..alarms import Alarms, Caller, remote_ack
from ..alarms.build_callers import callers_of, policy_of
from ..alarms.heartbeat import Beats
from ..bench.model import AlarmSettings
from ..clock import Clock, RealClock
from ..errors import FileError
from ..records import History, file_of, is_server
from ..session.interruptions import StopAsked
from ..session.notices import Notice, Said
from ..session.operators import Command, EntryRequest, ForwardedOperator, HoldRequest, Operator, Question
from ..ui.alarm_sounds import open_ring
from .options import login_name, record_option

TICK = 1.0  # s between looks at alarms that are due again
LOOK = 0.2  # s between looks at the person's keys after the job
OPEN = "An alarm is open. Acknowledge it here with a, or with `benchrig ack`; until then it is told."


@contextmanager
def ringing(
    settings: AlarmSettings, clock: Clock, notify: Callable[[Notice], None], serial: str, record: Path
) -> Iterator[Alarms]:
    """The alarms of a job, ticked by a thread of their own. What could not be told at the end is said."""
    policy = policy_of(settings)
    alarms = Alarms(everybody(settings), clock, notify, policy=policy, record=record, unit_serial=serial)
    ended = threading.Event()

    def tick() -> None:
        while not ended.wait(TICK):
            alarms.tick()

    thread = threading.Thread(target=tick, name="alarms", daemon=True)
    thread.start()
    try:
        yield alarms
    finally:
        ended.set()
        thread.join(5.0)
        for words in alarms.close():
            click.echo(f"benchrig: {words}", err=True)


def everybody(settings: AlarmSettings) -> list[Caller]:
    """Who is told of an alarm: whoever is within hearing, and whom the bench file names."""
    ring = open_ring(settings.sound, sys.stderr)
    return [*([] if ring is None else [ring]), *callers_of(settings)]


def until_acknowledged(alarms: Alarms, operator: Operator, clock: Clock) -> None:
    """What must stop the bench is told again and again until somebody acknowledges it, here or with `benchrig ack`."""
    if _grave(alarms):
        operator.notify(Said("", OPEN, "warning"))  # as a notice: words beside a live screen land in its last rows
    while _grave(alarms):
        with contextlib.suppress(StopAsked):  # that the terminal has gone is no answer to an alarm
            for command in operator.commands():
                if command.verb in ("acknowledge", "stop"):
                    alarms.acknowledge(by=operator.name)
        clock.sleep_until(clock.now() + LOOK)
    with contextlib.suppress(StopAsked):
        operator.commands()  # shows what other threads have told meanwhile


def _grave(alarms: Alarms) -> bool:
    return any(it.alarm.severity == "stop" and not it.acknowledged for it in alarms.open)


class Relay(ForwardedOperator):
    """An operator whose notices may come from any thread: those of others wait until the owner looks at commands.

    `beats` hears of each look, and of each question before it is asked.
    """

    def __init__(self, operator: Operator, beats: Beats) -> None:
        super().__init__(operator)
        self._beats = beats
        self._owner = threading.get_ident()
        self._waiting: SimpleQueue[Notice] = SimpleQueue()

    def acknowledge(self, hold: HoldRequest) -> str | None:
        self._beats.asking()
        return super().acknowledge(hold)

    def choose(self, question: Question) -> str | None:
        self._beats.asking()
        return super().choose(question)

    def enter(self, request: EntryRequest) -> str | None:
        self._beats.asking()
        return super().enter(request)

    def hands_off(self, step: str, reason: str) -> bool:
        self._beats.asking()
        return super().hands_off(step, reason)

    def notify(self, notice: Notice) -> None:
        if threading.get_ident() == self._owner:
            self._operator.notify(notice)
        else:
            self._waiting.put(notice)

    def commands(self) -> Sequence[Command]:
        self._beats.beat()
        while True:
            try:
                self._operator.notify(self._waiting.get_nowait())
            except Empty:
                return self._operator.commands()


PATIENCE = 5.0  # s; a soak looks every second
ACK_LOOK = 0.1  # s between looks whether it has


@click.command("ack")
@click.argument("alarm", default="")
@click.option("--by", help="Who acknowledges; your login name unless given.")
@record_option("that the soak writes")
def ack_command(alarm: str, by: str | None, record: str | None) -> None:
    """Acknowledge all open alarms of a running soak, or ALARM alone: they are not told again.

    The trouble itself stays what it is, and an alarm that grows worse is told anew.
    """
    path = _beside(record)
    remote_ack.leave(path, by or login_name(), alarm)
    if not seen(path, RealClock()):
        remote_ack.withdraw(path)
        raise FileError(
            f"No soak that writes {path} has seen the acknowledgement.",
            next_step="Is it running, and is --store its record?",
        )
    click.echo("The soak has taken it.")


def _beside(record: str | None) -> Path:
    """The file that the soak writes. Raises WrongRecord where there is none."""
    if is_server(record):
        from ..records.shop import spool_of

        path = spool_of(str(record))
    else:
        path = file_of(record)
    History(path).close()  # one that is not there, or is none, is said to be
    return path


def seen(record: Path, clock: Clock) -> bool:
    """True as soon as the note was taken; False after `PATIENCE`."""
    until = clock.now() + PATIENCE
    while remote_ack.place(record).exists():
        if clock.now() >= until:
            return False
        clock.sleep_until(clock.now() + ACK_LOOK)
    return True
