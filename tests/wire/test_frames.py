"""Framers find every good frame in any stream, cut anywhere, and count what they drop."""

from __future__ import annotations

import itertools
import os
import random

from hypothesis import given
from hypothesis import strategies as st

from benchrig.wire.frames import FixedFrames, LineFrames

HEAVY = bool(int(os.environ.get("BENCHRIG_HEAVY", "0")))
NOISE = 1_000_000 if HEAVY else 100_000


def lcd(frame: bytes) -> bool:
    """14 bytes whose upper halves count from 1 to 14, as the LCD-segment grammar has them."""
    return all(byte >> 4 == place for place, byte in enumerate(frame, 1))


def lcd_frames() -> FixedFrames:
    return FixedFrames(14, lcd)


GOOD = bytes.fromhex("17 20 35 45 5B 61 7F 8A 97 A0 B0 C0 D4 E0")  # 123.4 V, derived from the chip's data sheet
OTHER = bytes.fromhex("13 20 30 47 5D 6E 78 80 90 A0 B2 C4 D0 E0")


def test_a_stream_that_starts_in_mid_frame_gives_the_frames_after_it() -> None:
    framer = lcd_frames()
    assert framer.feed(GOOD[6:] + GOOD + OTHER) == [GOOD, OTHER]
    assert (framer.noise, framer.noise_run) == (8, 0)


def test_a_byte_that_breaks_a_frame_may_begin_the_next() -> None:
    """A frame cut short by one that follows at once costs itself only."""
    for kept in range(14):
        framer = lcd_frames()
        assert framer.feed(GOOD[:kept] + OTHER) == [OTHER]
        assert framer.noise == kept


@given(st.lists(st.sampled_from([GOOD, OTHER]), min_size=1, max_size=5), st.lists(st.integers(0, 80), max_size=10))
def test_frames_are_whole_wherever_the_stream_is_cut(frames: list[bytes], places: list[int]) -> None:
    stream = b"".join(frames)
    framer = lcd_frames()
    edges = [0, *sorted(place % (len(stream) + 1) for place in places), len(stream)]
    found = [frame for a, b in itertools.pairwise(edges) for frame in framer.feed(stream[a:b])]
    assert found == frames
    assert framer.noise == 0


def test_noise_is_dropped_counted_and_does_not_hide_the_next_frame() -> None:
    chance = random.Random(7)
    framer = lcd_frames()
    fed = found = 0
    while fed < NOISE:
        piece = chance.randbytes(chance.randrange(1, 5000))
        fed += len(piece)
        found += len(framer.feed(piece))
    assert framer.feed(b"\x00" * 13 + GOOD) == [GOOD]
    assert framer.noise == fed + 13 - 14 * found
    assert framer.noise_run == 0
    assert len(framer._buffer) < 14


def test_clear_forgets_the_frame_begun() -> None:
    framer = lcd_frames()
    framer.feed(GOOD[:7])
    framer.clear()
    assert framer.feed(GOOD[7:] + GOOD) == [GOOD]


@given(
    st.lists(st.binary(max_size=20).filter(lambda piece: b"\r" not in piece), max_size=6),
    st.lists(st.integers(0, 100), max_size=8),
)
def test_lines_are_whole_wherever_the_stream_is_cut(pieces: list[bytes], places: list[int]) -> None:
    stream = b"".join(piece + b"\r" for piece in pieces)
    framer = LineFrames(b"\r")
    edges = [0, *sorted(place % (len(stream) + 1) for place in places), len(stream)]
    found = [line for a, b in itertools.pairwise(edges) for line in framer.feed(stream[a:b])]
    assert found == [piece for piece in pieces if piece]


def test_a_line_too_long_is_noise_to_its_end_even_where_the_terminator_is_cut() -> None:
    framer = LineFrames(b"\r\n", limit=10)
    assert framer.feed(b"x" * 30) == []
    assert framer.feed(b"y" * 30 + b"\r") == []
    assert framer.feed(b"\ngood\r\n") == [b"good"]
    assert framer.noise == 60
    assert framer.feed(b"z" * 11 + b"\r\nfine\r\n") == [b"fine"]


def test_noise_in_lines_leaves_nothing_behind() -> None:
    chance = random.Random(8)
    framer = LineFrames(b"\r\n", limit=64)
    for _ in range(NOISE // 1000):
        for line in framer.feed(chance.randbytes(1000)):
            assert len(line) <= 64
    assert framer.feed(b"\r\ngood\r\n")[-1] == b"good"
    assert len(framer._buffer) <= 64
