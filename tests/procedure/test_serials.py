"""A serial number is plain text in every procedure, with a pattern of its own or without."""

import pytest

from benchrig.errors import FileError
from benchrig.procedure.serials import check


@pytest.mark.parametrize("serial", ["SK14-0231", "A", "12/34 B", "No. 7", "a_b+c#1", "x" * 64, ""])
def test_plain_text_is_a_serial_number(serial):
    check(serial, "", "Box")


@pytest.mark.parametrize(
    "serial", ["\x1b[2J", "a\nb", "--bench", "../../etc", " A1", "A1 ", "<b>", "A;rm", "x" * 65, "‮123", "A\x00", "$(x)"]
)
def test_what_a_plate_does_not_bear_is_refused_with_and_without_a_pattern(serial):
    """It goes into records, phrases to type, messages, a page and the words of another process."""
    for pattern in ("", ".*"):
        with pytest.raises(FileError, match="is no serial number"):
            check(serial, pattern, "Box")


def test_a_pattern_is_asked_besides():
    check("SK14-0001", "SK14-[0-9]{4}", "Skerry 14")
    with pytest.raises(FileError, match="does not fit Skerry 14"):
        check("SK14-1", "SK14-[0-9]{4}", "Skerry 14")
    with pytest.raises(FileError, match="Which unit is it"):
        check("", "SK14-[0-9]{4}", "Skerry 14")
