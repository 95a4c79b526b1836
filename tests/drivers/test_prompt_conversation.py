"""A meter that ends each answer with a prompt, on a scripted line: what it is told in which order, what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from benchrig.drivers.prompt import LINE, PromptMeter

from benchrig.clock import SimClock
from benchrig.errors import FileError, InstrumentError, LinkTimeout, WrongFunction
from benchrig.instruments import Function, Identity, LineSettings
from benchrig.readings import Flag

TAKES = 0.125  # seconds from a line to its answer; binary, so that sums of it are exact
CTRL_C = "\x03"
MEASURE = "FUNC1?;AUTO?;MEAS1?"
IDENTITY = "FLUKE, 45, 1234567, 1.6 D1.0"


class Line:
    """Answers each line with what `answers` holds for it and a prompt; None: not at all."""

    address = "line"
    takes = TAKES

    def __init__(self, clock: SimClock, **answers: str | None) -> None:
        self.clock, self.sent, self.coming = clock, list[str](), list[tuple[float, bytes]]()
        self.answers: dict[str, str | None] = {
            "*IDN?": IDENTITY + "\r\n=>", "MOD?": "0\r\n=>", MEASURE: "VDC;1;+1.5000E+0 VDC\r\n=>", **answers,
        }  # fmt: skip

    def write(self, data: bytes) -> None:
        text = data.decode()
        assert text == CTRL_C or text.endswith("\r\n")
        self.sent.append(text.removesuffix("\r\n"))
        answer = self.answers.get(self.sent[-1], "=>")
        if text != CTRL_C and answer is not None:
            self.coming.append((self.clock.now() + self.takes, answer.encode() + b"\r\n"))

    def read(self, deadline: float) -> bytes:
        if not self.coming or min(self.coming)[0] > deadline:
            self.clock.sleep_until(deadline)
            return b""
        due, data = self.coming.pop(self.coming.index(min(self.coming)))
        self.clock.sleep_until(due)
        return data


def meter(answers: dict[str, str | None] | None = None, **options: Any) -> tuple[PromptMeter, Line, SimClock]:
    clock = SimClock()
    line = Line(clock, **(answers or {}))
    return PromptMeter(line, clock, options), line, clock


def read(it: PromptMeter, clock: SimClock) -> Any:
    return it.read(clock.now() + 3.0)


def test_the_line_is_what_these_meters_leave_the_works_with() -> None:
    """9600 8N1 (common practice, no source)."""
    assert LINE == PromptMeter.LINE == LineSettings(9600, 8, "N", 1)


@pytest.mark.parametrize(
    ("maker", "model", "taken"),
    [
        ("FLUKE", "45", True), ("Fluke", "8808a", True), ("FLUKE", "8845A", True), ("FLUKE", "8846A", True),
        ("FLUKE", "8842A", False), ("FLUKE", "450", False), ("A FLUKE", "45", False), ("OTHER", "45", False),
    ],
)  # fmt: skip
def test_only_models_with_this_grammar_are_taken(maker: str, model: str, taken: bool) -> None:
    assert PromptMeter.takes(Identity(maker, model)) is taken


def test_the_first_talk_clears_the_line_and_each_setting_waits_for_the_prompt_of_the_one_before() -> None:
    it, line, clock = meter()
    reading = read(it, clock)
    assert line.sent == [CTRL_C, "*IDN?", "REMS", "FORMAT 2", "VDC", "RATE M", "AUTO", "MOD?", MEASURE]
    assert (reading.value, reading.unit, reading.flags) == (1.5, "V", Flag.DC | Flag.AUTORANGE | Flag.PROVISIONAL)
    assert clock.now() == 0.2 + 8 * TAKES
    assert (reading.time, reading.aperture) == (clock.now(), TAKES)
    read(it, clock)
    assert line.sent[9:] == [MEASURE]


def test_it_says_who_it_is() -> None:
    it, line, _ = meter()
    assert it.identify() == Identity("FLUKE", "45", "1234567", "1.6 D1.0")
    assert line.sent == [CTRL_C, "*IDN?", "*IDN?"]


def test_two_lines_are_no_identity() -> None:
    it, _, _ = meter({"*IDN?": f"{IDENTITY}\r\n{IDENTITY}\r\n=>"})
    with pytest.raises(InstrumentError, match="is not an identity"):
        it.identify()


@pytest.mark.parametrize(
    ("function", "word"),
    [
        (Function.DC_VOLTAGE, "VDC"), (Function.AC_VOLTAGE, "VAC"), (Function.DC_CURRENT, "ADC"),
        (Function.AC_CURRENT, "AAC"), (Function.RESISTANCE, "OHMS"), (Function.FREQUENCY, "FREQ"),
        (Function.CONTINUITY, "CONT"), (Function.DIODE, "DIODE"),
    ],
)  # fmt: skip
def test_each_function_is_told_in_its_word(function: Function, word: str) -> None:
    """The makers' manuals."""
    it, line, _ = meter()
    it.select(function)
    assert line.sent[2:] == ["REMS", "FORMAT 2", word, "RATE M", "AUTO", "MOD?"]


def test_a_function_it_has_not_is_refused_by_its_name_before_anything_is_sent() -> None:
    it, line, _ = meter()
    with pytest.raises(InstrumentError) as refused:
        it.select(Function.CAPACITANCE)
    assert refused.value.message == f"The meter at line cannot measure {Function.CAPACITANCE.value}."
    assert (refused.value.instrument, refused.value.next_step) == ("The meter at line", "Use another meter.")
    assert line.sent == []
    it.identify()
    with pytest.raises(InstrumentError, match=r"^45 at line cannot"):
        it.select(Function.CAPACITANCE)


# (power line cycles, expected, function, rate, range; 0 is autorange). Full scales by rate: the makers' manuals.
RANGES = [
    (None, None, Function.DC_VOLTAGE, "M", 0), (9.9, None, Function.DC_VOLTAGE, "M", 0),
    (10.0, None, Function.DC_VOLTAGE, "S", 0), (100.0, None, Function.DC_VOLTAGE, "S", 0),
    *((None, full * more, Function.DC_VOLTAGE, "M", number + (more > 1.0))
      for number, full in enumerate((0.3, 3.0, 30.0, 300.0), start=1) for more in (1.0, 1.001)),
    *((10.0, full * more, Function.AC_VOLTAGE, "S", number + (more > 1.0))
      for number, full in enumerate((0.1, 1.0, 10.0, 100.0), start=1) for more in (1.0, 1.001)),
    (None, 1000.0, Function.AC_VOLTAGE, "M", 5), (None, 1000.1, Function.AC_VOLTAGE, "M", 0),
    (10.0, -1000.0, Function.DC_VOLTAGE, "S", 5), (10.0, -1000.1, Function.DC_VOLTAGE, "S", 0),
    (None, -2.0, Function.DC_VOLTAGE, "M", 2), (None, 0.0, Function.DC_VOLTAGE, "M", 1),
    (None, 2.0, Function.RESISTANCE, "M", 0), (10.0, 0.5, Function.DC_CURRENT, "S", 0),
]  # fmt: skip


@pytest.mark.parametrize(("cycles", "expected", "function", "rate", "number"), RANGES)
def test_the_lowest_range_of_the_rate_that_holds_the_expected_value_is_chosen_and_asked_back(
    cycles: float | None, expected: float | None, function: Function, rate: str, number: int
) -> None:
    it, line, _ = meter({"RANGE1?": f"{number}\r\n=>"})
    it.select(function, expected=expected, power_line_cycles=cycles)
    assert line.sent[5:] == [f"RATE {rate}", *([f"RANGE {number}", "RANGE1?"] if number else ["AUTO"]), "MOD?"]


def test_a_range_that_was_not_taken_is_refused() -> None:
    it, _, _ = meter({"RANGE1?": "3\r\n=>"})
    it.identify()
    with pytest.raises(InstrumentError) as refused:
        it.select(Function.DC_VOLTAGE, expected=2.0)
    assert refused.value.message == "45 at line did not take its range 2."
    assert refused.value.instrument == "45 at line"
    assert refused.value.next_step == "Leave out the expected value to measure on autorange."


@pytest.mark.parametrize(
    ("modifiers", "flags"),
    [
        (0, Flag.NONE), (1, Flag.MINMAX), (2, Flag.MINMAX), (4, Flag.HOLD), (8, Flag.INVALID), (16, Flag.INVALID),
        (32, Flag.RELATIVE), (5, Flag.MINMAX | Flag.HOLD), (36, Flag.HOLD | Flag.RELATIVE), (64, Flag.NONE),
    ],
)  # fmt: skip
def test_what_a_key_on_the_panel_makes_of_the_number_is_marked(modifiers: int, flags: Flag) -> None:
    """The bits of MOD?: min, max, hold, dB, power, relative (the makers' manuals)."""
    it, line, clock = meter({"MOD?": f"{modifiers}\r\n=>"})
    plain = Flag.DC | Flag.AUTORANGE
    assert read(it, clock).flags == plain | (flags or Flag.PROVISIONAL)  # the look was before it
    line.answers["MOD?"] = "0\r\n=>"
    clock.sleep_until(clock.now() + 1.0)
    first = read(it, clock)  # the first clean look says nothing of what was before it
    assert first.flags == plain | (Flag.PROVISIONAL if flags else Flag.NONE)
    clock.sleep_until(clock.now() + 1.0)
    second = read(it, clock)
    assert second.flags == plain
    assert second.clean_since is not None


def test_a_panel_that_says_nothing_of_its_keys_is_no_panel_without_keys() -> None:
    for answer in ("=>", "4\r\n0\r\n=>"):
        it, _, clock = meter({"MOD?": answer})
        with pytest.raises(InstrumentError, match="is not a number"):
            read(it, clock)


def test_a_number_that_is_none_says_nothing_of_the_keys_either() -> None:
    """Infinity (SCPI-1999 vol. 1, 7.2.1.4) is no sum of bits, and no panel on which nothing is pressed."""
    it, _, clock = meter({"MOD?": "+9.9E+37\r\n=>"})
    it.identify()
    with pytest.raises(InstrumentError) as refused:
        read(it, clock)
    assert refused.value.message == "45 at line answers '+9.9E+37' where the keys of its panel were asked for."
    assert refused.value.instrument == "45 at line"
    assert refused.value.next_step == "Check that the meter speaks this grammar."


def test_the_panel_is_looked_at_again_after_one_second() -> None:
    """Counted from the look before to the answer that is to be marked."""
    it, line, clock = meter()
    read(it, clock)
    looked = clock.now() - 2 * TAKES
    clock.sleep_until(looked + 1.0 - 1.5 * TAKES)
    read(it, clock)
    assert line.sent.count("MOD?") == 1
    clock.sleep_until(looked + 1.0 - 0.5 * TAKES)
    read(it, clock)
    assert line.sent.count("MOD?") == 2
    again = clock.now() - TAKES
    clock.sleep_until(again + 1.0 - TAKES)
    read(it, clock)
    assert line.sent.count("MOD?") == 3


def test_a_look_at_the_panel_that_failed_is_made_again_before_a_reading_is_handed_out() -> None:
    """A held number would go unmarked for a second."""
    it, line, clock = meter({"MOD?": "=>"})
    with pytest.raises(InstrumentError):
        it.select(Function.DC_VOLTAGE)
    line.answers["MOD?"] = "4\r\n=>"
    assert Flag.HOLD in read(it, clock).flags
    line.answers["MOD?"] = "=>"
    clock.sleep_until(clock.now() + 1.0)
    with pytest.raises(InstrumentError):
        read(it, clock)
    line.answers["MOD?"] = "32\r\n=>"
    assert read(it, clock).flags & (Flag.HOLD | Flag.RELATIVE) == Flag.RELATIVE


def test_a_look_that_failed_as_something_was_set_is_made_again_though_the_one_before_is_fresh() -> None:
    """What was set is set, but of the keys nothing is known."""
    it, line, clock = meter()
    line.takes = TAKES / 8
    read(it, clock)
    looked = clock.now() - 2 * line.takes
    line.answers["MOD?"] = "=>"
    with pytest.raises(InstrumentError):
        it.select(Function.DC_VOLTAGE)
    line.answers["MOD?"] = "4\r\n=>"
    reading = read(it, clock)
    assert reading.time < looked + 1.0
    assert Flag.HOLD in reading.flags


@pytest.mark.parametrize(("prompt", "why"), [("?>", "does not understand"), ("!>", "cannot carry out")])
@pytest.mark.parametrize("line", ["FORMAT 2", "*IDN?", MEASURE])
def test_a_refusal_is_told_with_the_line_that_was_refused(line: str, prompt: str, why: str) -> None:
    it, _, clock = meter({line: prompt})
    with pytest.raises(InstrumentError) as refused:
        read(it, clock)
    name = "The meter at line"
    shown = "MEAS1?" if line == MEASURE else line
    assert refused.value.message == f"{name} {why} {shown!r}."
    assert refused.value.instrument == name
    assert refused.value.next_step == "Check that the meter speaks this grammar (some need its emulation switched on)."


def test_a_meter_that_is_silent_is_given_up_after_two_seconds_and_a_fifth() -> None:
    """What was waited for, where, and what to check."""
    it, _, clock = meter({"*IDN?": None})
    with pytest.raises(LinkTimeout) as silent:
        it.identify()
    assert clock.now() == 0.2 + 2.0
    assert silent.value.message == "line: no prompt after '*IDN?' in time."
    assert (silent.value.address, silent.value.doing) == ("line", "*IDN?")
    assert silent.value.next_step == "Check that the meter is on, and its baud rate and parity."


def test_after_a_timeout_the_meter_is_cleared_and_known_again_before_it_is_asked() -> None:
    it, line, clock = meter()
    read(it, clock)
    line.answers[MEASURE] = None
    with pytest.raises(LinkTimeout, match="MEAS1"):
        read(it, clock)
    line.answers[MEASURE] = "VDC;1;+1.6000E+0 VDC\r\n=>"
    del line.sent[:]
    assert read(it, clock).value == 1.6
    assert line.sent[:3] == [CTRL_C, "*IDN?", MEASURE]


def test_after_a_gap_the_meter_is_cleared_and_set_up_again() -> None:
    """Even if the gap left no trace on the line; with nothing set before, nothing is sent."""
    it, line, _ = meter()
    it.restore()
    assert line.sent == []
    it.select(Function.AC_VOLTAGE)
    first = list(line.sent)
    del line.sent[:]
    it.restore()
    assert line.sent == first


def test_another_meter_on_the_lead_is_noticed() -> None:
    it, line, clock = meter()
    it.identify()
    read(it, clock)
    line.answers["*IDN?"] = "FLUKE, 45, 7654321, 1.6 D1.0\r\n=>"
    with pytest.raises(InstrumentError) as other:
        it.restore()
    assert other.value.message == f"FLUKE 45 7654321 1.6 D1.0 answers where {IDENTITY.replace(',', '')} was."
    assert other.value.instrument == IDENTITY.replace(",", "")
    assert other.value.next_step == "Check which meter is on this lead."
    with pytest.raises(InstrumentError, match="answers where"):
        read(it, clock)


def test_a_meter_that_prints_by_itself_is_talked_to_after_five_seconds() -> None:
    """It never falls silent; what it printed till then is thrown away."""
    it, line, clock = meter()
    line.coming = [(0.125 * n, b"+9.9999E+0\r\n") for n in range(1, 100)]
    with pytest.raises(InstrumentError, match="identity"):
        it.identify()  # what it printed after that stands before its answer
    assert line.sent == [CTRL_C, "*IDN?"]
    assert clock.now() == 5.0 + TAKES


def test_a_long_clearing_takes_no_time_from_the_question_after_it() -> None:
    """A meter that printed by itself, and needs three seconds until it heeds Ctrl-C."""
    it, line, clock = meter()
    line.coming = [(0.1875 * n, b"+9.9999E+0\r\n") for n in range(1, 17)]
    assert it.identify().model == "45"
    it.restore()
    line.coming = [(clock.now() + 0.1875 * n, b"+9.9999E+0\r\n") for n in range(1, 17)]
    it.select(Function.DC_VOLTAGE)
    assert read(it, clock).value == 1.5


def test_a_meter_that_lost_its_settings_is_set_up_again_and_read_once_more() -> None:
    """Without a unit, or of another function."""
    for spoilt in ("+1.5000E+0", "OHMS;1;+1.5000E+0 OHMS"):
        it, line, clock = meter()
        read(it, clock)
        del line.sent[:]
        line.answers[MEASURE] = spoilt + "\r\n=>"
        clock.at(clock.now() + 2 * TAKES, lambda line=line: line.answers.update({MEASURE: "VDC;1;+1.7E+0 VDC\r\n=>"}))  # type: ignore[misc]
        assert read(it, clock).value == 1.7
        assert line.sent[:4] == [MEASURE, CTRL_C, "*IDN?", "REMS"]


def test_a_function_that_does_not_come_back_is_no_reading() -> None:
    it, _, clock = meter({MEASURE: "OHMS;1;+1.5000E+0 OHMS\r\n=>"})
    it.identify()
    with pytest.raises(WrongFunction, match=r"^45 at line shows"):
        read(it, clock)


def test_a_change_of_range_is_marked() -> None:
    it, line, clock = meter()
    assert Flag.RANGE_CHANGED not in read(it, clock).flags
    line.answers[MEASURE] = "VDC;1;+1.500E+0 VDC\r\n=>"
    assert Flag.RANGE_CHANGED in read(it, clock).flags
    assert Flag.RANGE_CHANGED not in read(it, clock).flags


def test_the_panel_is_given_back() -> None:
    it, line, clock = meter()
    read(it, clock)
    it.release()
    assert line.sent[-1] == "LOCS"
    for answer in ("?>", None):
        line.answers["LOCS"] = answer
        it.release()


def test_noise_without_a_prompt_costs_no_memory() -> None:
    it, line, clock = meter()
    read(it, clock)
    line.answers[MEASURE] = "x" * 5000
    with pytest.raises(LinkTimeout):
        read(it, clock)
    assert len(it._buffer) == 4096


def test_an_option_it_has_not_is_refused_by_the_name_of_the_driver() -> None:
    with pytest.raises(FileError, match="Driver prompt has no option 'time'"):
        meter(time=1.0)


def test_what_came_unasked_is_cleared_away_before_the_next_question() -> None:
    """Alone on the line, or behind an answer: the next answer would be taken for the one after it."""
    it, line, clock = meter()
    read(it, clock)
    line.coming.append((clock.now() + TAKES, b"=>\r\n"))
    clock.sleep_until(clock.now() + 2 * TAKES)
    del line.sent[:]
    read(it, clock)
    assert line.sent == [CTRL_C, "*IDN?", MEASURE]
    it, line, clock = meter()
    read(it, clock)
    line.answers[MEASURE] = "VDC;1;+1.5000E+0 VDC\r\n=>\r\n=>"
    read(it, clock)
    del line.sent[:]
    read(it, clock)
    assert line.sent[:3] == [CTRL_C, "*IDN?", MEASURE]


def test_a_measurement_has_until_its_deadline() -> None:
    it, line, clock = meter()
    read(it, clock)
    line.answers[MEASURE] = None
    for patience in (0.5, 2.5):
        with pytest.raises(LinkTimeout):
            it.read(deadline := clock.now() + patience)
        assert clock.now() == deadline
