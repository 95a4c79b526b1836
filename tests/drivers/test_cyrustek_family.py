"""What the ES51922 and ES51986 grammars share: the line, and the form of a frame."""

from __future__ import annotations

import pytest
from benchrig.drivers import cyrustek, es51922, es51986

from benchrig.instruments import LineSettings

GOOD = b"0123456789:;\r\n"


def test_both_talk_at_19200_baud_with_seven_bits_and_odd_parity() -> None:
    """The chips' data sheets; DTR on and RTS off feed the lead's receiver (libsigrok)."""
    assert LineSettings(19200, 7, "O", 1, dtr=True, rts=False) == cyrustek.LINE
    assert es51922.Es51922Meter.GRAMMAR.line == es51986.Es51986Meter.GRAMMAR.line == cyrustek.LINE


@pytest.mark.parametrize("index", range(len(GOOD)))
def test_every_byte_of_a_frame_must_be_of_its_form(index: int) -> None:
    """3x before the end, CR and LF at it; each bit below the parity bit counts, and the parity bit does not."""
    assert cyrustek.aligned(GOOD, len(GOOD))
    for bit in range(8):
        window = bytearray(GOOD)
        window[index] ^= 1 << bit
        of_the_form = bit == 7 or (bit < 4 and index < len(GOOD) - 2)
        assert cyrustek.aligned(bytes(window), len(GOOD)) is of_the_form


def test_a_frame_of_another_length_is_none() -> None:
    assert not cyrustek.aligned(GOOD, len(GOOD) + 1)
    assert not cyrustek.aligned(GOOD, len(GOOD) - 1)
