"""SCPI over a link: questions, answers, blocks, the error queue.

Rules of this module:
1. Every wait has a deadline. A question that timed out leaves the port out of step; the next question is sent only
   after a resync has proved that nothing old can come in its place.
2. The timeout of `ask_block` counts silence, not the whole transfer.
3. One thread. A lost link is told as LinkLost and never retried here; coming back is `bench.attach`'s work.
"""

from __future__ import annotations

from collections.abc import Callable

from ..clock import Clock
from ..errors import InstrumentError, LinkTimeout
from ..wire import answers
from ..wire.answers import Number
from ..wire.scpi import AnswerBlock, Conversation
from .base import Link

ERROR_QUEUE_LIMIT = 64  # entries; the deepest queue in the programmer's guides holds 30
RESYNC_WAITS = (1, 2, 2)  # how long each try waits for its mark, in timeouts
LONGEST = 8.0  # seconds that a timeout may grow to, where an instrument is slower than was thought
_FLOOD = 10.0  # seconds; how long a late block may keep pouring in while we drain it

Progress = Callable[[int, int], None]


class ScpiPort:
    """One conversation with one instrument.

    timeout     seconds for an answer, unless the call names its own; it grows where an instrument is seen to be slower
    terminator  what ends a message to the instrument; answers may end LF or CR LF
    indefinite  accept blocks without a length (`#0`), which end at the first line feed
    """

    def __init__(
        self,
        link: Link,
        clock: Clock,
        timeout: float = 2.0,
        *,
        terminator: bytes = b"\n",
        indefinite: bool = False,
    ) -> None:
        self.link = link
        self.clock = clock
        self.timeout = timeout
        self._talk = Conversation(terminator=terminator, indefinite=indefinite)

    def send(self, text: str) -> None:
        """Send a message that has no answer."""
        self._ready()
        self.link.write(self._talk.tell(text))

    def ask(self, text: str, timeout: float | None = None, *, alone: bool = True) -> str:
        """Send a question and return its answer line, without terminator and outer blanks.

        Raises FrameError where more came behind it, unless that is said not to matter.
        """
        self._ready()
        try:
            self.link.write(self._talk.ask(text))
            deadline = self.clock.now() + (self.timeout if timeout is None else timeout)
            while True:
                self._receive(deadline, text)
                if (line := self._talk.line()) is not None:
                    return self._only(line.text, text) if alone else line.text
        except BaseException:  # whatever ends the wait leaves us out of step: timeout, lost link, Ctrl-C
            self._talk.give_up()
            raise

    def _only(self, answer: str, question: str) -> str:
        """`answer`, if nothing has come behind it: of two answers to one question nobody knows which is its own."""
        if self._talk.in_step:
            return answer
        raise InstrumentError(f"{self.link.address}: more than one answer came to {question!r}, the first {answer!r}.")

    def ask_number(self, text: str, timeout: float | None = None) -> Number:
        """One number; where the answer is a special, `value` is None and `special` says which."""
        return answers.number(self.ask(text, timeout))

    def ask_fields(self, text: str, separator: str = ",", timeout: float | None = None) -> list[str]:
        """The answer split at `separator`, quoted strings kept whole."""
        return answers.fields(self.ask(text, timeout), separator)

    def ask_block(self, text: str, timeout: float | None = None, progress: Progress | None = None) -> memoryview:
        """The payload of a block, not copied again. `progress(done, total)` in bytes, as they come."""
        return memoryview(self.ask_headed_block(text, timeout, progress).payload)

    def ask_headed_block(
        self, text: str, timeout: float | None = None, progress: Progress | None = None
    ) -> AnswerBlock:
        """As `ask_block`, with the text that some families send before the `#`."""
        self._ready()
        silence = self.timeout if timeout is None else timeout
        try:
            self.link.write(self._talk.ask(text))
            while (block := self._talk.block()) is None:
                self._receive(self.clock.now() + silence, text)
                if progress is not None and self._talk.progress[1]:
                    progress(*self._talk.progress)
            self._only(f"a block of {len(block.payload)} bytes", text)
        except BaseException:  # as in `ask`
            self._talk.give_up()
            raise
        if progress is not None:
            progress(len(block.payload), len(block.payload))
        return block

    def identify(self, timeout: float | None = None) -> tuple[str, str, str, str]:
        """Maker, model, serial, firmware as `*IDN?` gives them: `Identity(*port.identify())`.

        Asked once more, in step, where something else came first: a greeting, or the answer to another's question.
        """
        try:
            return self._identity(timeout)
        except InstrumentError as spoilt:
            try:
                self.resync()
            except LinkTimeout as error:  # it did speak, so it is not to be called silent
                raise InstrumentError(spoilt.message, next_step=error.next_step) from error
            return self._identity(timeout)

    def _identity(self, timeout: float | None = None) -> tuple[str, str, str, str]:
        # An instrument of another grammar sends its prompt behind the answer; who it is stands there all the same.
        return answers.identity(self.ask("*IDN?", timeout, alone=False))

    def errors(self, question: str = "SYST:ERR?") -> list[tuple[int, str]]:
        """Read the error queue to its end, oldest first; [] where there is none."""
        found: list[tuple[int, str]] = []
        while len(found) < ERROR_QUEUE_LIMIT:
            code, words = answers.error_entry(self.ask(question))
            if code == 0:
                break
            found.append((code, words))
        return found

    # Late answers

    def _ready(self) -> None:
        """Look whether something came unasked, as after an instrument that answers twice, and be in step."""
        if unasked := self.link.read(self.clock.now()):
            self._talk.receive(unasked)
        if not self._talk.in_step:
            self.resync()

    def _receive(self, deadline: float, text: str) -> None:
        data = self.link.read(deadline)
        if data:
            self._talk.receive(data)
        elif self.clock.now() >= deadline:
            raise LinkTimeout(
                f"{self.link.address}: no whole answer to {text!r} in time.",
                address=self.link.address,
                doing=text,
                next_step="Check that the instrument is on, set to this interface and speed, not awaiting a trigger, "
                "and not held by another program.",
            )

    def resync(self) -> None:
        """Drop what is owed and late, and prove with marks that the next answer belongs to the next question.

        Two marks must be answered one after the other: a late answer that happens to look like the first cannot
        look like the second, because the first mark's own answer still comes before it. An instrument that knows
        no marks is drained and asked who it is instead. Raises LinkTimeout where nothing helps.
        """
        self._talk.give_up()
        for wait in RESYNC_WAITS:
            self.drain()
            if self._marked(wait, late_lines=True) and self._marked(wait, late_lines=False):
                self.link.write(self._talk.unmark())
                self._talk.back_in_step()
                return
        self._resync_by_identity()

    def _marked(self, wait: int, *, late_lines: bool) -> bool:
        self.link.write(self._talk.mark())
        sent = self.clock.now()
        deadline = sent + wait * self.timeout
        while True:
            found = self._talk.marked()
            if found is None:
                data = self.link.read(deadline)
                if not data and self.clock.now() >= deadline:
                    return False
                self._talk.receive(data)
            elif found or not late_lines:
                if found and (took := self.clock.now() - sent) > self.timeout:
                    self.timeout = max(self.timeout, min(1.5 * took, LONGEST))
                return found

    def _resync_by_identity(self) -> None:
        quiet = max(0.2, self.timeout / 4)
        self.drain(quiet)
        self._talk.back_in_step()
        try:
            first = self._identity()
            late = self.drain(quiet)
            second = self._identity()
        except InstrumentError as error:
            self._talk.give_up()
            raise LinkTimeout(
                f"{self.link.address}: the answers are out of step and do not come back: {error.message}",
                address=self.link.address,
                doing="resync",
                next_step="Switch the instrument off and on. If it is new here: is this its raw socket (often 5025), "
                "not one for people, with echo and prompt (often 5024)?",
            ) from error
        if late.strip() or first != second:
            self._talk.give_up()
            raise LinkTimeout(
                f"{self.link.address}: the answers stay out of step.", address=self.link.address, doing="resync"
            )

    def drain(self, quiet: float = 0.02) -> bytes:
        """Throw away what comes until the line was quiet for `quiet` seconds; returns the last of it."""
        end = self.clock.now() + _FLOOD
        last = b""
        while self.clock.now() < end and (data := self.link.read(self.clock.now() + quiet)):
            last = data
        return last
