"""Every mode and unit of the 14-character answers, and every unit, state and refusal of answers with a prompt."""

from __future__ import annotations

import pytest
from benchrig.drivers import polled14, prompt_answers

from benchrig.errors import FrameError
from benchrig.readings import Flag

# Unit as written (libsigrok and published manuals; the case varies) -> base unit, 1.5 of it, a mode.
WRITTEN = {
    "V": ("V", 1.5, "DC"), "mV": ("V", 1.5e-3, "DC"), "A": ("A", 1.5, "AC"), "mA": ("A", 1.5e-3, "AC"),
    "uA": ("A", 1.5e-6, "AC"), "Ohm": ("ohm", 1.5, "OH"), "KOhm": ("ohm", 1.5e3, "OH"), "MOhm": ("ohm", 1.5e6, "OH"),
    "pF": ("F", 1.5e-12, "CA"), "nF": ("F", 1.5e-9, "CA"), "uF": ("F", 1.5e-6, "CA"), "F": ("F", 1.5, "CA"),
    "Hz": ("Hz", 1.5, "FR"), "KHz": ("Hz", 1.5e3, "FR"), "MHz": ("Hz", 1.5e6, "FR"), "C": ("degC", 1.5, "TE"),
    "dB": ("dB", 1.5, "DB"), "dBm": ("dBm", 1.5, "DB"), "W": ("W", 1.5, "WT"), "": ("1", 1.5, "HF"),
}  # fmt: skip
# Mode -> the units it goes with, and what it means.
MODES = {
    "DC": ("V A", Flag.DC), "AC": ("V A", Flag.AC), "OH": ("Ohm", Flag.NONE), "CO": ("Ohm", Flag.CONTINUITY),
    "CA": ("pF F", Flag.NONE), "DI": ("V", Flag.DIODE), "FR": ("Hz", Flag.NONE), "TE": ("C", Flag.NONE),
    "TM": ("C", Flag.NONE), "DB": ("dB dBm", Flag.NONE), "WT": ("W", Flag.NONE),
}  # fmt: skip
ALL = "V A Ohm pF Hz C dB dBm W"
EXTREMES = ("MN", "MX", "AG")


def answer(mode: str, value: str, unit: str) -> bytes:
    return f"{mode}{value:>7}{unit:>4}\r".encode()


@pytest.mark.parametrize("written", WRITTEN)
def test_each_unit_is_read_in_any_case(written: str) -> None:
    unit, value, mode = WRITTEN[written]
    for spelt in (written, written.upper(), written.lower()):
        found = polled14.decode(answer(mode, "1.5", spelt))
        assert (found.value, found.unit) == (pytest.approx(value, rel=1e-12), unit)


@pytest.mark.parametrize("mode", [*MODES, *EXTREMES, "  ", "HF"])
def test_each_mode_goes_with_its_units_and_means_its_flags(mode: str) -> None:
    """Extremes go with everything, a blank mode with everything that has a unit; a current gain has none."""
    units, flags = MODES.get(mode, (ALL, Flag.MINMAX if mode in EXTREMES else Flag.NONE))
    if mode == "HF":
        units = ""
    allowed = {*units.split(), *([""] if mode in (*EXTREMES, "HF") else [])}
    for unit in (*ALL.split(), ""):
        if unit in allowed:
            assert polled14.decode(answer(mode, "1.5", unit)).flags == flags
        else:
            with pytest.raises(FrameError, match="does not go with the unit"):
                polled14.decode(answer(mode, "1.5", unit))


@pytest.mark.parametrize("mode", ["TE", "TM"])
def test_fahrenheit_is_read_as_celsius_by_its_mode(mode: str) -> None:
    assert polled14.decode(answer(mode, "0212", "F")).value == pytest.approx(100.0)
    assert polled14.decode(answer(mode, "0020", "C")[:-1] + b" ").value == 20.0


@pytest.mark.parametrize(
    ("value", "shown"),
    [("1.5", 1.5), ("+1.5", 1.5), ("-1.5", -1.5), ("- 1.5", -1.5), ("15.", 15.0), (".15", 0.15),
     ("-.15", -0.15), ("0015", 15.0)],
)  # fmt: skip
def test_each_way_to_write_a_number_is_read(value: str, shown: float) -> None:
    assert polled14.decode(answer("DC", value, "V")).value == shown


@pytest.mark.parametrize("value", ["OL", ".OL", "O.L", "OL.", "-OL", "- O.L", "+ .ol"])
def test_each_way_to_write_an_overload_is_read(value: str) -> None:
    found = polled14.decode(answer("DC", value, "mV"))
    assert (found.value, found.unit, found.flags) == (None, "V", Flag.DC | Flag.OVERLOAD)
    assert found.text.endswith(" mV")


@pytest.mark.parametrize("state", ["READY", "FLOAT", "HI", "LO", "ready"])
def test_each_logic_state_is_told_and_no_number(state: str) -> None:
    found = polled14.decode(answer("LO", state, ""))
    assert (found.value, found.unit, found.flags, found.text) == (None, "1", Flag.INVALID, state)


@pytest.mark.parametrize("index", range(13))
@pytest.mark.parametrize("byte", [0x1F, 0x7F, 0x80])
def test_no_character_that_cannot_be_printed_is_let_through(index: int, byte: int) -> None:
    frame = bytearray(answer("DC", "1.5", "V"))
    frame[index] = byte
    assert not polled14.aligned(bytes(frame))
    with pytest.raises(FrameError, match="13 printable characters"):
        polled14.decode(bytes(frame))


def test_the_first_and_the_last_character_that_can_be_printed_are() -> None:
    """A blank and a tilde."""
    assert polled14.aligned(b" ~" * 6 + b" \r")


# Answers with a prompt

DONE = b"\r\n=>\r\n"
BEHIND = {
    "VDC": ("V", Flag.DC), "VAC": ("V", Flag.AC), "ADC": ("A", Flag.DC), "AAC": ("A", Flag.AC),
    "OHMS": ("ohm", Flag.NONE), "HZ": ("Hz", Flag.NONE),
}  # fmt: skip
BEFORE = {
    "VDC": ("V", Flag.DC), "VAC": ("V", Flag.AC), "VACDC": ("V", Flag.AC), "ADC": ("A", Flag.DC), "AAC": ("A", Flag.AC),
    "AACDC": ("A", Flag.AC), "OHMS": ("ohm", Flag.NONE), "FREQ": ("Hz", Flag.NONE), "CONT": ("ohm", Flag.CONTINUITY),
    "DIODE": ("V", Flag.DIODE),
}  # fmt: skip


@pytest.mark.parametrize("unit", BEHIND)
def test_each_unit_behind_a_number_is_read(unit: str) -> None:
    for spelt in (unit, unit.lower()):
        found = prompt_answers.decode(b"+1.5E+0 " + spelt.encode() + DONE)
        assert (found.value, found.unit, found.flags) == (1.5, *BEHIND[unit])


@pytest.mark.parametrize("function", BEFORE)
def test_each_function_before_a_number_is_read(function: str) -> None:
    unit, flags = BEFORE[function]
    for auto, more in ((b"0", Flag.NONE), (b"1", Flag.AUTORANGE)):
        found = prompt_answers.decode(function.encode() + b";" + auto + b"; +1.5E+0" + DONE)
        assert (found.value, found.unit, found.flags) == (1.5, unit, flags | more)


@pytest.mark.parametrize(
    ("text", "value", "resolution"),
    [("1", 1.0, 1.0), ("-1.", -1.0, 1.0), ("+1.50", 1.5, 0.01), ("1.5E3", 1500.0, 100.0), ("1.5E-12", 1.5e-12, 1e-13),
     ("0.99999E+9", 0.99999e9, 1e4), ("-9.9e+8", -9.9e8, 1e7)],
)  # fmt: skip
def test_each_form_of_number_is_read_with_one_count_as_resolution(text: str, value: float, resolution: float) -> None:
    found = prompt_answers.decode(text.encode() + DONE)
    assert (found.value, found.unit, found.resolution, found.text) == (value, "", resolution, text)


@pytest.mark.parametrize("text", ["+1E+9", "-1E+9", "1.0E9 VDC", "+9.9E+37"])
def test_a_thousand_million_and_more_is_overload(text: str) -> None:
    found = prompt_answers.decode(text.encode() + DONE)
    assert (found.value, found.resolution, found.text) == (None, None, text)
    assert found.flags & Flag.OVERLOAD


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (b"", "Not one answer that ends in one prompt."),
        (b"1\r\n=>\r\n=>\r\n", "Not one answer that ends in one prompt."),
        (b"1\xff" + DONE, "The answer holds bytes that are not ASCII."),
        (b"1" * 4091 + DONE, "Not one answer that ends in one prompt."),
        (b"?>\r\n", "The meter did not understand the command."),
        (b"!>\r\n", "The meter could not carry out the command."),
        (b"=>\r\n", "0 lines where one was asked for."),
        (b"1\r\n2" + DONE, "2 lines where one was asked for."),
        (b"1,2" + DONE, "2 readings where one was asked for."),
        (b"VOLT;1" + DONE, "'VOLT' is neither a function nor the state of autorange."),
        (b"VDC;VAC;1" + DONE, "'VAC' is neither a function nor the state of autorange."),
        (b"1 FARAD" + DONE, "Unit 'FARAD' is not known."),
        (b"1E123" + DONE, "'1E123' is not a number with a unit."),
        (b"OHMS;1 VDC" + DONE, "The function is in ohm, the number in V."),
    ],
)
def test_an_answer_that_is_refused_is_told_with_its_reason_and_its_bytes(frame: bytes, words: str) -> None:
    with pytest.raises(FrameError) as refused:
        prompt_answers.decode(frame)
    assert refused.value.message.startswith(words)
    assert refused.value.frame == frame


def test_an_answer_of_just_the_limit_is_read_and_an_echo_is_no_line() -> None:
    assert prompt_answers.parse(b"1" * 4090 + DONE).lines == ("1" * 4090,)
    assert prompt_answers.parse(b"VAL1?\r\n\r\n 1 \r\n=> \r\n") == prompt_answers.PromptAnswer(("1",), "=>")
    assert prompt_answers.parse(b"1\r\nVAL1?" + DONE).lines == ("1", "VAL1?")
    assert prompt_answers.parse(b"?>\r\n") == prompt_answers.PromptAnswer((), "?>")
