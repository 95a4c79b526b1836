"""Noise into every framer and decoder: nothing escapes but FrameError, memory stays flat, the next good frame is read.

BENCHRIG_HEAVY=1 runs a million random bytes into each framer; the usual run a tenth of that.
"""

from __future__ import annotations

import os
import random
import tracemalloc
from collections.abc import Callable
from types import ModuleType

import pytest
from benchrig.drivers import es51922, es51986, fs9721, fs9922, polled14, prompt_answers
from frame_cases import GOOD
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import FrameError

MODULES: dict[str, ModuleType] = {
    "fs9721": fs9721, "fs9922": fs9922, "es51922": es51922, "es51986": es51986, "polled14": polled14,
}  # fmt: skip
COUNT = 1_000_000 if os.environ.get("BENCHRIG_HEAVY") else 100_000


def fed(framer: object, data: bytes, cuts: list[int]) -> list[bytes]:
    """All frames of `data` when it arrives in pieces."""
    frames: list[bytes] = []
    at = 0
    for cut in [*sorted(cuts), len(data)]:
        frames += framer.feed(data[at:cut])  # type: ignore[attr-defined]
        at = cut
    return frames


@pytest.mark.parametrize("grammar", MODULES)
def test_a_good_frame_after_noise_is_still_read(grammar: str, record_property: Callable[[str, object], None]) -> None:
    """Random bytes in random pieces; then silence is not needed, only two frames, of which the second must come."""
    record_property("random bytes", COUNT)
    noise, framer = random.Random(5), MODULES[grammar].frames()
    left = COUNT
    tracemalloc.start()
    while left:
        piece = noise.randbytes(min(left, noise.randrange(1, 400)))
        left -= len(piece)
        for frame in framer.feed(piece):
            try:
                MODULES[grammar].decode(frame)
            except FrameError:
                continue
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 1_000_000
    good = GOOD[grammar][0].frame
    assert framer.feed(good * 2)[-1] == good


@pytest.mark.parametrize("grammar", MODULES)
def test_no_bytes_make_a_decoder_raise_anything_but_frame_error(grammar: str) -> None:
    """Random and slightly changed frames; an accepted one is a whole reading."""
    noise, module = random.Random(7), MODULES[grammar]
    for _ in range(20_000):
        frame = bytearray(noise.choice(GOOD[grammar]).frame)
        for _ in range(noise.randrange(4)):
            frame[noise.randrange(len(frame))] = noise.randrange(256)
        try:
            reading = module.decode(bytes(frame))
        except FrameError:
            continue
        assert reading.unit
        assert (reading.value is None) == (reading.resolution is None)


@pytest.mark.parametrize("grammar", MODULES)
@given(data=st.data())
def test_cuts_anywhere_change_nothing(grammar: str, data: st.DataObject) -> None:
    """A stream that starts in the middle of a frame gives exactly the whole frames, in order, however it is cut."""
    frames = data.draw(st.lists(st.sampled_from([case.frame for case in GOOD[grammar]]), min_size=1, max_size=6))
    first = data.draw(st.integers(1, len(frames[0])))
    stream = frames[0][first:] + b"".join(frames)
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=8))
    assert fed(MODULES[grammar].frames(), stream, cuts) == frames
    assert fed(MODULES[grammar].frames(), stream, list(range(len(stream)))) == frames


@pytest.mark.parametrize("grammar", MODULES)
@given(lost=st.integers(0, 13), after=st.integers(1, 3))
def test_a_lost_byte_costs_one_frame(grammar: str, lost: int, after: int) -> None:
    """The byte that breaks a frame may begin the next one, so the next one is not lost with it."""
    good = GOOD[grammar][0].frame
    index = lost % len(good)
    stream = good + good[:index] + good[index + 1 :] + good * after
    found = fed(MODULES[grammar].frames(), stream, [])
    assert found.count(good) >= 1 + after
    assert all(MODULES[grammar].decode(frame) for frame in found if frame == good)


@given(st.binary(max_size=200))
def test_no_answer_makes_the_prompt_parser_raise_anything_but_frame_error(noise: bytes) -> None:
    """With and without a prompt behind it."""
    for frame in (noise, noise + b"\r\n=>\r\n"):
        try:
            prompt_answers.decode_displays(frame)
        except FrameError:
            continue
