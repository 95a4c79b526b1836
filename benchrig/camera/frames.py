"""One frame, and whether it may be measured at all: the facts that make a good-looking picture a bad one.

Each fact has words and a cure. A frame with any of them gives no number.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .glass import GlassMap
from .strokes import SATURATED, sample

Values = NDArray[np.float64]
Grey = NDArray[np.uint8]

MOVED = 0.7  # pixels
EXPOSURE = 0.12  # part by which the light of the bezel's marks may change
SATURATED_PART = 0.01  # of the face
OLDEST = 0.7  # s


class BadFrame(enum.Enum):
    """Why a frame gives no number: words and cure."""

    STALE = ("The camera's newest picture is old.", "Look at the camera and its network.")
    REPEATED = ("The camera sends the same picture again and again.", "Look at the camera: is its app still running?")
    MOVED = (
        "The camera or the display has moved since the set-up.",
        "Put it back, or set the camera up again with the film.",
    )
    HIDDEN = ("A mark on the bezel is hidden.", "Clear the view; see that all four marks are lit.")
    EXPOSURE = (
        "The camera has changed its exposure, or the room its light.",
        "Lock the camera's exposure; switch the room's light as it was at the set-up.",
    )
    SATURATED = ("The picture is too bright for the camera.", "Turn the camera's exposure down, or the intensity.")
    SIZE = ("The camera sends pictures of another size than at the set-up.", "Choose the size that the set-up had.")

    @property
    def words(self) -> str:
        """What is wrong."""
        return self.value[0]

    @property
    def cure(self) -> str:
        """What to do about it."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class Frame:
    """Grey codes of shape (height, width), and the monotonic second at which the last of its bytes came.

    `number` counts the frames of one camera; `digest` is of its bytes as sent, so that a repeated one is known.
    """

    grey: Grey
    time: float
    number: int = 0
    digest: bytes = b""


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark in a corner of the bezel: a bright ring about a dark middle. `at` is (column, row)."""

    at: tuple[float, float]
    size: int
    light: float


@dataclass(frozen=True, slots=True)
class View:
    """What a camera saw at the set-up, to hold later frames against: its map, its size in pixels, the marks on the
    bezel, the screen's size in mm, and the codes of a line that was just visible (0: nobody has said yet).
    """

    glass_map: GlassMap
    sensor: tuple[int, int]
    marks: tuple[Mark, ...] = ()
    screen: tuple[float, float] = (240.0, 180.0)
    threshold: float = 0.0


def find_marks(grey: Grey, glass_map: GlassMap, screen: tuple[float, float], outside: float = 8.0) -> tuple[Mark, ...]:
    """The marks about `outside` mm beyond each corner of the screen, as far as they are seen (0 to 4)."""
    half = np.array(screen) / 2.0 + outside
    corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
    size = max(6, round(6.0 * glass_map.scale))
    found = (_mark(grey, at, size) for at in glass_map.pixels(corners))
    return tuple(mark for mark in found if mark is not None)


def _mark(grey: Grey, at: Values, size: int) -> Mark | None:
    left, top = round(float(at[0])) - size, round(float(at[1])) - size
    if left < 0 or top < 0 or left + 2 * size >= grey.shape[1] or top + 2 * size >= grey.shape[0]:
        return None
    patch = grey[top : top + 2 * size + 1, left : left + 2 * size + 1].astype(np.float64)
    floor, light = float(np.median(patch)), float(np.percentile(patch, 97))
    if light - floor < 25.0:
        return None
    weight = np.clip(patch - floor - 0.3 * (light - floor), 0.0, 0.4 * (light - floor))
    total = weight.sum()
    rows, columns = np.arange(patch.shape[0]), np.arange(patch.shape[1])
    middle = float(weight.sum(axis=0) @ columns) / total + left, float(weight.sum(axis=1) @ rows) / total + top
    return Mark(middle, size, light - floor)


def faults(frame: Frame, view: View, now: float, before: Frame | None = None) -> list[BadFrame]:
    """Everything that speaks against measuring this frame at monotonic second `now`; empty if nothing does."""
    if frame.grey.shape != (view.sensor[1], view.sensor[0]):
        return [BadFrame.SIZE]
    found = []
    if now - frame.time > OLDEST:
        found.append(BadFrame.STALE)
    if before is not None and frame.number != before.number and frame.digest and frame.digest == before.digest:
        found.append(BadFrame.REPEATED)
    found += _about_marks(frame.grey, view)
    if _saturated(frame.grey, view) > SATURATED_PART:
        found.append(BadFrame.SATURATED)
    return found


def _about_marks(grey: Grey, view: View) -> list[BadFrame]:
    if not view.marks:
        return []
    seen = [_mark(grey, np.array(mark.at), mark.size) for mark in view.marks]
    there = [(old, new) for old, new in zip(view.marks, seen, strict=True) if new is not None]
    found = [] if len(there) == len(view.marks) else [BadFrame.HIDDEN]
    if there:
        away = [np.hypot(new.at[0] - old.at[0], new.at[1] - old.at[1]) for old, new in there]
        if max(away) > MOVED:
            found.append(BadFrame.MOVED)
        light = float(np.median([new.light / old.light for old, new in there]))
        if abs(light - 1.0) > EXPOSURE:
            found.append(BadFrame.EXPOSURE)
    return found


def _saturated(grey: Grey, view: View) -> float:
    """Part of the face, on a lattice of about a millimetre, at the sensor's limit."""
    x = np.linspace(-0.49, 0.49, 160) * view.screen[0]
    y = np.linspace(-0.49, 0.49, 120) * view.screen[1]
    face = np.stack(np.meshgrid(x, y), axis=2)
    return float((sample(grey, view.glass_map.pixels(face)) >= SATURATED).mean())
