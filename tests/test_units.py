"""Quantities are read as a technician writes them, exactly, or refused with the reason."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import FileError, UnitError
from benchrig.units import PREFIXES, UNITS, Quantity, clock_words, quantity, quantity_in, show

# Prefixes as in the SI brochure (BIPM, 9th edition, table 7); minute, hour and per cent as in its table 8 and 5.4.7.
WRITTEN = [
    ("9.40 kV", 9400.0, "V"),
    ("5.8kV", 5800.0, "V"),
    ("-41 mV", -0.041, "V"),
    ("+0.3 us", 0.3e-6, "s"),
    ("14.0 µs", 14e-6, "s"),
    ("14.0 μs", 14e-6, "s"),
    ("10 Mohm", 1e7, "ohm"),
    ("10 MΩ", 1e7, "ohm"),
    ("5 mV/div", 5e-3, "V/div"),
    ("1 GSa/s", 1e9, "Sa/s"),
    ("20 %", 0.2, "1"),
    ("25 ppm", 25e-6, "1"),
    ("1000", 1000.0, "1"),
    ("1e3 Hz", 1000.0, "Hz"),
    (".5 V", 0.5, "V"),
    ("18.0 mm", 0.018, "m"),
    ("5 min", 300.0, "s"),
    ("24 h", 86400.0, "s"),
    ("20 turns", 7200.0, "deg"),
    ("2 counts", 2.0, "count"),
    ("23 degC", 23.0, "degC"),
    ("  3.3 V ", 3.3, "V"),
]


@pytest.mark.parametrize(("text", "value", "unit"), WRITTEN)
def test_what_is_written_is_read_in_the_base_unit(text: str, value: float, unit: str) -> None:
    assert quantity(text) == Quantity(value, unit)


REFUSED = [
    ("3,3 V", "decimal point"),
    ("1'000 V", "decimal point"),
    ("4k7", "one number and one unit"),
    ("", "start with a number"),
    ("V", "start with a number"),
    ("about 5 V", "start with a number"),
    ("0x10 V", "unit"),
    ("٣ V", "start with a number"),
    ("5. V", "unit"),
    ("5 v", "not known"),
    ("5 KV", "not known"),
    ("5 kmm", "not known"),
    ("5 k%", "not known"),
    ("5 ms ms", "not known"),
    ("5  V", "one number and one unit"),
    ("5 \tV", "one number and one unit"),
    ("nan V", "start with a number"),
    ("inf V", "start with a number"),
    ("1e999 V", "too large"),
    ("9.40 kV ± 1 %", "one number and one unit"),
]


@pytest.mark.parametrize(("text", "words"), REFUSED)
def test_what_could_be_meant_in_two_ways_is_refused_with_the_reason(text: str, words: str) -> None:
    with pytest.raises(UnitError, match=words) as caught:
        quantity(text)
    assert caught.value.next_step
    assert isinstance(caught.value, FileError)


def test_letter_case_counts_and_the_right_one_is_offered() -> None:
    with pytest.raises(UnitError, match="Did you mean 'Hz'"):
        quantity("50 hz")
    assert quantity("1 mV").value * 1e9 == pytest.approx(quantity("1 MV").value)


def test_another_kind_of_quantity_is_refused() -> None:
    assert quantity_in("9.40 kV", "V") == 9400.0
    with pytest.raises(UnitError, match="is in Hz, but V is needed"):
        quantity_in("50 Hz", "V")


PREFIXED = sorted(name for name, (_, _, prefixed) in UNITS.items() if prefixed)
POWERS = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}


@given(st.decimals(-99999, 99999, places=4), st.sampled_from(PREFIXED), st.sampled_from(sorted(POWERS)))
def test_the_value_is_the_float_nearest_to_the_exact_product(number: Decimal, unit: str, prefix: str) -> None:
    """Against decimal arithmetic: one rounding of the number and one of the product, so at most 1 ulp away."""
    exact = float(number * Decimal(10) ** POWERS[prefix])
    assert abs(quantity(f"{number:f} {prefix}{unit}").value - exact) <= math.ulp(exact)


def test_the_table_of_prefixes_holds_the_si_powers() -> None:
    assert {prefix: round(math.log10(factor)) for prefix, factor in PREFIXES.items()} == POWERS


@given(st.floats(1e-11, 9e11), st.sampled_from(["V", "A", "ohm", "s", "Hz", "F"]), st.booleans())
def test_what_is_shown_reads_back_within_its_digits(value: float, unit: str, negative: bool) -> None:
    signed = -value if negative else value
    assert quantity(show(signed, unit, digits=6)) == Quantity(pytest.approx(signed, rel=2e-5), unit)


@pytest.mark.parametrize(
    ("value", "unit", "resolution", "text"),
    [
        (9400.0, "V", 1.0, "9.400 kV"),
        (9400.0, "V", None, "9.400 kV"),
        (0.0, "V", 1e-3, "0 mV"),
        (-0.0004, "V", 1e-3, "0 mV"),
        (12.0, "V", 0.01, "12.00 V"),
        (-5.2, "V", 0.001, "-5.200 V"),
        (14e-6, "s", 1e-8, "14.00 us"),
        (0.0181, "m", 1e-4, "18.1 mm"),
        (0.2, "1", None, "0.2"),
        (999.9999, "V", 0.01, "1.00000 kV"),
        (math.inf, "V", None, "inf V"),
        (270.0, "deg", 1.0, "270 deg"),
    ],
)
def test_a_value_is_shown_with_the_decimals_it_has(
    value: float, unit: str, resolution: float | None, text: str
) -> None:
    assert show(value, unit, resolution=resolution) == text


def test_a_quantity_is_a_float_where_one_is_wanted_and_shows_itself() -> None:
    assert float(quantity("9.40 kV")) == 9400.0
    assert str(quantity("9.40 kV")) == "9.400 kV"


@pytest.mark.parametrize(("text", "words"), [("5", "'5' has no unit, but V"), ("5 A", "is in A"), ("20 %", "is in 1")])
def test_another_unit_and_none_are_told_apart(text, words):
    """A bare number is said to be one."""
    with pytest.raises(UnitError, match=words):
        quantity_in(text, "V")


@pytest.mark.parametrize(
    ("seconds", "words"), [(-1.0, "0:00:00"), (28_799.99, "8:00:00"), (59.4, "0:00:59"), (360_000.0, "100:00:00")]
)
def test_a_length_of_time_reads_as_on_a_stop_watch(seconds, words):
    """To the nearest second, hours as they come, never below nothing."""
    assert clock_words(seconds) == words
