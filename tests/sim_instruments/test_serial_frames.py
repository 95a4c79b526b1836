"""Displays become the bytes that real meters send for them."""

from collections.abc import Callable

import pytest
import serial_frames as frames
from benchrig.sim_instruments import serial_es51922, serial_es51986, serial_fs9721, serial_fs9922, serial_polled
from benchrig.sim_instruments.serial_panel import SerialPanel
from benchrig.sim_instruments.serial_prompt import encode as encode_prompt
from benchrig.sim_instruments.serial_stream import odd_parity

CASES = [
    pytest.param(encode, panel, text, id=f"{name}-{index}")
    for name, encode, table in (
        ("fs9721", serial_fs9721.encode, frames.FS9721),
        ("fs9922", serial_fs9922.encode, frames.FS9922),
        ("es51922", serial_es51922.encode, frames.ES51922),
        ("es51986", serial_es51986.encode, frames.ES51986),
        ("polled", serial_polled.encode, frames.POLLED),
    )
    for index, (panel, text) in enumerate(table)
]


@pytest.mark.parametrize(("encode", "panel", "text"), CASES)
def test_display_becomes_its_worked_frame(
    encode: Callable[[SerialPanel], bytes], panel: SerialPanel, text: str
) -> None:
    """Source of the frames: see the table module."""
    assert encode(panel).hex(" ").upper() == text


@pytest.mark.parametrize(
    ("panel", "unit", "line"),
    [
        (SerialPanel(12345, 4, "", "V", dc=True), "", "+1.2345E+0"),
        (SerialPanel(12345, 4, "", "V", dc=True), "VDC", "+1.2345E+0 VDC"),
        (SerialPanel(47012, 4, "k", "ohm"), "OHMS", "+4.7012E+3 OHMS"),
        (SerialPanel(0, 3, "", "V", overload=True), "", "+1E+9"),
        (SerialPanel(67890, 1, "", "A", minus=True), "ADC", "-6.7890E+3 ADC"),
    ],
)
def test_prompt_values_are_written_as_the_manual_shows(panel: SerialPanel, unit: str, line: str) -> None:
    """Fluke 45 Users Manual, pages 5-7 and 5-23; overload value as in libsigrok's fluke-45 driver."""
    assert encode_prompt(panel, unit) == line.encode("ascii")


def test_parity_shows_as_bit_seven_on_an_eight_bit_port() -> None:
    """Data sheet ES51922: odd parity; a port at 8N1 sees 0x30 as 0xB0 and 0x31 as 0x31."""
    assert odd_parity(b"\x30\x31\x0d\x0a") == b"\xb0\x31\x0d\x8a"
    assert all(byte.bit_count() % 2 for byte in odd_parity(bytes(range(128))))


def test_a_display_that_no_range_has_is_refused() -> None:
    """0.12345 V cannot be shown: the least volt range has four digits behind the point."""
    with pytest.raises(ValueError, match="not in"):
        serial_es51922.encode(SerialPanel(12345, 5, "", "V"))
