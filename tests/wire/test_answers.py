"""What stands in an answer line: numbers told from specials, strings kept whole, errors and identities read."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import InstrumentError
from benchrig.wire.answers import Special, error_entry, fields, identity, number, unquoted

# Spellings of infinity and not-a-number: SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5 give 9.9E37 and 9.91E37; the number of
# digits differs from maker to maker (programmer's guides).
SPECIALS = [
    ("+9.90000000E+37", Special.ABOVE),
    ("9.9E37", Special.ABOVE),
    ("9.9e+037", Special.ABOVE),
    ("+9.9E+37", Special.ABOVE),
    ("-9.9E37", Special.BELOW),
    ("-9.90000000E+37", Special.BELOW),
    ("9.91E+37", Special.NONE),
    ("+9.91000000E+37", Special.NONE),
    ("9.910e37", Special.NONE),
    ("99.999E+36", Special.ABOVE),  # a hole in ASCII waveforms of one family: above the threshold, never a reading
    ("1E+38", Special.ABOVE),
    ("INF", Special.ABOVE),
    ("-INF", Special.BELOW),
    ("NINF", Special.BELOW),
    ("NAN", Special.NONE),
]


@pytest.mark.parametrize(("text", "special"), SPECIALS)
def test_a_special_never_has_a_value(text: str, special: Special) -> None:
    found = number(text)
    assert (found.value, found.special, found.text) == (None, special, text)


# NR1, NR2 and NR3 as in IEEE 488.2, 8.7.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("273", 273.0),
        (".273", 0.273),
        ("2.73E+2", 273.0),
        ("+1.23456789E+00", 1.23456789),
        ("+1.00000000E-006", 1e-6),
        ("-0.0000", -0.0),
        ("1.0000E+03", 1000.0),
        ("9.7E37", 9.7e37),
        (" 5.", 5.0),
    ],
)
def test_every_form_of_number_is_read(text: str, value: float) -> None:
    assert number(text).value == value
    assert number(text).special is None


@pytest.mark.parametrize("text", ["", "1.2 V", "1,2", "0x10", "1_000", "nan5", "1.2.3", "--1", "VOLT", "1e", "٣"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(InstrumentError):
        number(text)


@given(st.floats(allow_nan=False, allow_infinity=False, max_value=9e37, min_value=-9e37))
def test_python_and_we_read_the_same_value(value: float) -> None:
    assert number(f"{value:+.17E}").value == value


@given(st.lists(st.text(st.characters(codec="ascii", exclude_characters="\r\n"), max_size=8), min_size=1, max_size=5))
def test_quoted_strings_survive_commas_quotes_and_semicolons(parts: list[str]) -> None:
    line = ",".join('"' + part.replace('"', '""') + '"' for part in parts)
    assert [unquoted(part) for part in fields(line)] == parts


def test_numbers_and_units_of_a_message_are_split() -> None:
    assert [number(part).value for part in fields("+1.0E0, 2,9.9E37")] == [1.0, 2.0, None]
    assert fields('1;"a;b";2', ";") == ["1", '"a;b"', "2"]


# Error queue entries as printed in SCPI-1999 ch. 21 and in the manuals of meters that write the sign.
@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header"', (-113, "Undefined header")),
        ('-222,"Data out of range;VOLT 1e9, ""high"""', (-222, 'Data out of range;VOLT 1e9, "high"')),
        ("-350, 'Too many errors'", (-350, "Too many errors")),
        ("0", (0, "")),
    ],
)
def test_an_error_entry_is_a_code_and_its_words(text: str, entry: tuple[int, str]) -> None:
    assert error_entry(text) == entry


@pytest.mark.parametrize("text", ["", "No error", "+1.2345E+0", "1.5,x"])
def test_another_answer_is_no_error_entry(text: str) -> None:
    with pytest.raises(InstrumentError):
        error_entry(text)


def test_an_identity_may_hold_blanks_and_commas() -> None:
    assert identity("FLUKE, 45, 1234567, 1.0 D1.0") == ("FLUKE", "45", "1234567", "1.0 D1.0")
    assert identity("A B,M-1,0,01,02-03") == ("A B", "M-1", "", "01,02-03")
    for text in ("", "1.2345", "a,b", ",b,c,d"):
        with pytest.raises(InstrumentError):
            identity(text)


def test_no_special_hides_behind_rounding() -> None:
    assert number("9.79E37").value == pytest.approx(9.79e37)
    assert not math.isnan(number("1E3").value or 0.0)
