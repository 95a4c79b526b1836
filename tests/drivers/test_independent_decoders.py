"""Our decoders against decoders written by others, on tens of thousands of frames; packages are for these tests only.

Where one of them is known to be wrong, the rule stands beside it as a named exception and nothing else is let off.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterator

import pytest
from benchrig.drivers import es51922, fs9721, fs9922
from frame_cases import GOOD

from benchrig.errors import FrameError
from benchrig.readings import Flag, Reading

Decoder = Callable[[bytes], "float | None"]  # the number it reads, None for overload; raises for what it cannot read


def changed_frames(grammar: str, keep_high: int, count: int = 20_000) -> Iterator[bytes]:
    """The worked frames with a few low bits changed at random, over and over."""
    random_bits = random.Random(9721)
    frames = [case.frame for case in GOOD[grammar]]
    for _ in range(count):
        frame = bytearray(random_bits.choice(frames))
        for _ in range(random_bits.randrange(1, 6)):
            frame[random_bits.randrange(len(frame) - 2)] ^= 1 << random_bits.randrange(keep_high)
        yield bytes(frame)


def compare(frames: Iterator[bytes], ours: Callable[[bytes], Reading], theirs: Decoder, least: int) -> None:
    """Every frame that both can read gives the same number; there are at least `least` of them."""
    compared = 0
    for frame in frames:
        try:
            reading = ours(frame)
            other = theirs(frame)
        except (FrameError, Exception):
            continue
        if reading.value is None or other is None:
            assert (reading.value is None) == (other is None), frame.hex(" ")
        else:
            assert other == pytest.approx(reading.value, rel=1e-9, abs=1e-15), frame.hex(" ")
        compared += 1
    assert compared >= least


SEGMENTS = [case.frame for case in GOOD["fs9721"]]


def segment_frames() -> Iterator[bytes]:
    """All pairs of digits in all places, all points, multipliers and units, through the published patterns."""
    patterns = {p: d for p, d in fs9721._DIGITS.items() if d.isdigit()}
    choice = random.Random(14).choice
    multipliers = [(0, 0), (8, 0), (4, 0), (2, 0), (0, 8), (0, 2)]
    units = [(0, 8), (0, 4), (0, 2), (4, 0)]
    for _ in range(40_000):  # some have a prefix that no display puts before its unit; those we refuse
        frame = bytearray(0x10 * (i + 1) for i in range(14))
        for place in range(4):
            pattern = choice(list(patterns))
            frame[1 + 2 * place] |= pattern >> 4
            frame[2 + 2 * place] |= pattern & 15
        point = choice((0, 3, 5, 7))
        if point:
            frame[point] |= 8
        frame[1] |= choice((0, 8))
        frame[0] |= choice((1, 3, 5, 7, 9, 11))
        nine, ten = choice(multipliers)
        eleven, twelve = choice(units)
        for index, bits in ((9, nine), (10, ten), (11, eleven), (12, twelve)):
            frame[index] |= bits
        yield bytes(frame)


def test_segments_agree_with_digital_multimeter() -> None:
    """PyPI digital-multimeter 0.5.3: value times scale."""
    module = pytest.importorskip("digital_multimeter.multimeters.MultimeterFortuneFS9721")
    meter = object.__new__(module.MultimeterFortuneFS9721)
    meter.timestamp_previous = meter.timestamp_start = 0

    def theirs(frame: bytes) -> float | None:
        found = meter.parse_packet([format(byte & 15, "04b") for byte in frame])["reading"]["scaled_value"]
        return None if found is None else float(found)

    compare(segment_frames(), fs9721.decode, theirs, 15_000)


def test_segments_agree_with_fs9721_utils() -> None:
    """PyPI fs9721-utils 0.0.3: display value times its prefixes."""
    module = pytest.importorskip("fs9721_utils.reading")
    scales = {"NANO": 1e-9, "MICRO": 1e-6, "MILLI": 1e-3, "KILO": 1e3, "MEGA": 1e6}

    def theirs(frame: bytes) -> float | None:
        found = module.Reading(bytearray(frame))
        value = float(found.value())
        for unit in found.units():
            value *= scales.get(unit.name, 1.0)
        return value

    compare(segment_frames(), fs9721.decode, theirs, 15_000)


def test_segments_agree_with_pydmm() -> None:
    """PyPI pydmm 0.4.6 works on strings of bits, and fails on a blank first digit (so such frames are not compared)."""
    module = pytest.importorskip("pydmm.pydmm")

    def theirs(frame: bytes) -> float | None:
        return float(module._get_number([format(byte, "08b") for byte in frame]))

    compare(segment_frames(), fs9721.decode, theirs, 15_000)


def test_status_bits_agree_with_digital_multimeter() -> None:
    """Its class for this chip follows the data sheet's printed point code, so it is wrong for 0 and 4: left out."""
    module = pytest.importorskip("digital_multimeter.multimeters.MultimeterEDI9604")
    meter = object.__new__(module.MultimeterEDI9604)
    meter.timestamp_previous = meter.timestamp_start = 0

    def theirs(frame: bytes) -> float | None:
        if frame[6] not in b"12" or frame[10] & 1:
            raise ValueError("known to be wrong there, or in Fahrenheit, which we give as Celsius")
        found = meter.parse_packet(frame)["reading"]["scaled_value"]
        return None if found is None else float(found)

    compare(changed_frames("fs9922", 4), fs9922.decode, theirs, 500)


def test_es51922_agrees_with_ut61e() -> None:
    """PyPI ut61e 1.0.2 takes the twelve bytes before CR LF. It does not scale a clamp's current: left out."""
    module = pytest.importorskip("ut61e.es51922")

    def theirs(frame: bytes) -> float | None:
        if frame[11] & 4:
            raise ValueError("clamp wiring: it does not know it")
        found = module.parse(frame[:12])["value"]
        return None if found == "" else float(found)

    compare(changed_frames("es51922", 4), es51922.decode, theirs, 2_000)


def test_es51922_agrees_with_es51922_viewer() -> None:
    """PyPI es51922-viewer 0.1.1. Known faults: ten times high in the lowest Hz range, Hz on the volt knob always in
    that range, no number with peak hold.
    """
    module = pytest.importorskip("es51922_viewer.parser")
    parser = module.Parser()

    def theirs(frame: bytes) -> float | None:
        if frame[9] & 6 or frame[10] & 1 or frame[6] & 15 == 2 or frame[11] & 4:
            raise ValueError("known to be wrong or silent there")
        meter = parser.parse(struct.pack("12B", *frame[:12]), 0.0)
        if meter is None:
            raise ValueError("refused")
        return None if meter.display in ("    OL", "    UL") else float(meter.value)

    compare(changed_frames("es51922", 4), es51922.decode, theirs, 1_000)


def test_worked_frames_are_read_by_every_package() -> None:
    """The comparison above is not empty by accident: each worked volt frame goes through ut61e with its value."""
    module = pytest.importorskip("ut61e.es51922")
    for case in GOOD["es51922"]:
        found = module.parse(case.frame[:12])
        if case.value is not None:
            assert float(found["value"]) == pytest.approx(case.value)
        assert (found["hold"], found["battery_low"]) == (
            bool(case.flags & Flag.HOLD), bool(case.flags & Flag.LOW_BATTERY),
        )  # fmt: skip
