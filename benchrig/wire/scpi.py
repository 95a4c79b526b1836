"""A SCPI conversation without I/O: questions out, lines and blocks in, and never an answer to the wrong question.

Rules of this module:
1. One question at a time. Asking while an answer is owed raises, in the asker's own line.
2. After `give_up` the conversation is out of step: the owed answer may still come, so nothing may be asked but
   marks. A mark is a question that carries a number of its own; when its answer comes, everything before it is old.
3. Bytes may be cut anywhere. Block payloads go by their byte count, so a line feed inside one is only a byte.
4. Blank lines are never answers: some instruments send a second terminator after a block.
5. Every buffer has a limit.

Block forms: IEEE 488.2 definite `#<n><length><bytes>`, and `#(<length>)` above 1 GB as some makers send.
The indefinite form `#0` ends with END on GPIB; streams have none, so here it ends at a line feed and is refused
unless allowed: a payload that holds a line feed would be cut short in silence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from ..errors import FrameError, InstrumentError

LINE_LIMIT = 32 << 20  # bytes; a 1 M point waveform as ASCII text is 14 MB
BLOCK_LIMIT = 2 << 30
HEADER_LIMIT = 4096  # bytes before the # of a block: some families send a whole preamble there
STRAY_LIMIT = 1 << 20  # bytes kept while waiting for the answer to a mark

_BLOCK_HEADER = re.compile(rb"#(?:0|([1-9])|\((\d{1,12})\))")
_LONGEST = 15  # bytes of a header: #(, 12 digits and )
_BLANKS = re.compile(rb"\s+")


@dataclass(frozen=True, slots=True)
class AnswerLine:
    """An answer line without terminator and outer blanks; bytes beyond ASCII are shown escaped."""

    text: str


@dataclass(frozen=True, slots=True)
class AnswerBlock:
    """A block's payload; `header` is the text before its `#`, where the instrument sends headers."""

    payload: bytearray
    header: str = ""


class OutOfStep(InstrumentError):
    """An answer is owed or late, so another question now could get the wrong one."""


class Conversation:
    """The state of one conversation. `receive` stores, `line` / `block` take out or return None: need more."""

    def __init__(self, *, terminator: bytes = b"\n", indefinite: bool = False) -> None:
        self._terminator = terminator
        self._indefinite = indefinite
        self._buffer = bytearray()
        self._searched = 0  # no line feed before this place
        self._block: _Filling | None = None
        self._owed = ""
        self._mark = 0
        self._in_step = True

    @property
    def in_step(self) -> bool:
        """False while an old answer may still come, or bytes came that nobody asked for."""
        return self._in_step and not (self._buffer and self._buffer.strip())

    @property
    def owed(self) -> str:
        """The question whose answer has not come; "" if none."""
        return self._owed

    def tell(self, text: str) -> bytes:
        """The bytes of a message without an answer."""
        if "\n" in text or "\r" in text:
            raise ValueError(f"one message at a time: {text!r}")
        self._need_step(text)
        return text.encode("ascii") + self._terminator

    def ask(self, text: str) -> bytes:
        """The bytes of a question; from now on its answer is owed. Raises OutOfStep."""
        data = self.tell(text)
        self._owed = text
        return data

    def _need_step(self, text: str) -> None:
        if self._owed:
            raise OutOfStep(f"{text!r} may not be sent: the answer to {self._owed!r} is owed.")
        if not self.in_step:
            raise OutOfStep(f"{text!r} may not be sent: a late answer may come first.", next_step="Resync.")

    def receive(self, data: bytes) -> None:
        """Bytes as they came."""
        if self._block is not None:
            data = self._block.fill(data)
        self._buffer += data
        if len(self._buffer) > LINE_LIMIT and self._buffer.find(b"\n", self._searched) < 0:
            self._drop()
            self.give_up()
            raise FrameError(f"More than {LINE_LIMIT} bytes came without the end of a line.")

    def line(self) -> AnswerLine | None:
        """The answer line that is owed, once it is whole."""
        raw = self._raw_line()
        while raw is not None and not raw.strip():
            raw = self._raw_line()
        if raw is None:
            return None
        self._owed = ""
        return AnswerLine(_shown(raw))

    def _raw_line(self) -> bytes | None:
        end = self._buffer.find(b"\n", self._searched)
        if end < 0:
            self._searched = len(self._buffer)
            return None
        raw = bytes(self._buffer[:end])
        self._drop(end + 1)
        return raw

    def _drop(self, end: int | None = None) -> None:
        """Forget what stands before `end`, or everything."""
        del self._buffer[:end]
        self._searched = 0

    def block(self) -> AnswerBlock | None:
        """The block that is owed, once it is whole. Raises FrameError where a line came instead."""
        if self._block is None:
            self._open_block()
        filling = self._block
        if filling is None or filling.missing:
            return None
        self._block, self._owed = None, ""
        return AnswerBlock(filling.payload, filling.header)

    @property
    def progress(self) -> tuple[int, int]:
        """Bytes of the running block: here, and in all; (0, 0) before its header came."""
        return (len(self._block.payload), self._block.length) if self._block else (0, 0)

    def _open_block(self) -> None:
        """Look for a whole block header at the front of the buffer, behind blanks and blank lines."""
        if blanks := _BLANKS.match(self._buffer):
            self._drop(blanks.end())
        start = self._buffer.find(b"#")
        if start < 0 or b"\n" in self._buffer[:start]:
            self._not_a_block()
            return
        header = self._block_length(start)
        if header is None:
            return
        body, length = header
        words = _shown(bytes(self._buffer[:start]))
        rest = bytes(self._buffer[body:])
        self._drop()
        self._block = _Filling(length, words)
        self._buffer += self._block.fill(rest)

    def _not_a_block(self) -> None:
        raw = self._raw_line()
        if raw is not None:
            self._owed = ""
            raise FrameError(f"A block was asked for, but the answer is the line {_shown(raw)[:80]!r}.")
        if len(self._buffer) > HEADER_LIMIT:
            raise self._refuse(f"No block begins within {HEADER_LIMIT} bytes.")

    def _block_length(self, start: int) -> tuple[int, int] | None:
        """Where the payload begins and how long it is; None while the header is not whole."""
        head = bytes(self._buffer[start : start + _LONGEST])
        match = _BLOCK_HEADER.match(head)
        if not match:
            if len(head) < 2 or (head[1:2] == b"(" and b")" not in head and len(head) < _LONGEST):
                return None
            raise self._refuse("The block header is not #, a digit and a length.", head)
        if match[2]:
            return self._within(start + match.end(), int(match[2]))
        if not match[1]:
            return self._indefinite_length(start + 2)
        digits = head[2 : 2 + int(match[1])]
        if not digits.isdigit() and digits:
            raise self._refuse("The block length is not a number.", head)
        if len(digits) < int(match[1]):
            return None
        return self._within(start + 2 + len(digits), int(digits))

    def _within(self, body: int, length: int) -> tuple[int, int]:
        if length > BLOCK_LIMIT:
            raise self._refuse(f"A block of {length} bytes is more than {BLOCK_LIMIT}.")
        return body, length

    def _indefinite_length(self, body: int) -> tuple[int, int] | None:
        if not self._indefinite:
            raise self._refuse("A block without a length cannot be read safely from a stream.")
        end = self._buffer.find(b"\n", body)
        return None if end < body else (body, end - body)

    def _refuse(self, words: str, frame: bytes = b"") -> FrameError:
        self._drop()
        self.give_up()
        return FrameError(words, frame=frame)

    # Late answers

    def give_up(self) -> None:
        """Nobody waits for the owed answer any more; until a mark is answered, nothing else may be asked."""
        self._owed = ""
        self._block = None
        self._in_step = False

    def mark(self) -> bytes:
        """A question that carries a number of its own, and drops what was kept.

        `*ESE n` then `*ESE?` (IEEE 488.2, every conforming instrument) answers n. The mask only routes events to
        the service request line, which streams do not have.
        """
        self._mark = self._mark % 251 + 1
        self._drop()
        return b"*ESE %d" % self._mark + self._terminator + b"*ESE?" + self._terminator

    def marked(self) -> bool | None:
        """Next line is the mark's answer? None: no line yet. Late lines are dropped."""
        if len(self._buffer) > STRAY_LIMIT and self._buffer.find(b"\n", self._searched) < 0:
            self._drop()
        raw = self._raw_line()
        if raw is None:
            return None
        return _is_number(raw, self._mark)

    def unmark(self) -> bytes:
        """What puts the mask back to nothing, as after switching on."""
        return b"*ESE 0" + self._terminator

    def back_in_step(self) -> None:
        """The port has proof that nothing old can come any more."""
        self._drop()
        self._in_step = True


class _Filling:
    """A block whose payload is still coming."""

    def __init__(self, length: int, header: str) -> None:
        self.length = length
        self.header = header
        self.payload = bytearray()

    @property
    def missing(self) -> int:
        return self.length - len(self.payload)

    def fill(self, data: bytes) -> bytes:
        """Take what belongs to the block; returns the rest. Grows with what comes: a lying length costs nothing."""
        missing = self.missing
        self.payload += memoryview(data)[:missing]
        return data[missing:]


def _is_number(raw: bytes, wanted: int) -> bool:
    try:
        return float(raw) == wanted
    except ValueError:
        return False


def _shown(raw: bytes) -> str:
    return raw.strip(b" \t\r\n\x00").decode("ascii", "backslashreplace")
