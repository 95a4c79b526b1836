"""A meter that answers each D once, on a scripted line: what is owed, what is thrown away, and how old a reading is."""

from __future__ import annotations

import pytest
from benchrig.drivers.polled14 import LINE, Polled14Meter, decode

from benchrig.clock import SimClock
from benchrig.errors import FileError, FrameError, InstrumentError, LinkTimeout
from benchrig.instruments import Function, Identity, LineSettings

TAKES = 0.3  # seconds from a D to its answer


class Line:
    """Answers each D with the next of `replies`, None for not at all; `late` comes at its own times."""

    address = "line"

    def __init__(self, clock: SimClock, replies: list[bytes | None], late: dict[float, bytes] | None = None) -> None:
        self.clock, self.replies, self.sent = clock, list(replies), b""
        self.coming = dict(late or {})
        self.asked_at: list[float] = []
        self.looks = 0  # since the last D

    def write(self, data: bytes) -> None:
        self.sent += data
        self.asked_at.append(self.clock.now())
        reply = self.replies.pop(0) if self.replies else None
        if reply is not None:
            self.coming[self.clock.now() + TAKES] = reply

    def read(self, deadline: float) -> bytes:
        self.looks += not self.sent
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
    with pytest.raises(LinkTimeout) as refused:
        silent.identify()
    assert refused.value.message == "line: no answer to D came in time."
    assert (refused.value.address, refused.value.doing) == ("line", "D")
    assert refused.value.next_step.startswith("Check that the meter is on and in its COM mode, the lead is seated")
    assert clock.now() == pytest.approx(5 * 0.75)


def test_a_knob_that_stands_elsewhere_is_named() -> None:
    it, _, _ = meter(volts("1.5"), volts("1.5"))
    it.select(Function.RESISTANCE)
    with pytest.raises(InstrumentError, match="Turn its knob to resistance") as refused:
        it.read(5.0)
    assert refused.value.message.startswith("polled14 meter at line shows '1.5 V'")


def test_what_was_owed_before_a_gap_is_waited_out_and_thrown_away() -> None:
    it, line, _ = meter(volts("1.5"), late={0.2: volts("9.999")})
    it.restore()
    reading = it.read(5.0)
    assert (reading.value, reading.time, reading.aperture) == (1.5, pytest.approx(0.2 + TAKES), 0.75)
    assert line.sent == b"D"


def test_what_was_owed_before_a_gap_and_did_not_come_may_still_be_the_next_answer() -> None:
    """So the reading says that it may have begun before the gap."""
    it, line, _ = meter(volts("1.5"))
    it.restore()
    reading = it.read(5.0)
    assert line.asked_at == [1.5]
    assert (reading.value, reading.aperture) == (1.5, pytest.approx(1.5 + TAKES))


def test_half_an_answer_from_before_a_gap_is_not_made_whole_by_what_comes_after_it() -> None:
    """It would pass for the answer that is owed, and that for the next one."""
    it, line, clock = meter(volts("12.4")[:7], volts("1.5"))
    with pytest.raises(LinkTimeout):
        it.read(1.0)
    it.restore()
    line.coming = {1.1: volts("12.4")[7:], 1.2: volts("9.999")}
    assert it.read(clock.now() + 5.0).value == 1.5


def test_the_head_of_one_answer_and_the_tail_of_another_are_no_reading() -> None:
    it, _, clock = meter(volts("12.4")[:7], volts("12.4")[7:], volts("1.5"))
    with pytest.raises(LinkTimeout):
        it.read(1.0)
    assert it.read(clock.now() + 5.0).value == 1.5


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


def test_d_is_sent_again_after_two_intervals_and_each_answer_that_is_owed_is_waited_for() -> None:
    """One after the other, for as long as the last of them may take."""
    it, line, _ = meter(None, None, volts("1.5"), late={2.2: volts("9.1"), 2.4: volts("9.2")})
    with pytest.raises(LinkTimeout):
        it.read(2.0)
    assert line.asked_at == [0.0, 1.5]
    reading = it.read(10.0)
    assert (reading.value, reading.time, reading.aperture) == (1.5, pytest.approx(2.4 + TAKES), 0.75)


def test_of_two_lost_answers_one_is_kept_in_mind() -> None:
    """So one late answer is enough, and the next D waits for no other."""
    it, _, clock = meter(None, None, volts("1.1"), volts("1.2"), late={3.6: volts("9.9")})
    with pytest.raises(LinkTimeout):
        it.read(2.0)
    first, second = it.read(clock.now() + 5.0), it.read(clock.now() + 5.0)
    assert (first.value, first.time, first.aperture) == (1.1, pytest.approx(3.3), pytest.approx(3.3))
    assert (second.value, second.time, second.aperture) == (1.2, pytest.approx(3.9), 0.75)


def test_an_answer_that_means_nothing_is_told_as_what_it_is_and_not_as_silence() -> None:
    it, _, _ = meter(volts("1.?5"))
    with pytest.raises(FrameError, match="is not a number"):
        it.read(1.0)


def test_a_meter_that_says_more_than_it_was_asked_is_read_past_what_was_spoilt() -> None:
    """One D, a whole frame that means nothing, and a good one behind it: what some models send by themselves."""
    it, line, _ = meter(volts("1.?5") + volts("1.5"))
    reading = it.read(5.0)
    assert (reading.value, reading.time, reading.aperture) == (1.5, TAKES, 0.75)
    assert line.sent == b"D"


def test_a_quiet_line_is_looked_at_once_and_one_that_never_falls_silent_a_thousand_times() -> None:
    """Then D is sent all the same, and an answer is taken if there is one."""
    it, line, clock = meter(volts("1.5"))
    it.read(5.0)
    assert line.looks == 1

    class Chatter(Line):
        def read(self, deadline: float) -> bytes:
            return super().read(deadline) or (b"" if self.sent else b"~")

    chatter = Chatter(clock, [volts("1.6")])
    assert Polled14Meter(chatter, clock).read(clock.now() + 5.0).value == 1.6
    assert chatter.looks == 1000


def test_an_option_it_has_not_is_refused_by_the_name_of_the_driver() -> None:
    with pytest.raises(FileError, match="Driver polled14 has no option 'intervall'"):
        Polled14Meter(Line(SimClock(), []), SimClock(), {"intervall": 1.0})


@pytest.mark.parametrize(("frame", "text"), [(b"DC+  1.23   V\r", "1.23 V"), (b"DC  1234.  mV\r", "1234 mV")])
def test_the_text_has_no_plus_and_no_point_behind_the_last_digit(frame: bytes, text: str) -> None:
    assert decode(frame).text == text


def test_a_tilde_is_a_printable_character_of_no_unit() -> None:
    with pytest.raises(FrameError, match="Unit '~V' is not known"):
        decode(b"DC   1.23  ~V\r")
