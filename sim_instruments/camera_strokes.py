"""What a vector display draws, as strokes on its phosphor in millimetres: grid, lattice, bars, focus lines.

The origin is the middle of the face, x right, y up. A figure's errors are those of a real picture: width, height,
centring, rotation, a skew, bowed sides, uneven tiles, joins that miss each other, lines that jitter. Truth is what is
drawn: `Shape` says it in the words in which it is later measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line from `points[0]` to `points[-1]`, shape (n, 2) mm, of a `brightness` per millimetre (1: a bright line)."""

    points: Points
    brightness: float = 1.0


@dataclass(frozen=True, slots=True)
class Shape:
    """How a picture is off. Tiles in mm; `shift` of the picture's middle in mm; `tilt` and `skew` in degrees.

    `bow` mm by which the outer lines bend outwards in their middle (barrel; negative: pincushion); `uneven` the part
    by which the tiles of one side are larger than those of the middle; `gap` and `offset` mm at the lattice's joins.
    """

    tile_width: float = 18.0
    tile_height: float = 18.0
    across: int = 10
    down: int = 8
    shift: tuple[float, float] = (0.0, 0.0)
    tilt: float = 0.0
    skew: float = 0.0
    bow: float = 0.0
    uneven: float = 0.0
    gap_vertical: float = 0.0
    gap_horizontal: float = 0.0

    def place(self, columns: Points, rows: Points) -> Points:
        """Millimetres on the phosphor of places counted in tiles from the middle, shape (n, 2)."""
        x = columns * self.tile_width * (1.0 + self.uneven * columns / self.across)
        y = rows * self.tile_height
        half_width, half_height = self.across * self.tile_width / 2.0, self.down * self.tile_height / 2.0
        bent_x = x + self.bow * (x / half_width) * (1.0 - (y / half_height) ** 2)
        bent_y = y + self.bow * (y / half_height) * (1.0 - (x / half_width) ** 2)
        leaning = bent_x + math.tan(math.radians(self.skew)) * bent_y
        turn = math.radians(self.tilt)
        placed = np.column_stack(
            [
                math.cos(turn) * leaning - math.sin(turn) * bent_y,
                math.sin(turn) * leaning + math.cos(turn) * bent_y,
            ]
        )
        return np.asarray(placed + np.array(self.shift))


def grid(shape: Shape, brightness: float = 1.0) -> list[Stroke]:
    """The pattern `grid`: every border of every tile, one stroke for a whole line."""
    half_across, half_down = shape.across / 2.0, shape.down / 2.0
    along_x = np.linspace(-half_across, half_across, 20 * shape.across + 1)
    along_y = np.linspace(-half_down, half_down, 20 * shape.down + 1)
    columns = [
        Stroke(shape.place(np.full_like(along_y, column - half_across), along_y), brightness)
        for column in range(shape.across + 1)
    ]
    rows = [
        Stroke(shape.place(along_x, np.full_like(along_x, row - half_down)), brightness)
        for row in range(shape.down + 1)
    ]
    return columns + rows


def lattice(shape: Shape, brightness: float = 1.0, squares: int = 4) -> list[Stroke]:
    """The pattern `lattice`: squares of two tiles, drawn apart from each other so that their common sides join.

    A ramp that runs at another rate draws a square's second half elsewhere than its first: the upper and the lower
    half of a vertical side miss each other sideways by `gap_vertical`, left and right half of a level side by
    `gap_horizontal`.
    """
    strokes: list[Stroke] = []
    size = 2.0
    start = -squares / 2.0 * size
    for column in range(squares + 1):
        for row in range(squares):
            x, low, high = start + column * size, start + row * size, start + (row + 1) * size
            strokes += _halves(shape, x, low, high, shape.gap_vertical, upright=True, brightness=brightness)
    for row in range(squares + 1):
        for column in range(squares):
            y, low, high = start + row * size, start + column * size, start + (column + 1) * size
            strokes += _halves(shape, y, low, high, shape.gap_horizontal, upright=False, brightness=brightness)
    return strokes


def _halves(
    shape: Shape, at: float, low: float, high: float, miss: float, *, upright: bool, brightness: float
) -> list[Stroke]:
    middle = (low + high) / 2.0
    pair = []
    for first, last, sideways in ((low, middle, -miss / 2.0), (middle, high, miss / 2.0)):
        along = np.linspace(first, last, 21)
        level = np.full_like(along, at)
        placed = shape.place(level, along) if upright else shape.place(along, level)
        placed = placed + (np.array([sideways, 0.0]) if upright else np.array([0.0, sideways]))
        pair.append(Stroke(placed, brightness))
    return pair


def bars(shape: Shape, brightness: tuple[float, ...], length: float = 120.0) -> list[Stroke]:
    """The pattern `wedge`: level lines, the brightest on top, each of the brightness given."""
    height = shape.tile_height
    top = (len(brightness) - 1) / 2.0
    x = np.linspace(-length / 2.0, length / 2.0, 61)
    return [
        Stroke(np.column_stack([x, np.full_like(x, (top - number) * height)]) + np.array(shape.shift), level)
        for number, level in enumerate(brightness)
    ]
