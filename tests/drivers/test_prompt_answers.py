"""Answers that end in a prompt: exchanges from the makers' manuals, checked with two public drivers."""

from __future__ import annotations

import pytest
from benchrig.drivers import prompt_answers as prompt

from benchrig.errors import FrameError
from benchrig.readings import Flag


@pytest.mark.parametrize(
    ("frame", "value", "unit", "flags"),
    [
        (b"+1.2345E+0\r\n=>\r\n", 1.2345, "", Flag.NONE),
        (b"+1.2345E+0 VDC\r\n=>\r\n", 1.2345, "V", Flag.DC),
        (b"+4.7012E+3 OHMS\r\n=>\r\n", 4701.2, "ohm", Flag.NONE),
        (b"-12.345E-3 AAC\r\n=>\r\n", -0.012345, "A", Flag.AC),
        (b"+60.000E+0 HZ\r\n=>\r\n", 60.0, "Hz", Flag.NONE),
        (b"+1E+9\r\n=>\r\n", None, "", Flag.OVERLOAD),
        (b"+1E+9 OHMS\r\n=>\r\n", None, "ohm", Flag.OVERLOAD),
        (b"VDC;1;+1.2345E+0\r\n=>\r\n", 1.2345, "V", Flag.DC | Flag.AUTORANGE),
        (b"DIODE;0;+0.6120E+0\r\n=>\r\n", 0.612, "V", Flag.DIODE),
        (b"VAL1?\r\n+1.2345E+0\r\n=>\r\n", 1.2345, "", Flag.NONE),
    ],
)
def test_one_answer_gives_one_reading(frame: bytes, value: float | None, unit: str, flags: Flag) -> None:
    """Both formats, joined answers, echo on, overload."""
    reading = prompt.decode(frame)
    assert (reading.value, reading.unit, reading.flags) == (value, unit, flags)


def test_one_count_is_the_last_digit_sent() -> None:
    """+4.7012E+3 has steps of 0.1."""
    assert prompt.decode(b"+4.7012E+3 OHMS\r\n=>\r\n").resolution == 0.1


def test_two_displays_are_two_readings_and_never_one() -> None:
    """`MEAS?` with both displays on."""
    answer = b"+1.2345E+0 VDC, +6.7890E+3 HZ\r\n=>\r\n"
    assert [(r.value, r.unit) for r in prompt.decode_displays(answer)] == [(1.2345, "V"), (6789.0, "Hz")]
    with pytest.raises(FrameError):
        prompt.decode(answer)


@pytest.mark.parametrize(
    "frame",
    [
        b"?>\r\n", b"!>\r\n", b"=>\r\n", b"", b"+1.2345E+0\r\n", b"=>\r\n+1.2345E+0\r\n", b"+1.2345E+0\r\n=>\r\n=>\r\n",
        b"+1.2345E+0 VOLT\r\n=>\r\n", b"OHMS;1;+1.2E+0 VDC\r\n=>\r\n", b"+1.2\r\n+1.3\r\n=>\r\n", b"hello\r\n=>\r\n",
        b"\xff1.2\r\n=>\r\n", b"VDC;2;+1.2E+0\r\n=>\r\n", b"+1.2345E\r\n=>\r\n", b"+1.2345E+0\r\n!>\r\n",
    ],
)  # fmt: skip
def test_an_answer_that_is_not_one_good_reading_is_refused(frame: bytes) -> None:
    """Error prompts, missing prompts, leftovers, foreign units."""
    with pytest.raises(FrameError):
        prompt.decode(frame)


def test_an_answer_is_complete_only_with_its_prompt() -> None:
    """However the bytes are cut, the answer appears with the end of the prompt line and takes nothing that follows."""
    answer = b"+1.2345E+0 VDC\r\n=>\r\n"
    for cut in range(len(answer)):
        assert prompt.split(answer[:cut]) == (b"", answer[:cut])
    assert prompt.split(answer + b"+2") == (answer, b"+2")
