"""A meter that answers each D once, on a scripted line: what is owed, what is thrown away, and how old a reading is."""

from __future__ import annotations

import pytest
from benchrig.drivers.polled14 import LINE, Polled14Meter

from benchrig.clock import SimClock
from benchrig.errors import InstrumentError, LinkTimeout
from benchrig.instruments import Function, Identity, LineSettings

TAKES = 0.3  # seconds from a D to its answer


class Line:
    """Answers each D with the next of `replies`, None for not at all; `late` comes at its own times."""

    address = "line"

    def __init__(self, clock: SimClock, replies: list[bytes | None], late: dict[float, bytes] | None = None) -> None:
        self.clock, self.replies, self.sent = clock, list(replies), b""
        self.coming = dict(late or {})

    def write(self, data: bytes) -> None:
        self.sent += data
        reply = self.replies.pop(0) if self.replies else None
        if reply is not None:
            self.coming[self.clock.now() + TAKES] = reply

    def read(self, deadline: float) -> bytes:
        due = min(self.coming, default=None)
        if due is None or due > deadline:
            self.clock.sleep_until(deadline)
            return b""
        self.clock.sleep_until(due)
        return self.coming.pop(due)


def volts(shown: str) -> bytes:
    return f"DC{shown:>7}   V\r".encode()


def meter(*replies: bytes | None, late: dict[float, bytes] | None = None) -> tuple[Polled14Meter, Line, SimClock]:
    clock = SimClock()
    line = Line(clock, list(replies), late)
    return Polled14Meter(line, clock, {}), line, clock


def test_the_line_is_set_as_the_lead_needs_it() -> None:
    assert LINE == Polled14Meter.LINE == LineSettings(9600, 7, "N", 2, dtr=True, rts=False)


def test_it_is_known_by_one_answer() -> None:
    it, line, _ = meter(volts("1.5"))
    assert it.identify() == Identity(model="polled14")
    assert line.sent == b"D"
    silent, _, clock = meter()
    with pytest.raises(LinkTimeout, match="no answer to D"):
        silent.identify()
    assert clock.now() == pytest.approx(5 * 0.75)


def test_a_knob_that_stands_elsewhere_is_named() -> None:
    it, _, _ = meter(volts("1.5"), volts("1.5"))
    it.select(Function.RESISTANCE)
    with pytest.raises(InstrumentError, match="Turn its knob to resistance"):
        it.read(5.0)


def test_what_was_owed_before_a_gap_is_waited_out_and_thrown_away() -> None:
    it, line, _ = meter(volts("1.5"), late={0.2: volts("9.999")})
    it.restore()
    assert it.read(5.0).value == 1.5
    assert line.sent == b"D"


def test_a_lost_answer_makes_one_reading_doubtful_in_its_age_and_is_then_forgotten() -> None:
    """The next answer may be the lost question's, so it may be as old as that; the one after it is not."""
    it, _, clock = meter(None, volts("1.1"), volts("1.2"), volts("1.3"))
    with pytest.raises(LinkTimeout):
        it.read(1.0)
    found = [it.read(clock.now() + 5.0) for _ in range(3)]
    assert [reading.value for reading in found] == [1.1, 1.2, 1.3]
    assert [reading.time for reading in found] == pytest.approx([1.8, 3.3, 3.6])
    assert [reading.aperture for reading in found] == pytest.approx([1.8, 0.75, 0.75])


def test_a_wait_that_was_cut_short_forgets_nothing() -> None:
    """The deadline came before the lost answer had had its time."""
    it, line, _ = meter(None, volts("1.1"))
    for deadline in (1.0, 1.2):
        with pytest.raises(LinkTimeout):
            it.read(deadline)
    assert line.sent == b"D"
    reading = it.read(5.0)
    assert (reading.value, reading.aperture) == (1.1, pytest.approx(1.8))
