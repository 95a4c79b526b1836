"""Every annunciator, range and refusal of the serial grammars, one by one, from tables written a second time.

Sources as in the drivers: libsigrok's tables for FS9721, FS9922 and ES51986, the data sheet v3.2 for ES51922.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pytest
from benchrig.drivers import es51922, es51986, fs9721, fs9922, polled14
from frame_cases import GOOD

from benchrig.clock import SimClock
from benchrig.errors import FileError, FrameError
from benchrig.instruments import LineSettings
from benchrig.readings import Flag

MODULES: dict[str, ModuleType] = {
    "fs9721": fs9721, "fs9922": fs9922, "es51922": es51922, "es51986": es51986, "polled14": polled14,
}  # fmt: skip
# 12.34 on each display, with no unit and no mark lit.
LCD = bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A0 B0 C0 D0 E0")
BITS = bytes.fromhex("2B 31 32 33 34 20 32 00 00 00 00 00 0D 0A")


def lit(frame: bytes, *marks: tuple[int, int]) -> bytes:
    """`frame` with these (byte, mask) set."""
    new = bytearray(frame)
    for index, mask in marks:
        new[index] |= mask
    return bytes(new)


def shows(grammar: str, frame: bytes) -> tuple[float | None, str, Flag]:
    reading = MODULES[grammar].decode(frame)
    return reading.value, reading.unit, reading.flags


# What no two of may ever be mixed up. V stands at (12, 4), A at (12, 8), ohm at (11, 4), farad at (11, 8).
LCD_MARKS = [
    ([(9, 8), (12, 8)], 12.34e-6, "A", Flag.NONE),
    ([(9, 4), (11, 8)], 12.34e-9, "F", Flag.NONE),
    ([(9, 8), (11, 8)], 12.34e-6, "F", Flag.NONE),
    ([(9, 2), (11, 4)], 12.34e3, "ohm", Flag.NONE),
    ([(10, 2), (11, 4)], 12.34e6, "ohm", Flag.NONE),
    ([(10, 8), (12, 4)], 12.34e-3, "V", Flag.NONE),
    ([(10, 2), (12, 2)], 12.34e6, "Hz", Flag.NONE),
    ([(12, 2)], 12.34, "Hz", Flag.NONE),
    ([(10, 4)], 12.34, "%", Flag.NONE),
    ([], 12.34, "1", Flag.NONE),
    ([(11, 4)], 12.34, "ohm", Flag.NONE),
    ([(10, 1), (11, 4)], 12.34, "ohm", Flag.CONTINUITY),
    ([(9, 1), (12, 4)], 12.34, "V", Flag.DIODE),
    ([(12, 1), (12, 8)], 12.34, "A", Flag.LOW_BATTERY),
    ([(12, 1), (11, 8)], 12.34, "F", Flag.LOW_BATTERY),
    ([(11, 1), (12, 8)], 12.34, "A", Flag.HOLD),
    ([(11, 2), (12, 8)], 12.34, "A", Flag.RELATIVE),
    ([(0, 8), (12, 4)], 12.34, "V", Flag.AC),
    ([(0, 4), (12, 4)], 12.34, "V", Flag.DC),
    ([(0, 2), (12, 4)], 12.34, "V", Flag.AUTORANGE),
    ([(1, 8), (12, 4)], -12.34, "V", Flag.NONE),
]  # fmt: skip


@pytest.mark.parametrize(("marks", "value", "unit", "flags"), LCD_MARKS)
def test_each_segment_mark_means_itself_and_nothing_else(
    marks: list[tuple[int, int]], value: float, unit: str, flags: Flag
) -> None:
    assert shows("fs9721", lit(LCD, *marks)) == (value, unit, flags)


# By series: the free marks 8, 4, 2, 1 of the last byte. "" is a mark that nothing is known of.
FREE_MARKS = {
    "": ("", "degC", "", ""),
    "none": ("", "", "", ""),
    "DT4000ZC": ("", "degC", "", ""),
    "TP4000ZC": ("", "degC", "", ""),
    "PCE-DM32": ("", "degC", "degF", ""),
    "PeakTech 3330": ("", "degC", "degF", ""),
    "VA18B": ("", "", "degC", ""),
    "VA40B": ("min", "", "degC", "max"),
}


@pytest.mark.parametrize("series", FREE_MARKS)
def test_each_free_mark_means_what_its_series_wired_it_to(series: str) -> None:
    """Alone, a mark that is not known is refused; beside a unit it changes nothing; an extreme is marked."""
    assert set(fs9721.USER_BITS) == set(FREE_MARKS)
    for mask, means in zip((8, 4, 2, 1), FREE_MARKS[series], strict=True):
        alone, volts = lit(LCD, (13, mask)), lit(LCD, (13, mask), (12, 4))
        extreme = Flag.MINMAX if means in ("min", "max") else Flag.NONE
        reading = fs9721.decode(volts, series=series)
        assert (reading.value, reading.unit, reading.flags) == (12.34, "V", extreme)
        if means.startswith("deg"):
            assert fs9721.decode(alone, series=series).text == f"12.34 {means}"
        else:
            with pytest.raises(FrameError, match="name the series"):
                fs9721.decode(alone, series=series)


def test_the_least_of_a_temperature_is_a_temperature_and_an_extreme() -> None:
    reading = fs9721.decode(lit(LCD, (13, 8 | 2)), series="VA40B")
    assert (reading.value, reading.unit, reading.flags) == (12.34, "degC", Flag.MINMAX)


# The high byte of the chip's table first: 7, then 8, 9 and 10.
BIT_MARKS = [
    ([(7, 0x20), (10, 0x80)], 12.34, "V", Flag.AUTORANGE),
    ([(7, 0x10), (10, 0x80)], 12.34, "V", Flag.DC),
    ([(7, 0x08), (10, 0x80)], 12.34, "V", Flag.AC),
    ([(7, 0x04), (10, 0x80)], 12.34, "V", Flag.RELATIVE),
    ([(7, 0x02), (10, 0x80)], 12.34, "V", Flag.HOLD),
    ([(8, 0x20), (10, 0x80)], 12.34, "V", Flag.MINMAX),
    ([(8, 0x10), (10, 0x80)], 12.34, "V", Flag.MINMAX),
    ([(8, 0x04), (10, 0x80)], 12.34, "V", Flag.LOW_BATTERY),
    ([(8, 0x02), (10, 0x04)], 12.34e-9, "F", Flag.NONE),
    ([(9, 0x80), (10, 0x04)], 12.34e-6, "F", Flag.NONE),
    ([(9, 0x40), (10, 0x80)], 12.34e-3, "V", Flag.NONE),
    ([(9, 0x20), (10, 0x20)], 12.34e3, "ohm", Flag.NONE),
    ([(9, 0x10), (10, 0x20)], 12.34e6, "ohm", Flag.NONE),
    ([(9, 0x08), (10, 0x20)], 12.34, "ohm", Flag.CONTINUITY),
    ([(9, 0x04), (10, 0x80)], 12.34, "V", Flag.DIODE),
    ([(9, 0x02)], 12.34, "%", Flag.NONE),
    ([(10, 0x40)], 12.34, "A", Flag.NONE),
    ([(10, 0x20)], 12.34, "ohm", Flag.NONE),
    ([(10, 0x10)], 12.34, "1", Flag.NONE),
    ([(10, 0x08)], 12.34, "Hz", Flag.NONE),
    ([(10, 0x04)], 12.34, "F", Flag.NONE),
    ([(10, 0x02)], 12.34, "degC", Flag.NONE),
]  # fmt: skip


@pytest.mark.parametrize(("marks", "value", "unit", "flags"), BIT_MARKS)
def test_each_status_bit_means_itself_and_nothing_else(
    marks: list[tuple[int, int]], value: float, unit: str, flags: Flag
) -> None:
    assert shows("fs9922", lit(BITS, *marks)) == (value, unit, flags)


@pytest.mark.parametrize("place", [(8, 0x80), (8, 0x40), (8, 0x08), (8, 0x01), (9, 0x01)])
def test_a_status_bit_that_no_table_names_changes_nothing(place: tuple[int, int]) -> None:
    assert shows("fs9922", lit(BITS, (10, 0x40), place)) == (12.34, "A", Flag.NONE)


def test_a_bar_of_61_segments_is_overload_and_one_of_62_is_no_bar() -> None:
    """60 on the longer display, and one more; without the bar's bit the byte means nothing."""
    assert shows("fs9922", lit(BITS, (10, 0x80), (7, 1), (11, 61))) == (12.34, "V", Flag.NONE)
    assert shows("fs9922", lit(BITS, (10, 0x80), (7, 1), (11, 0x80 | 61))) == (12.34, "V", Flag.NONE)
    assert shows("fs9922", lit(BITS, (10, 0x80), (11, 0x7F))) == (12.34, "V", Flag.NONE)
    with pytest.raises(FrameError, match="bar graph"):
        fs9922.decode(lit(BITS, (10, 0x80), (7, 1), (11, 62)))


@pytest.mark.parametrize(("point", "shown"), [(0x30, "0L"), (0x31, "0.L"), (0x32, "0.L"), (0x34, "0.L")])
def test_overload_is_told_as_shown_with_its_prefix(point: int, shown: str) -> None:
    for sign, before in ((b"+", ""), (b"-", "-")):
        frame = bytearray(sign + b"?0:? \x00\x00\x00\x20\x20\x00\r\n")
        frame[6] = point
        assert fs9922.decode(bytes(frame)).text == f"{before}{shown} kohm"


# Function byte, its low nibble -> unit, and by range byte the value of the digits 12345; None where there is none.
WIDE = {
    0xB: ("V", [1.2345, 12.345, 123.45, 1234.5, 0.12345, None, None, None]),
    0xD: ("A", [123.45e-6, 1234.5e-6, None, None, None, None, None, None]),
    0xF: ("A", [12.345e-3, 123.45e-3, None, None, None, None, None, None]),
    0x0: ("A", [12.345, None, None, None, None, None, None, None]),
    0x9: ("A", [1.2345, 12.345, 123.45, 1234.5, 12345.0, None, None, None]),
    0x3: ("ohm", [123.45, 1.2345e3, 12.345e3, 123.45e3, 1.2345e6, 12.345e6, 123.45e6, None]),
    0x5: ("ohm", [123.45, None, None, None, None, None, None, None]),
    0x1: ("V", [1.2345, None, None, None, None, None, None, None]),
    0x2: ("Hz", [123.45, 1234.5, None, 12.345e3, 123.45e3, 1.2345e6, 12.345e6, 123.45e6]),
    0x6: ("F", [12.345e-9, 123.45e-9, 1.2345e-6, 12.345e-6, 123.45e-6, 1.2345e-3, 12.345e-3, 123.45e-3]),
}
# The same of the digits 1234.
NARROW = {
    0xB: ("V", [1.234, 12.34, 123.4, 1234.0, 0.1234, None, None, None]),
    0xD: ("A", [123.4e-6, 1234e-6, None, None, None, None, None, None]),
    0xF: ("A", [12.34e-3, 123.4e-3, None, None, None, None, None, None]),
    0x0: ("A", [1.234, 12.34, None, None, None, None, None, None]),
    0x3: ("ohm", [123.4, 1.234e3, 12.34e3, 123.4e3, 1.234e6, 12.34e6, None, None]),
    0x5: ("ohm", [123.4, None, None, None, None, None, None, None]),
    0x1: ("V", [1.234, None, None, None, None, None, None, None]),
    0x2: ("Hz", [1.234e3, 12.34e3, 123.4e3, 1.234e6, 12.34e6, None, None, None]),
    0x6: ("F", [1.234e-9, 12.34e-9, 123.4e-9, 1.234e-6, 12.34e-6, 123.4e-6, 1.234e-3, None]),
}


def wide(index: int, function: int, **options: int) -> bytes:
    return bytes(
        [0x30 | index, *b"12345", 0x30 | function, *(0x30 | options.get(f"b{n}", 0) for n in range(7, 12))]
    ) + (b"\r\n")


def narrow(index: int, function: int, **options: int) -> bytes:
    return bytes([0x30 | index, *b"1234", 0x30 | function, *(0x30 | options.get(f"b{n}", 0) for n in range(6, 9))]) + (
        b"\r\n"
    )


@pytest.mark.parametrize(
    ("grammar", "build", "table"), [("es51922", wide, WIDE), ("es51986", narrow, NARROW)], ids=["es51922", "es51986"]
)
def test_each_range_of_each_function_scales_as_the_tables_say(grammar: str, build: Any, table: Any) -> None:
    """Where the tables have no range or no function, there is no reading."""
    for function in range(16):
        unit, values = table.get(function, ("", [None] * 8))
        for index, value in enumerate(values):
            if value is not None:
                found = shows(grammar, build(index, function))
                mark = {0x1: Flag.DIODE, 0x5: Flag.CONTINUITY}.get(function, Flag.NONE)
                assert found == (pytest.approx(value, rel=1e-12), unit, mark), (function, index)
            elif (grammar, function) != ("es51922", 4):
                with pytest.raises(FrameError):
                    MODULES[grammar].decode(build(index, function))


@pytest.mark.parametrize("function", [0xB, 0xD, 0xF, 0x0])
def test_the_frequency_of_a_signal_is_shown_on_volts_and_amperes(function: int) -> None:
    """And on the clamp of the wide chip; there the judge bit makes it a duty cycle, whatever the range."""
    assert shows("es51922", wide(1, function, b10=1)) == (1234.5, "Hz", Flag.NONE)
    assert shows("es51922", wide(6, function, b10=1, b7=8)) == (1234.5, "%", Flag.NONE)
    assert shows("es51922", wide(1, 0x9, b10=1)) == (1234.5, "Hz", Flag.NONE)
    assert shows("es51986", narrow(1, function, b8=1)) == (12340.0, "Hz", Flag.NONE)
    assert shows("es51986", narrow(1, 0x2, b8=1)) == (12340.0, "Hz", Flag.NONE)
    assert shows("es51922", wide(1, 0x2, b10=1)) == (1234.5, "Hz", Flag.NONE)


def test_a_range_is_told_with_its_own_prefix() -> None:
    """12.345 k and 12345 are the same value, and not what the same display shows."""
    assert es51922.decode(wide(2, 0x3)).text == "12.345 kohm"
    assert es51922.decode(wide(3, 0x2)).text == "12.345 kHz"
    assert es51922.decode(wide(4, 0x9)).text == "12345 A"
    assert es51986.decode(narrow(1, 0x3)).text == "1.234 kohm"


def test_bits_beside_those_that_change_a_function_do_not_change_it() -> None:
    """The clamp's neighbour, and overload beside the judge bit."""
    assert shows("es51922", wide(0, 0xD, b11=1))[:2] == (pytest.approx(123.45e-6), "A")
    assert es51922.decode(wide(0, 0x2, b7=1)).text == "OL Hz"


def test_a_range_code_above_7_is_refused_also_where_the_range_does_not_matter() -> None:
    """Duty and temperature."""
    for frame in (wide(8, 0x2, b7=8), wide(8, 0x4)):
        with pytest.raises(FrameError, match="above 7"):
            es51922.decode(frame)


@pytest.mark.parametrize(("function", "exponents"), [(0xD, (0, 1)), (0xF, (-1, 0))])
def test_a_clamp_counts_amperes_in_both_ranges(function: int, exponents: tuple[int, int]) -> None:
    for index, exponent in enumerate(exponents):
        assert shows("es51922", wide(index, function, b11=4))[:2] == (pytest.approx(123.45 * 10**exponent), "A")


WIDE_FLAGS = {
    (7, 2): Flag.LOW_BATTERY, (8, 8): Flag.MINMAX, (8, 4): Flag.MINMAX, (8, 2): Flag.RELATIVE, (8, 1): Flag.NONE,
    (9, 4): Flag.MINMAX, (9, 2): Flag.MINMAX, (10, 8): Flag.DC, (10, 4): Flag.AC, (10, 2): Flag.AUTORANGE,
    (11, 2): Flag.HOLD, (11, 1): Flag.NONE,
}  # fmt: skip
NARROW_FLAGS = {
    (6, 2): Flag.LOW_BATTERY, (6, 8): Flag.NONE, (7, 8): Flag.HOLD, (7, 4): Flag.MINMAX, (7, 2): Flag.MINMAX,
    (8, 8): Flag.DC, (8, 4): Flag.AC, (8, 2): Flag.AUTORANGE,
}  # fmt: skip


@pytest.mark.parametrize(
    ("grammar", "volts", "table"),
    [("es51922", wide(0, 0xB), WIDE_FLAGS), ("es51986", narrow(0, 0xB), NARROW_FLAGS)],
    ids=["es51922", "es51986"],
)
def test_each_option_bit_means_itself_and_nothing_else(
    grammar: str, volts: bytes, table: dict[tuple[int, int], Flag]
) -> None:
    plain = shows(grammar, volts)
    for place, flag in table.items():
        assert shows(grammar, lit(volts, place)) == (*plain[:2], flag), place


@pytest.mark.parametrize(("grammar", "good"), [("es51922", wide(0, 0xB)), ("es51986", narrow(0, 0xB))])
def test_each_byte_must_have_its_form(grammar: str, good: bytes) -> None:
    """30 to 3F up to the line end, which is CR LF and nothing near it."""
    for index in range(len(good)):
        for bit in (0x40, 0x20, 0x10) if index < len(good) - 2 else (0x40, 0x20, 0x10, 8, 4, 2, 1):
            broken = bytearray(good)
            broken[index] ^= bit
            with pytest.raises(FrameError, match="of the form 3x and CR LF"):
                MODULES[grammar].decode(bytes(broken))


def test_overload_and_underload_are_told_as_shown() -> None:
    """With sign, prefix and unit; an underload has no sign."""
    assert es51922.decode(wide(4, 0x3, b7=1)).text == "OL Mohm"
    assert es51922.decode(wide(4, 0xB, b7=5)).text == "-OL mV"
    assert es51922.decode(wide(4, 0xB, b7=4, b9=8)).text == "UL mV"
    assert es51986.decode(narrow(4, 0x3, b6=1)).text == "OL Mohm"
    assert es51986.decode(narrow(4, 0xB, b6=5)).text == "-OL mV"


@pytest.mark.parametrize("grammar", GOOD)
def test_the_text_is_what_the_display_shows(grammar: str) -> None:
    """Celsius is written out, and an overload keeps its point where the meter sends one."""
    for case in GOOD[grammar]:
        shown = case.display.replace(" C", " degC")
        text = MODULES[grammar].decode(case.frame).text
        assert (text.replace(".OL", "OL").replace("O.L", "OL") if grammar == "polled14" else text) == shown


REFUSALS = [
    ("fs9721", bytes.fromhex("17 20"), "Not 14 bytes numbered 1 to 14 in their high nibbles."),
    (
        "fs9721",
        bytes.fromhex("10 20 35 45 5B 69 7F 82 97 A0 B0 C0 D0 E0"),
        "The RS232 mark is not lit, so this is not output.",
    ),
    ("fs9721", bytes.fromhex("1D 20 35 45 5B 69 7F 82 97 A0 B0 C0 D0 E0"), "AC and DC are both lit."),
    ("fs9721", bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A8 B8 C0 D0 E0"), "More than one multiplier is lit: u m."),
    ("fs9721", bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A0 B0 C0 DC E0"), "More than one unit is lit: A V."),
    ("fs9721", bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A2 B0 C0 D0 E0"), "The multiplier k is lit beside no unit."),
    ("fs9721", bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A2 B0 C0 D4 E0"), "The multiplier k is lit beside V."),
    (
        "fs9721",
        bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A1 B0 C0 D0 E0"),
        "The diode mark is lit beside no unit, not beside V.",
    ),
    (
        "fs9721",
        bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A1 B0 C0 D8 E0"),
        "The diode mark is lit beside A, not beside V.",
    ),
    (
        "fs9721",
        bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A0 B1 C0 D0 E0"),
        "The beeper mark is lit beside no unit, not beside ohm.",
    ),
    (
        "fs9721",
        bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A0 B1 C0 D8 E0"),
        "The beeper mark is lit beside A, not beside ohm.",
    ),
    (
        "fs9721",
        bytes.fromhex("11 20 35 45 5B 69 7F 82 97 A0 B0 C0 D0 E1"),
        "No unit but a mark that differs from series to series; name the series.",
    ),
    ("fs9721", bytes.fromhex("11 20 35 4D 5B 69 7F 82 97 A0 B0 C0 D0 E0"), "Two decimal points are lit."),
    ("fs9721", bytes.fromhex("11 20 36 45 5B 69 7F 82 97 A0 B0 C0 D0 E0"), "Segments 06 in byte 1 are no digit."),
    (
        "fs9721",
        bytes.fromhex("11 20 35 40 50 69 7F 82 97 A0 B0 C0 D0 E0"),
        "The display shows '1 .34', which is not a number.",
    ),
    ("fs9922", bytes.fromhex("31 32 33 34"), "Not 14 bytes with a sign, a space at 5 and CR LF at 12."),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 35 00 00 00 00 00 0D 0A"), "The point's place is none of 0 1 2 3 4."),
    (
        "fs9922",
        bytes.fromhex("2B 31 32 33 34 20 32 80 00 00 00 00 0D 0A"),
        "The two top bits of the first status byte are always 0.",
    ),
    (
        "fs9922",
        bytes.fromhex("2B 31 32 33 34 20 32 01 00 00 00 3E 0D 0A"),
        "The bar graph is longer than any display's.",
    ),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 32 00 00 C0 80 00 0D 0A"), "More than one multiplier is set: u m."),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 32 00 00 00 C0 00 0D 0A"), "More than one unit is set: V A."),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 32 18 00 00 80 00 0D 0A"), "AC and DC are both set."),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 32 00 00 00 00 00 0D 0A"), "No unit is set."),
    ("fs9922", bytes.fromhex("2B 31 32 33 34 20 32 00 00 20 80 00 0D 0A"), "The multiplier k is set beside V."),
    (
        "fs9922",
        bytes.fromhex("2B 31 32 33 34 20 32 00 00 04 40 00 0D 0A"),
        "The diode bit is set beside A, not beside V.",
    ),
    (
        "fs9922",
        bytes.fromhex("2B 31 32 33 34 20 32 00 00 08 40 00 0D 0A"),
        "The beeper bit is set beside A, not beside ohm.",
    ),
    (
        "fs9922",
        bytes.fromhex("2B 3F 32 33 34 20 32 00 00 00 80 00 0D 0A"),
        "The four digits are neither 0 to 9 nor the overload sign.",
    ),
    ("es51922", bytes.fromhex("30 31"), "Not 12 bytes of the form 3x and CR LF."),
    ("es51922", bytes.fromhex("30 31 32 3A 34 35 3B 30 30 30 30 30 0D 0A"), "A digit code is above 9."),
    ("es51922", bytes.fromhex("30 31 32 33 34 35 3B 30 30 30 3C 30 0D 0A"), "AC and DC are both set."),
    ("es51922", bytes.fromhex("35 31 32 33 34 35 3B 30 30 30 30 30 0D 0A"), "There is no range 5 in this mode."),
    ("es51922", bytes.fromhex("38 31 32 33 34 35 3B 30 30 30 30 30 0D 0A"), "The range code is above 7."),
    ("es51922", bytes.fromhex("30 31 32 33 34 35 3B 30 30 31 30 30 0D 0A"), "A bit is set that this chip keeps at 0."),
    ("es51922", bytes.fromhex("30 31 32 33 34 35 3B 30 30 30 30 38 0D 0A"), "A bit is set that this chip keeps at 0."),
    ("es51922", bytes.fromhex("30 31 32 33 34 35 3B 31 30 38 30 30 0D 0A"), "Overload and underload are both set."),
    (
        "es51922",
        bytes.fromhex("30 31 32 33 34 35 33 30 30 30 31 30 0D 0A"),
        "The mark for Hz or % of a signal is set in a mode that has none.",
    ),
    ("es51922", bytes.fromhex("30 31 32 33 34 35 37 30 30 30 30 30 0D 0A"), "Function code 7 has no known unit."),
    ("es51922", bytes.fromhex("B0 31 32 33 34 35 3B 30 30 30 30 30 0D 0A"), "The parity of a byte is even."),
    ("es51986", bytes.fromhex("30 31"), "Not 9 bytes of the form 3x and CR LF."),
    ("es51986", bytes.fromhex("38 31 32 33 34 3B 30 30 30 0D 0A"), "The range code is above 7."),
    (
        "es51986",
        bytes.fromhex("30 31 32 33 34 3B 30 31 30 0D 0A"),
        "A bit of the first option byte is set that no source knows.",
    ),
    (
        "es51986",
        bytes.fromhex("30 31 32 33 34 33 30 30 31 0D 0A"),
        "The mark for Hz of a signal is set in a mode that has none.",
    ),
    ("es51986", bytes.fromhex("30 31 32 33 34 34 30 30 30 0D 0A"), "Function code 4 has no settled unit."),
    ("polled14", b"DC", "Not 13 printable characters and CR."),
    ("polled14", b"XX  3.999   V\r", "Mode 'XX' is not known."),
    ("polled14", b"DC  3.999   V\n", "The last character is not CR."),
    ("polled14", b"DC  3.999mOhm\r", "Mode DC does not go with the unit Mohm."),
    ("polled14", b"DC  3.999   Q\r", "Unit 'Q' is not known."),
    ("polled14", b"DC  3.999   F\r", "The unit F is farad or Fahrenheit, and the mode does not say which."),
    ("polled14", b"LO  3.999    \r", "'3.999' is no logic state."),
    ("polled14", b"DC  3 999   V\r", "'3 999' is not a number."),
]


@pytest.mark.parametrize(("grammar", "frame", "words"), REFUSALS)
def test_a_refused_frame_is_told_with_its_reason_and_its_bytes(grammar: str, frame: bytes, words: str) -> None:
    """Who looks into a log sees what is wrong, and with which frame."""
    with pytest.raises(FrameError) as refused:
        MODULES[grammar].decode(frame)
    assert refused.value.message == f"{words} (frame {frame.hex(' ')})"
    assert refused.value.frame == frame


def test_two_kinds_of_degree_at_once_are_told_with_the_frame() -> None:
    frame = lit(LCD, (13, 4 | 2))
    with pytest.raises(FrameError, match=r"^Celsius and Fahrenheit are both lit\. \(frame 11 20") as refused:
        fs9721.decode(frame, series="PCE-DM32")
    assert refused.value.frame == frame


def test_the_series_of_the_bench_file_reaches_the_decoder() -> None:
    meter = fs9721.Fs9721Meter(None, SimClock(), {"series": "VA18B"})
    assert meter._decode(lit(LCD, (13, 2))).unit == "degC"


def test_a_series_that_is_not_known_is_refused_with_those_that_are() -> None:
    with pytest.raises(FileError) as refused:
        fs9721.Fs9721Meter(None, None, {"series": "VA99"})
    assert refused.value.next_step == "It knows: none, DT4000ZC, TP4000ZC, PCE-DM32, PeakTech 3330, VA18B, VA40B."


def test_an_overload_without_a_unit_is_one_of_a_bare_number() -> None:
    frame = bytes.fromhex("11 20 30 47 5D 66 78 80 90 A0 B0 C0 D0 E0")
    assert shows("fs9721", frame) == (None, "1", Flag.OVERLOAD)


@pytest.mark.parametrize(
    ("grammar", "meter"),
    [("fs9721", "Fs9721Meter"), ("fs9922", "Fs9922Meter"), ("es51922", "Es51922Meter"), ("es51986", "Es51986Meter")],
)
def test_a_meter_without_a_name_is_called_by_its_grammar(grammar: str, meter: str) -> None:
    known = getattr(MODULES[grammar], meter).GRAMMAR
    assert (known.name, known.length) == (grammar, len(GOOD[grammar][0].frame))
    assert known.sent_twice is (grammar == "es51986")  # each conversion, by several of these chips


# The lead's receiver is fed by DTR on and RTS off (libsigrok). Two conversions a second: data sheet v3.2 for ES51922,
# common practice for ES51986 and FS9922 (no source); LCD frames were seen 0.35 s apart (digital-multimeter's README).
LINES = {
    "fs9721": (LineSettings(2400, 8, "N", 1, dtr=True, rts=False), 0.35),
    "fs9922": (LineSettings(2400, 8, "N", 1, dtr=True, rts=False), 0.5),
    "es51922": (LineSettings(19200, 7, "O", 1, dtr=True, rts=False), 0.5),
    "es51986": (LineSettings(19200, 7, "O", 1, dtr=True, rts=False), 0.5),
}


@pytest.mark.parametrize("grammar", LINES)
def test_the_line_is_set_as_the_lead_needs_it_and_a_reading_is_as_old_as_the_meters_pace(grammar: str) -> None:
    """A wrong line gives silence, and too short a pace would let a turn of the trimmer into a reading unseen."""
    meter = getattr(MODULES[grammar], f"{grammar.capitalize()}Meter")
    line, interval = LINES[grammar]
    assert MODULES[grammar].LINE == meter.LINE == meter.GRAMMAR.line == line
    assert meter.GRAMMAR.interval == meter(None, SimClock()).options["interval"] == interval


@pytest.mark.parametrize("grammar", ["fs9721", "fs9922", "es51922", "es51986"])
def test_a_framer_takes_every_good_frame_at_once_and_leaves_nothing(grammar: str) -> None:
    """Wherever it begins: the first byte of a frame that counts is let through."""
    framer = MODULES[grammar].frames()
    frames = [case.frame for case in GOOD[grammar]]
    assert framer.feed(b"".join(frames)) == frames
    assert framer.noise == 0
