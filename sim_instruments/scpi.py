"""The conversation of a SCPI instrument: messages in, answers out, status, errors, and work that takes time.

Rules kept (IEEE 488.2 chapters 4 to 13, SCPI-1999):
- Units of a message run in order; one that takes time holds back all that follow it. Answers to the queries of one
  message come out as one line, when its last unit is done.
- A command error ends its message; an execution error does not. Every error goes to the queue and to its event bit.
- Overlapped work (an acquisition) runs beside the conversation; `*OPC`, `*OPC?` and `*WAI` wait for all of it.
- No I/O and no sleep: what a command starts is finished when the clock has passed its time and somebody looks.
- Nothing a host sends raises here, and nothing it sends is kept beyond the limits of the buffers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from math import inf
from typing import Literal

from benchrig.clock import Clock

from .scpi_errors import ErrorQueue, ScpiError, event_bit
from .scpi_lexer import MessageFramer, parse_unit, split
from .scpi_settings import numeric
from .scpi_status import OPERATION_COMPLETE, Register, StatusRegisters
from .scpi_tree import Call, CommandTree, ScpiCommand
from .scpi_values import Numeric, nr3

Steps = Generator[float, float, float]
_BYTE = Numeric(0, 255, 0, whole=True)
_WORD = Numeric(0, 65535, 0, whole=True)
_MOST_MESSAGES = 256  # waiting behind a slow one; more is an input overrun, as on a real, finite buffer


class PendingOperation:
    """Work beside the conversation.

    `steps` yields the clock time at which it wants to go on, is sent the time up to which it may look, and returns
    the time at which it was done.
    """

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self.finished: float | None = None
        self.wake = -inf
        self._go(None)

    def _go(self, now: float | None) -> None:
        try:
            self.wake = next(self._steps) if now is None else self._steps.send(now)
        except StopIteration as end:
            self.finished = end.value

    def advance(self, now: float) -> None:
        """Let it go on as far as `now` allows."""
        while self.finished is None and self.wake <= now:
            self._go(now)

    def poke(self, now: float) -> None:
        """Wake it before its time: something it waits for has happened."""
        self.advance(now)
        if self.finished is None:
            self._go(now)

    def abort(self, now: float) -> None:
        if self.finished is None:
            self._steps.close()
            self.finished = now


@dataclass(frozen=True, slots=True)
class WaitToContinue:
    """What a command returns when its answer takes time: `then` gives the answer once everything named is over."""

    then: Callable[[], object] = lambda: None
    operations: tuple[PendingOperation, ...] = ()
    until: float = -inf

    def over(self, now: float) -> float | None:
        """When it was over; None if it is not yet."""
        ends = [self.until]
        for operation in self.operations:
            operation.advance(now)
            if operation.finished is None:
                return None
            ends.append(operation.finished)
        return max(ends) if max(ends) <= now else None

    def look(self) -> float:
        """When it is worth looking again."""
        return max([self.until, *(o.wake for o in self.operations if o.finished is None)])


class ScpiInstrument:
    """A `Double` that speaks SCPI. Subclasses give `commands()` and `defaults()`.

    identity     the four fields of `*IDN?`; the attribute is the whole answer, and may be changed: another instrument
    queue_depth  entries of the error queue
    unread       what becomes of an answer that is not out yet when the next message comes: "late" sends both, in
                 order, as raw sockets and serial ports do; "drop" drops it with -410, as IEEE 488.2 says
    newline      ends every answer
    """

    plugged = True

    def __init__(
        self,
        clock: Clock,
        identity: tuple[str, str, str, str],
        *,
        queue_depth: int = 20,
        unread: Literal["late", "drop"] = "late",
        newline: bytes = b"\n",
        input_limit: int = 4096,
    ) -> None:
        self.clock = clock
        self.identity = ",".join(identity)
        self.unread = unread
        self.frozen = False
        self.time = clock.now()
        self.status = StatusRegisters()
        self.errors = ErrorQueue(queue_depth)
        self._newline = newline
        self._tree = CommandTree([*self._common_commands(), *self.commands()])
        self._framer = MessageFramer(input_limit, self._takes_block)
        self._forget_conversation()

    # What a subclass brings

    def commands(self) -> Iterable[ScpiCommand]:
        """Its own commands."""
        return ()

    def defaults(self) -> None:
        """`*RST`: settings to defaults."""

    def operations(self) -> tuple[PendingOperation, ...]:
        """The overlapped work that `*OPC` and `*WAI` wait for."""
        return ()

    def trigger(self) -> None:
        """`*TRG`."""
        raise ScpiError(-211)

    def before(self, call: Call) -> None:
        """Runs before every unit: brings conditions up to `self.time`, or refuses with ScpiError."""

    def with_header(self, call: Call, body: object) -> object:
        """The answer with the header some families put before it."""
        return body

    def read_standard_event(self) -> int:
        """`*ESR?`"""
        return self.status.read_standard_event()

    def on_error(self, error: ScpiError) -> None:
        """An error happened: into the queue, and its event bit."""
        self.errors.push(error)
        self.status.standard_event |= event_bit(error.number)

    # The cable's side

    def receive(self, data: bytes) -> None:
        now = self.clock.now()
        self._advance(now)
        if self.frozen:
            return
        for message in self._framer.feed(data):
            self._accept(message, now)
        self._advance(now)

    def due(self) -> float | None:
        if self._out:
            return self._out[0][0]
        look = self._wait.look() if self._wait else inf
        return None if self.frozen or look == inf else max(look, self.time)

    def take(self) -> bytes:
        now = self.clock.now()
        self._advance(now)
        ready = []
        while self._out and self._out[0][0] <= now and not self.frozen:
            ready.append(self._out.popleft()[1])
        return ready[0] if len(ready) == 1 else b"".join(ready)

    def device_clear(self) -> None:
        """What IEEE 488.2 calls dcas: buffers emptied, waits given up, settings and status kept."""
        self._framer.clear()
        self._forget_conversation()

    def reset(self) -> None:
        """A brown-out: settings, masks, queue and conversation are lost; the power-on bit is set."""
        self.device_clear()
        for operation in self.operations():
            operation.abort(self.clock.now())
        self.time = self.clock.now()
        self.status = StatusRegisters()
        self.errors.clear()
        self.defaults()

    # The conversation

    def _forget_conversation(self) -> None:
        self._messages: deque[tuple[str, float]] = deque()
        self._units: deque[str] = deque()
        self._path: tuple[str, ...] = ()
        self._answers: list[object] = []
        self._wait: WaitToContinue | None = None
        self._waiting_call: Call | None = None
        self._completion_asked = False
        self._out: deque[tuple[float, bytes]] = deque()

    def _takes_block(self, header: str) -> bool:
        try:
            return self._tree.find(header).command.block
        except ScpiError:
            return False

    def _accept(self, message: str | None, now: float) -> None:
        if message is None or len(self._messages) >= _MOST_MESSAGES:
            self.on_error(ScpiError(-363))
            return
        unread = bool(self._out or self._answers or (self._wait and self._waiting_call and self._waiting_call.query))
        if self.unread == "drop" and unread:
            self._out.clear()
            self._answers.clear()
            self._units.clear()
            self._wait = None
            self.on_error(ScpiError(-410))
        self._messages.append((message, now))

    def _advance(self, now: float) -> None:
        while not self.frozen:
            self._note_completion(now)
            if self._wait is not None:
                over = self._wait.over(now)
                if over is None:
                    return
                self.time, wait, self._wait = max(self.time, over), self._wait, None
                self._perform(wait.then)
            elif self._units:
                self._run(self._units.popleft())
            elif self._messages:
                message, arrived = self._messages.popleft()
                self.time = max(self.time, arrived)
                self._path = ()
                self._units.extend(split(message, ";"))
            else:
                return
            if not self._units and self._wait is None:
                self._send_answers()

    def _note_completion(self, now: float) -> None:
        for operation in self.operations():
            operation.advance(now)
        if self._completion_asked and all(o.finished is not None for o in self.operations()):
            self._completion_asked = False
            self.status.standard_event |= OPERATION_COMPLETE

    def _run(self, unit: str) -> None:
        if not unit.strip("".join(map(chr, range(0x21)))):
            return
        try:
            header, args = parse_unit(unit)
            found = self._tree.find(header, self._path)
            self._path = found.path
            if len(args) < found.command.least:
                raise ScpiError(-109)
            if len(args) > found.command.most:
                raise ScpiError(-108)
        except ScpiError as error:
            self._fail(error)
            return
        call = Call(args, found.suffixes, found.words, found.query)
        self._waiting_call = call
        self._perform(lambda: self._work(found.command, call))

    def _work(self, command: ScpiCommand, call: Call) -> object:
        self.before(call)
        return command.work(call)

    def _perform(self, work: Callable[[], object]) -> None:
        try:
            result = work()
        except ScpiError as error:
            self._fail(error)
            return
        if isinstance(result, WaitToContinue):
            self._wait = result
        elif result is not None and self._waiting_call is not None:
            self._answers.append(self.with_header(self._waiting_call, result))

    def _fail(self, error: ScpiError) -> None:
        self.on_error(error)
        if -200 < error.number <= -100:
            self._units.clear()

    def _send_answers(self) -> None:
        parts = [a if isinstance(a, bytes) else str(a).encode("latin-1") for a in self._answers]
        self._answers.clear()
        if parts:
            joined = [part for answer in parts for part in (b";", answer)][1:]
            self._out.append((self.time, b"".join((*joined, self._newline))))

    # Commands every instrument has

    def _common_commands(self) -> Iterable[ScpiCommand]:
        yield ScpiCommand("*IDN?", lambda call: self.identity)
        yield ScpiCommand("*RST", lambda call: self.defaults())
        yield ScpiCommand("*CLS", lambda call: self.clear_status())
        yield ScpiCommand("*ESE", lambda call: self._mask("standard_enable", call), 1, 1)
        yield ScpiCommand("*ESE?", lambda call: self.integer(self.status.standard_enable))
        yield ScpiCommand("*ESR?", lambda call: self.integer(self.read_standard_event()))
        yield ScpiCommand("*SRE", lambda call: self._mask("service_enable", call), 1, 1)
        yield ScpiCommand("*SRE?", lambda call: self.integer(self.status.service_enable))
        yield ScpiCommand("*STB?", lambda call: self.integer(self._status_byte()))
        yield ScpiCommand("*OPC", lambda call: self._ask_completion())
        yield ScpiCommand("*OPC?", lambda call: WaitToContinue(lambda: "1", self.operations()))
        yield ScpiCommand("*WAI", lambda call: WaitToContinue(operations=self.operations()))
        yield ScpiCommand("*TRG", lambda call: self.trigger())
        yield ScpiCommand("*TST?", lambda call: WaitToContinue(lambda: self.integer(0), until=self.time + 1.0))

    def error_commands(self) -> Iterable[ScpiCommand]:
        """SYSTem:ERRor and the STATus subsystem; families with another way leave them out."""
        yield ScpiCommand("SYSTem:ERRor[:NEXT]?", lambda call: self._next_error())
        yield ScpiCommand("SYSTem:VERSion?", lambda call: "1999.0")
        yield ScpiCommand("STATus:PRESet", lambda call: self._preset())
        yield from self._register_commands("STATus:OPERation", lambda: self.status.operation)
        yield from self._register_commands("STATus:QUEStionable", lambda: self.status.questionable)

    def _register_commands(self, stem: str, pick: Callable[[], Register]) -> Iterable[ScpiCommand]:
        yield ScpiCommand(f"{stem}[:EVENt]?", lambda call: self.integer(pick().read_event()))
        yield ScpiCommand(f"{stem}:CONDition?", lambda call: self.integer(pick().condition))
        for word, name in (("ENABle", "enable"), ("PTRansition", "rising"), ("NTRansition", "falling")):
            yield from numeric(
                f"{stem}:{word}", _WORD, lambda call: pick(), name, lambda v: self.integer(int(v) & 0x7FFF)
            )

    def integer(self, value: int) -> str:
        """NR1 as this family writes it; the 34401A class puts a plus sign before it."""
        return str(value)

    def real(self, value: float) -> str:
        """NR3 as this family writes it."""
        return nr3(value)

    def _next_error(self) -> str:
        error = self.errors.pop()
        return f"{self.integer(error.number)},{error.text}"

    def clear_status(self) -> None:
        """`*CLS`"""
        self.status.clear()
        self.errors.clear()
        self._completion_asked = False

    def _mask(self, name: str, call: Call) -> None:
        value = int(_BYTE.read(call.args[0]))
        setattr(self.status, name, value & ~0x40 if name == "service_enable" else value)

    def _status_byte(self) -> int:
        waiting = bool(self._out or self._answers)
        return self.status.byte(message_available=waiting, errors_waiting=bool(len(self.errors)))

    def _ask_completion(self) -> None:
        self._completion_asked = True

    def _preset(self) -> None:
        self.status.operation.preset()
        self.status.questionable.preset()
