"""The pure decoders of the serial grammars against frames worked out from published tables."""

from __future__ import annotations

from types import ModuleType

import pytest
from benchrig.drivers import es51922, es51986, fs9721, fs9922, polled14
from frame_cases import GOOD, REFUSED, Case

from benchrig.errors import FrameError
from benchrig.readings import Flag

MODULES: dict[str, ModuleType] = {
    "fs9721": fs9721, "fs9922": fs9922, "es51922": es51922, "es51986": es51986, "polled14": polled14,
}  # fmt: skip
GOOD_ROWS = [pytest.param(name, case, id=f"{name} {case.display}") for name, rows in GOOD.items() for case in rows]
BAD_ROWS = [pytest.param(name, *row, id=f"{name} {row[1]}") for name, rows in REFUSED.items() for row in rows]


@pytest.mark.parametrize(("grammar", "case"), GOOD_ROWS)
def test_a_legal_frame_gives_exactly_what_the_display_shows(grammar: str, case: Case) -> None:
    """Value, unit and every flag; the value is the double nearest to the decimal text."""
    reading = MODULES[grammar].decode(case.frame)
    assert (reading.value, reading.unit, reading.flags) == (case.value, case.unit, case.flags)
    assert reading.time == 0.0


@pytest.mark.parametrize(("grammar", "case"), GOOD_ROWS)
def test_the_resolution_is_one_count_of_the_display(grammar: str, case: Case) -> None:
    """One in the last shown place, scaled like the value; none where there is no number."""
    reading = MODULES[grammar].decode(case.frame)
    if case.value is None:
        assert reading.resolution is None
        return
    number = case.display.split()[0]
    steps = abs(case.value) / reading.resolution
    assert round(steps) == int(number.lstrip("-").replace(".", ""))


@pytest.mark.parametrize(("grammar", "frame", "why"), BAD_ROWS)
def test_a_frame_that_is_almost_right_is_refused(grammar: str, frame: bytes, why: str) -> None:
    """One contradiction is enough."""
    with pytest.raises(FrameError):
        MODULES[grammar].decode(frame)


@pytest.mark.parametrize(("grammar", "case"), GOOD_ROWS)
def test_anything_but_exactly_one_frame_is_refused(grammar: str, case: Case) -> None:
    """Cut short at any byte, one byte too many, twice, shifted, empty."""
    decode, frame = MODULES[grammar].decode, case.frame
    others = [frame[:n] for n in range(len(frame))] + [frame + b"\0", frame * 2, frame[1:] + frame[:1]]
    for other in others:
        with pytest.raises(FrameError):
            decode(other)


def changed(frame: bytes, **places: int) -> bytes:
    """`frame` with bytes replaced: b3=0x41 is byte 3."""
    new = bytearray(frame)
    for name, value in places.items():
        new[int(name[1:])] = value
    return bytes(new)


VOLTS_9721 = GOOD["fs9721"][0].frame
VOLTS_9922 = GOOD["fs9922"][0].frame
VOLTS_51922 = GOOD["es51922"][0].frame
VOLTS_51986 = GOOD["es51986"][0].frame


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(changed(VOLTS_9721, b0=0x1F), id="AC with DC"),
        pytest.param(changed(VOLTS_9721, b0=0x16), id="RS232 mark unlit"),
        pytest.param(changed(VOLTS_9721, b2=0x36), id="unknown segments"),
        pytest.param(changed(VOLTS_9721, b3=0x4D), id="two points"),
        pytest.param(changed(VOLTS_9721, b12=0xDC), id="two units"),
        pytest.param(changed(VOLTS_9721, b10=0xB8, b9=0xA8), id="micro with milli"),
        pytest.param(changed(VOLTS_9721, b12=0xD0, b9=0xA2), id="multiplier without a unit"),
        pytest.param(changed(VOLTS_9721, b12=0xD0, b11=0xC4, b9=0xA1), id="diode beside ohm"),
        pytest.param(changed(VOLTS_9721, b10=0xB1), id="beeper beside volt"),
        pytest.param(changed(VOLTS_9721, b3=0x40, b4=0x50), id="blank between digits"),
        pytest.param(changed(VOLTS_9721, b7=0x80, b8=0x90), id="last place dark"),
        pytest.param(changed(VOLTS_9721, b5=0x69, b7=0x80, b8=0x90), id="last place dark behind a point"),
        pytest.param(bytes.fromhex("17 20 30 40 50 60 70 80 90 A0 B0 C0 D4 E0"), id="blank display is not zero volts"),
    ],
)
def test_segments_that_contradict_each_other_are_refused(frame: bytes) -> None:
    """The published rule: one flipped segment may make another digit, so nothing doubtful is let through."""
    with pytest.raises(FrameError):
        fs9721.decode(frame)


@pytest.mark.parametrize("point", [0, 3, 5, 7])
@pytest.mark.parametrize("minus", [0, 8])
def test_segment_overload_is_known_wherever_the_point_stands(point: int, minus: int) -> None:
    """Blank, 0, L, blank; a point in any place or none; the minus may be lit (libsigrok)."""
    frame = bytearray.fromhex("17 20 30 47 5D 66 78 80 90 A0 B0 C0 D4 E0")
    frame[1] |= minus
    if point:
        frame[point] |= 8
    reading = fs9721.decode(bytes(frame))
    assert reading.value is None
    assert reading.flags == Flag.DC | Flag.AUTORANGE | Flag.OVERLOAD
    assert reading.unit == "V"


def test_free_annunciators_mean_what_the_series_wired_them_to() -> None:
    """Bit 2 is Celsius wherever it is used; bit 1 is Fahrenheit on one series and Celsius on another (libsigrok)."""
    shown = "13 20 30 40 55 65 7B 82 97 A0 B0 C0 D0"  # " 124"
    celsius, other = bytes.fromhex(shown + "E4"), bytes.fromhex(shown + "E2")
    assert (fs9721.decode(celsius).value, fs9721.decode(celsius).unit) == (124.0, "degC")
    assert fs9721.decode(other, series="VA18B").value == 124.0
    fahrenheit = fs9721.decode(other, series="PCE-DM32")
    assert fahrenheit.unit == "degC"
    assert fahrenheit.value == pytest.approx(51.1111, abs=1e-4)  # (124 - 32) / 1.8
    with pytest.raises(FrameError):
        fs9721.decode(other)
    with pytest.raises(FrameError):
        fs9721.decode(bytes.fromhex(shown + "E6"), series="PCE-DM32")
    assert fs9721.decode(changed(VOLTS_9721, b13=0xE8), series="VA40B").flags & Flag.MINMAX


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(changed(VOLTS_9922, b7=0x39), id="AC with DC"),
        pytest.param(changed(VOLTS_9922, b7=0x71), id="always-zero bit set"),
        pytest.param(changed(VOLTS_9922, b6=0x35), id="point place 5"),
        pytest.param(changed(VOLTS_9922, b6=0x00), id="point place not a character"),
        pytest.param(changed(VOLTS_9922, b9=0xC0), id="micro with milli"),
        pytest.param(changed(VOLTS_9922, b8=0x02, b9=0x40), id="nano with milli"),
        pytest.param(changed(VOLTS_9922, b10=0x00), id="no unit"),
        pytest.param(changed(VOLTS_9922, b9=0x02), id="percent beside volt"),
        pytest.param(changed(VOLTS_9922, b9=0x08), id="beeper beside volt"),
        pytest.param(changed(VOLTS_9922, b10=0x20, b9=0x04), id="diode beside ohm"),
        pytest.param(changed(VOLTS_9922, b10=0x02, b9=0x40), id="milli degrees"),
        pytest.param(changed(VOLTS_9922, b1=0x3F), id="half an overload sign"),
        pytest.param(changed(VOLTS_9922, b11=0x7F), id="bar longer than the display"),
        pytest.param(changed(VOLTS_9922, b2=0x20), id="space for a digit"),
    ],
)
def test_status_bits_that_contradict_each_other_are_refused(frame: bytes) -> None:
    """Every bit has a meaning; two meanings at once are none."""
    with pytest.raises(FrameError):
        fs9922.decode(frame)


def test_the_third_point_place_is_taken_as_sent_and_as_printed() -> None:
    """Meters send `4`, the data sheet prints `3`."""
    assert fs9922.decode(changed(VOLTS_9922, b6=0x34)).value == 123.4
    assert fs9922.decode(changed(VOLTS_9922, b6=0x33)).value == 123.4
    assert fs9922.decode(changed(VOLTS_9922, b6=0x30)).value == 1234.0


def test_hfe_and_fahrenheit_have_their_units() -> None:
    """hFE is a bare ratio; Fahrenheit comes as degC (212 degF boils water: 100 degC)."""
    assert fs9922.decode(changed(VOLTS_9922, b10=0x10, b6=0x30)).unit == "1"
    boiling = bytes.fromhex("2B 32 31 32 30 20 34 00 00 00 01 00 0D 0A")
    assert fs9922.decode(boiling).value == pytest.approx(100.0)
    assert fs9922.decode(boiling).unit == "degC"
    assert fs9922.decode(boiling).text == "212.0 degF"


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(changed(VOLTS_51922, b0=0x38), id="range above 7"),
        pytest.param(changed(VOLTS_51922, b0=0x35), id="no such volt range"),
        pytest.param(changed(VOLTS_51922, b6=0x32, b0=0x32), id="no such frequency range"),
        pytest.param(changed(VOLTS_51922, b6=0x3E), id="ADP has no unit"),
        pytest.param(changed(VOLTS_51922, b6=0x37), id="unknown function"),
        pytest.param(changed(VOLTS_51922, b9=0x31), id="always-zero bit of option 2"),
        pytest.param(changed(VOLTS_51922, b11=0x38), id="always-zero bit of option 4"),
        pytest.param(changed(VOLTS_51922, b10=0x3C), id="AC with DC"),
        pytest.param(changed(VOLTS_51922, b7=0x31, b9=0x38), id="overload with underload"),
        pytest.param(changed(VOLTS_51922, b6=0x33, b10=0x31), id="Hz of a signal on ohm"),
        pytest.param(changed(VOLTS_51922, b7=0x70), id="byte not of the form 3x"),
    ],
)
def test_es51922_bits_outside_the_data_sheet_are_refused(frame: bytes) -> None:
    """A code the sheet does not list is not read as its neighbour."""
    with pytest.raises(FrameError):
        es51922.decode(frame)


def with_parity(frame: bytes) -> bytes:
    """A 7-bit frame as a port set to 8N1 hands it over: odd parity in bit 7."""
    return bytes(byte if byte.bit_count() % 2 else byte | 0x80 for byte in frame)


@pytest.mark.parametrize("grammar", ["es51922", "es51986"])
def test_a_port_at_8n1_gives_the_same_reading_and_checks_parity(grammar: str) -> None:
    """30 arrives as B0 and 31 as 31; a byte with even parity spoils the frame."""
    for case in GOOD[grammar]:
        raw = with_parity(case.frame)
        assert MODULES[grammar].decode(raw) == MODULES[grammar].decode(case.frame)
        for index in range(len(raw)):
            flipped = changed(raw, **{f"b{index}": raw[index] ^ 0x80})
            with pytest.raises(FrameError):
                MODULES[grammar].decode(flipped)


@pytest.mark.parametrize(
    ("hexed", "value", "unit"),
    [
        ("30 30 30 34 39 38 32 38 30 30 32 30 0D 0A", 49.8, "%"),
        ("36 30 30 34 39 38 32 38 30 30 32 30 0D 0A", 49.8, "%"),
        ("30 30 30 34 39 38 3B 38 30 30 35 30 0D 0A", 49.8, "%"),
        ("33 31 32 33 34 35 3F 30 30 30 39 30 0D 0A", 12345.0, "Hz"),
        ("30 31 32 33 34 35 3D 30 30 30 38 34 0D 0A", 123.45, "A"),
        ("31 31 32 33 34 35 3F 30 30 30 38 34 0D 0A", 123.45, "A"),
        ("30 30 32 33 34 35 34 38 30 30 30 34 0D 0A", 234.5, "degC"),
        ("30 30 32 33 34 35 34 30 30 30 30 30 0D 0A", 23.45, "degC"),
        ("33 31 32 33 34 35 32 30 30 30 32 30 0D 0A", 12345.0, "Hz"),
        ("37 31 32 33 34 35 32 30 30 30 32 30 0D 0A", 123450000.0, "Hz"),
        ("33 31 32 33 34 35 39 30 30 30 38 30 0D 0A", 1234.5, "A"),
        ("30 31 32 33 34 35 31 30 30 30 38 30 0D 0A", 1.2345, "V"),
    ],
)
def test_es51922_meaning_depends_on_more_than_the_function_byte(hexed: str, value: float, unit: str) -> None:
    """Duty ignores the range byte, a clamp counts amperes, temperature digits are Celsius (data sheet v3.2)."""
    reading = es51922.decode(bytes.fromhex(hexed))
    assert (reading.value, reading.unit) == (value, unit)


@pytest.mark.parametrize(("option", "mask"), [(8, 8), (8, 4), (9, 4), (9, 2)])
def test_a_kept_extreme_is_never_the_present_value(option: int, mask: int) -> None:
    """MAX, MIN and both peak holds make the number unusable."""
    assert not es51922.decode(changed(VOLTS_51922, **{f"b{option}": 0x30 | mask})).usable


def test_min_max_recording_that_shows_the_present_value_stays_usable() -> None:
    """RMR alone says the display shows the present value."""
    assert es51922.decode(changed(VOLTS_51922, b8=0x31)).usable


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(changed(VOLTS_51986, b5=0x39), id="manual current is unsettled"),
        pytest.param(changed(VOLTS_51986, b5=0x34), id="temperature is unsettled"),
        pytest.param(changed(VOLTS_51986, b0=0x35), id="no such volt range"),
        pytest.param(changed(VOLTS_51986, b7=0x31), id="unknown option bit"),
        pytest.param(changed(VOLTS_51986, b5=0x33, b8=0x31), id="Hz of a signal on ohm"),
    ],
)
def test_es51986_modes_on_which_sources_disagree_are_refused(frame: bytes) -> None:
    """Better no number than one that is wrong by a thousand."""
    with pytest.raises(FrameError):
        es51986.decode(frame)


def test_es51986_range_names_the_capacitance_step() -> None:
    """Range 5 is 600.0 uF, range 4 is 60.00 uF: one free decoder has both as 60.00."""
    assert es51986.decode(bytes.fromhex("34 31 32 33 34 36 30 30 32 0D 0A")).value == 12.34e-6
    assert es51986.decode(bytes.fromhex("35 31 32 33 34 36 30 30 32 0D 0A")).value == 123.4e-6


@pytest.mark.parametrize(
    ("text", "value", "unit", "flags"),
    [
        (b"DC  3.999   v\r", 3.999, "V", Flag.DC),
        (b"DC  3.999  MV\r", 3.999e-3, "V", Flag.DC),
        (b"OH  3.999MOHM\r", 3.999e6, "ohm", Flag.NONE),
        (b"OH   -OL.MOhm\r", None, "ohm", Flag.OVERLOAD),
        (b"CA   1.23   F\r", 1.23, "F", Flag.NONE),
        (b"TM   0212   F\r", 100.0, "degC", Flag.NONE),
        (b"TE   0023   C ", 23.0, "degC", Flag.NONE),
        (b"FR  50.00  Hz\r", 50.0, "Hz", Flag.NONE),
        (b"FR  1.234 KHz\r", 1234.0, "Hz", Flag.NONE),
        (b"HF    230    \r", 230.0, "1", Flag.NONE),
        (b"dB  -12.3  DB\r", -12.3, "dB", Flag.NONE),
        (b"DB  -12.3 dBm\r", -12.3, "dBm", Flag.NONE),
        (b"LO  READY    \r", None, "1", Flag.INVALID),
        (b"LO     Hi    \r", None, "1", Flag.INVALID),
        (b"MX  3.999   V\r", 3.999, "V", Flag.MINMAX),
        (b"    3.999   V\r", 3.999, "V", Flag.NONE),
    ],
)
def test_polled_text_is_read_by_mode_and_unit_together(
    text: bytes, value: float | None, unit: str, flags: Flag
) -> None:
    """Letter case does not matter, milli and mega do; F is farad or Fahrenheit by the mode."""
    reading = polled14.decode(text)
    assert reading.value == pytest.approx(value) if value is not None else reading.value is None
    assert (reading.unit, reading.flags) == (unit, flags)


@pytest.mark.parametrize(
    "text",
    [
        b"XX  3.999   V\r", b"DC  3.999   F\r", b"DC  3.999 Ohm\r", b"OH  3.999   V\r", b"DC  3 999   V\r",
        b"DC  3.9.9   V\r", b"DC          V\r", b"DC  3.999   V\n", b"DC  3.999   Q\r", b"    3.999   F\r",
        b"DC  READY   V\r", b"LO  3.999    \r", b"DC   0.L    V\r", b"DC  3.999   V ", b"DC  1e3     V\r",
    ],
)  # fmt: skip
def test_polled_text_that_does_not_fit_together_is_refused(text: bytes) -> None:
    """A mode beside a foreign unit is a shifted or broken answer."""
    with pytest.raises(FrameError):
        polled14.decode(text)


@pytest.mark.parametrize(("bits", "unit"), [((9, 4), "nano volts"), ((9, 2), "kilovolts"), ((10, 2), "megavolts")])
def test_a_flipped_bit_that_makes_a_prefix_no_meter_shows_is_refused(bits: tuple[int, int], unit: str) -> None:
    """12 V that become 12 nV by one bit would look like a reading."""
    frame = bytearray(b"\x13\x20\x35\x45\x5b\x69\x7f\x82\x97\xa0\xb0\xc0\xd4\xe0")
    assert fs9721.decode(bytes(frame)).unit == "V"
    index, mask = bits
    frame[index] |= mask
    with pytest.raises(FrameError, match="multiplier"):
        fs9721.decode(bytes(frame))
