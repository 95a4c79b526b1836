"""From what a display shows to a reading: prefixes, counts, degrees, and when the range has changed."""

from __future__ import annotations

import pytest
from benchrig.drivers import display

from benchrig.readings import Flag, Reading

# What handhelds print before a unit (common practice, no source).
SHOWN = {"V": " m u", "A": " m u", "ohm": " k M", "F": " m u n p", "Hz": " k M", "degC": "", "%": "", "1": "", "": ""}


@pytest.mark.parametrize("unit", SHOWN)
def test_a_prefix_stands_only_before_the_units_that_handhelds_print_it_with(unit: str) -> None:
    allowed = {"", *SHOWN[unit].split()}
    assert {
        prefix for prefix in ("", "p", "n", "u", "m", "k", "M", "G") if display.stands_before(prefix, unit)
    } == allowed


@pytest.mark.parametrize(
    ("prefix", "value", "count"),
    [("p", 12.3e-12, 1e-13), ("n", 12.3e-9, 1e-10), ("u", 12.3e-6, 1e-7), ("m", 12.3e-3, 1e-4), ("", 12.3, 0.1),
     ("k", 12.3e3, 100.0), ("M", 12.3e6, 1e5)],
)  # fmt: skip
def test_a_shown_number_is_the_nearest_double_with_one_count_as_resolution(
    prefix: str, value: float, count: float
) -> None:
    """SI prefixes (SI brochure, table 7)."""
    found = display.number("012.3", "F", Flag.DC, prefix=prefix)
    assert found == Reading(value, "F", flags=Flag.DC, resolution=count, text=f"012.3 {prefix}F")


@pytest.mark.parametrize(
    ("unit", "prefix", "text"), [("", "", "5"), ("1", "", "5"), ("V", "", "5 V"), ("V", "m", "5 mV"), ("", "m", "5 m")]
)
def test_the_text_has_the_unit_where_the_display_has_one(unit: str, prefix: str, text: str) -> None:
    assert display.number("5", unit, Flag.NONE, prefix=prefix).text == text
    assert display.no_number("5", unit, Flag.OVERLOAD, prefix=prefix) == Reading(
        None, unit, flags=Flag.OVERLOAD, text=text
    )


@pytest.mark.parametrize(
    ("shown", "value", "count"), [("212", 100.0, 1 / 1.8), ("-40.0", -40.0, 0.1 / 1.8), ("32.00", 0.0, 0.01 / 1.8)]
)
def test_fahrenheit_is_given_in_celsius_and_keeps_its_text(shown: str, value: float, count: float) -> None:
    """Water boils at 212 and freezes at 32 degF; -40 is the same on both."""
    found = display.celsius(shown, Flag.HOLD)
    assert (found.value, found.resolution) == (pytest.approx(value), pytest.approx(count))
    assert (found.unit, found.flags, found.text) == ("degC", Flag.HOLD, f"{shown} degF")


@pytest.mark.parametrize(("decimals", "shown"), [(0, "1234"), (1, "123.4"), (3, "1.234"), (4, ".1234")])
def test_the_point_is_put_before_the_decimals(decimals: int, shown: str) -> None:
    assert display.point_at("1234", decimals) == shown


def test_a_change_of_range_is_marked_once_and_overload_says_nothing_of_it() -> None:
    """By resolution or by unit; the first reading of all has nothing before it."""
    steps = display.RangeSteps()
    fine, coarse = Reading(1.0, "V", resolution=0.1, flags=Flag.DC), Reading(1.0, "V", resolution=1.0, flags=Flag.DC)
    other, over = Reading(1.0, "A", resolution=1.0), Reading(None, "V", flags=Flag.OVERLOAD)
    told = [steps.marked(it).flags for it in (fine, fine, over, fine, coarse, over, coarse, other, other)]
    changed = Flag.DC | Flag.RANGE_CHANGED
    assert told == [
        Flag.DC, Flag.DC, Flag.OVERLOAD, Flag.DC, changed, Flag.OVERLOAD, Flag.DC, Flag.RANGE_CHANGED, Flag.NONE,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("shown", "judged"),
    [
        (Reading(50.0, "%", flags=Flag.HOLD, resolution=0.1, text="50.0 %"), (0.5, "1", Flag.HOLD, 0.001, "50.0 %")),
        (Reading(None, "%", flags=Flag.OVERLOAD, text="OL %"), (None, "1", Flag.OVERLOAD, None, "OL %")),
        (Reading(50.0, "V", flags=Flag.DC, resolution=0.1, text="50.0 V"), (50.0, "V", Flag.DC, 0.1, "50.0 V")),
    ],
)
def test_percent_is_judged_as_a_fraction_and_keeps_its_text(shown: Reading, judged: tuple[object, ...]) -> None:
    """50 % is one half; other units stay as they are."""
    found = display.as_fraction(shown)
    assert (found.value, found.unit, found.flags, found.resolution, found.text) == judged
