"""One frame of a simulated camera: strokes or a film of dots, drawn with beam, lens, light, noise and exposure.

Codes are 0 to 255. A stroke's peak is `Light.gain` codes for brightness 1 where beam and lens blur as usual; noise is
read noise plus shot noise; a band may roll over the picture, a lamp may mirror itself in the glass. Drawn apart from
anything that measures; nothing here knows how a picture is judged.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .camera_optics import Optics
from .camera_strokes import Stroke

Image = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Light:
    """Exposure and what spoils it.

    gain        codes at the peak of a line of brightness 1
    beam        sigma of the electron beam on the phosphor, mm
    dark        codes of the unlit face; `bezel` codes of its surround
    read_noise  codes; `shot` codes squared per code
    band        depth of a dark band, 0 to 1, at `band_at` (part of the height), as partial redraw and shutter give
    mirror      peak codes of a lamp mirrored at `mirror_at` (parts of width and height), of `mirror_size` of the height
    """

    gain: float = 90.0
    beam: float = 0.25
    dark: float = 6.0
    bezel: float = 40.0
    read_noise: float = 1.5
    shot: float = 0.05
    band: float = 0.0
    band_at: float = 0.5
    mirror: float = 0.0
    mirror_at: tuple[float, float] = (0.3, 0.3)
    mirror_size: float = 0.15


@dataclass(frozen=True, slots=True)
class Film:
    """The printed film as it lies on the glass: dots every `pitch` mm, three of them larger as marks.

    `stretch`: times by which the printer made it too wide and too high.

    The marks are the middle one, the second to its right and the first above it.
    """

    width: float = 240.0
    height: float = 180.0
    pitch: float = 15.0
    dot: float = 2.5
    mark: float = 5.0
    stretch: tuple[float, float] = (1.0, 1.0)
    paper: float = 170.0
    ink: float = 30.0

    def dots(self) -> list[tuple[float, float, float]]:
        """(x, y, diameter) of every dot, mm."""
        across, up = (int((side / 2.0 - self.dot) // self.pitch) for side in (self.width, self.height))
        wide, high = self.pitch * self.stretch[0], self.pitch * self.stretch[1]
        large = {(0, 0), (2, 0), (0, 1)}
        return [
            (column * wide, row * high, self.mark if (column, row) in large else self.dot)
            for row in range(-up, up + 1)
            for column in range(-across, across + 1)
        ]


@dataclass(slots=True)
class Renderer:
    """Draws frames for one camera before one tube; the sensor's noise comes from `seed`."""

    optics: Optics
    screen: tuple[float, float] = (240.0, 180.0)
    corner_marks: bool = True
    seed: int = 0
    _random: np.random.Generator = field(init=False)
    _stage: Image | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self._random = np.random.default_rng(self.seed)

    def picture(self, strokes: Sequence[Stroke], light: Light) -> NDArray[np.uint8]:
        """A frame of glowing strokes, shape (height, width)."""
        glow = self._glow(strokes, light)
        return self._exposed(self._surround(light) + glow * self._band(light), light)

    def film(self, film: Film, light: Light) -> NDArray[np.uint8]:
        """A frame of the film under room light, shape (height, width)."""
        height, width = self.optics.sensor.height, self.optics.sensor.width
        image = np.full((height, width), light.bezel)
        corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * np.array([film.width, film.height]) / 2.0
        image[self._inside(corners)] = film.paper
        dots = np.array(film.dots())
        where = self.optics.film(dots[:, :2])
        across = self.optics.film(dots[:, :2] + np.column_stack([dots[:, 2] / 2.0, np.zeros(len(dots))])) - where
        upright = self.optics.film(dots[:, :2] + np.column_stack([np.zeros(len(dots)), dots[:, 2] / 2.0])) - where
        for middle, right, up in zip(where, across, upright, strict=True):
            _ink(image, middle, right, up, film.ink - film.paper, self.optics.sensor.blur)
        return self._exposed(image, light)

    def _glow(self, strokes: Sequence[Stroke], light: Light) -> Image:
        """Codes of light of all strokes: points along each, each a Gaussian spot."""
        height, width = self.optics.sensor.height, self.optics.sensor.width
        image = np.zeros(height * width)
        pieces = [_stepped(stroke, 0.12) for stroke in strokes]
        if not pieces:
            return image.reshape(height, width)
        xy = np.concatenate([piece[0] for piece in pieces])
        weight = np.concatenate([piece[1] for piece in pieces])
        pixels = self.optics.phosphor(xy)
        scale = self._scale()
        sigma = math.hypot(light.beam * scale, self.optics.sensor.blur)
        weight = weight * scale * light.gain * math.sqrt(2.0 * math.pi) * sigma  # of a line: its peak is `gain`
        _spots(image, pixels, weight, sigma, height, width)
        return image.reshape(height, width)

    def _scale(self) -> float:
        """Pixels per millimetre in the middle."""
        ends = self.optics.phosphor(np.array([[-5.0, 0.0], [5.0, 0.0]]))
        return float(np.linalg.norm(ends[1] - ends[0])) / 10.0

    def _surround(self, light: Light) -> Image:
        """The face, its bezel, and white marks with black middles in the bezel's corners."""
        if self._stage is None:
            height, width = self.optics.sensor.height, self.optics.sensor.width
            stage = np.ones((height, width))
            half = np.array(self.screen) / 2.0
            corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
            stage[self._inside(corners * half)] = 0.0
            if self.corner_marks:
                for corner in corners * (half + 8.0):
                    middle = self.optics.film(corner[None, :])[0]
                    radius = 4.0 * self._scale()
                    _ink(stage, middle, np.array([radius, 0.0]), np.array([0.0, radius]), 3.5, 0.7)
                    _ink(stage, middle, np.array([radius / 2, 0.0]), np.array([0.0, radius / 2]), -4.3, 0.7)
            self._stage = stage
        surround = light.dark + self._stage * (light.bezel - light.dark)
        if light.mirror:
            surround = surround + self._mirror(light)
        return surround

    def _mirror(self, light: Light) -> Image:
        height, width = self.optics.sensor.height, self.optics.sensor.width
        columns, rows = np.arange(width) / width, np.arange(height) / height
        size = light.mirror_size
        across = np.exp(-(((columns - light.mirror_at[0]) * width / height / size) ** 2))
        upright = np.exp(-(((rows - light.mirror_at[1]) / size) ** 2))
        return light.mirror * np.outer(upright, across)

    def _band(self, light: Light) -> Image:
        rows = np.arange(self.optics.sensor.height) / self.optics.sensor.height
        return (1.0 - light.band * (0.5 + 0.5 * np.cos(2.0 * np.pi * (rows - light.band_at))))[:, None]

    def _inside(self, corners: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Pixels within the quadrilateral of these points of the front (its sides followed round the curve)."""
        height, width = self.optics.sensor.height, self.optics.sensor.width
        steps = np.linspace(0.0, 1.0, 40, endpoint=False)[:, None]
        outline = np.concatenate(
            [a + steps * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
        )
        polygon = self.optics.film(outline)
        inside = np.zeros((height, width), dtype=bool)
        following = np.roll(polygon, -1, axis=0)
        for row in range(height):
            crosses = (polygon[:, 1] > row) != (following[:, 1] > row)
            if crosses.any():
                a, b = polygon[crosses], following[crosses]
                at = np.sort(a[:, 0] + (row - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))
                for left, right in zip(at[::2], at[1::2], strict=False):
                    inside[row, max(0, math.ceil(left)) : max(0, math.floor(right) + 1)] = True
        return inside

    def _exposed(self, image: Image, light: Light) -> NDArray[np.uint8]:
        sigma = np.sqrt(light.read_noise**2 + light.shot * np.maximum(image, 0.0))
        noisy = image + sigma * self._random.standard_normal(image.shape, dtype=np.float32)
        return np.clip(np.rint(noisy), 0.0, 255.0).astype(np.uint8)


def jpeg(frame: NDArray[np.uint8], quality: int = 80) -> bytes:
    """A frame as a camera sends it: JPEG of this quality, grey values in all three colours."""
    from PIL import Image as Pillow  # an extra; who serves no camera does without

    out = io.BytesIO()
    Pillow.fromarray(frame).convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


def _stepped(stroke: Stroke, step: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points every `step` mm along a stroke, and how many millimetres times brightness each stands for."""
    lengths = np.hypot(*np.diff(stroke.points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(2, math.ceil(along[-1] / step))
    middles = (np.arange(count) + 0.5) * along[-1] / count
    xy = np.column_stack([np.interp(middles, along, stroke.points[:, axis]) for axis in (0, 1)])
    return xy, np.full(count, stroke.brightness * along[-1] / count)


def _spots(
    image: Image, pixels: NDArray[np.float64], weight: NDArray[np.float64], sigma: float, height: int, width: int
) -> None:
    """Add Gaussian spots of these weights (their sum over pixels) to the flat image."""
    reach = math.ceil(3.7 * sigma)
    inside = (
        (pixels[:, 0] > reach)
        & (pixels[:, 0] < width - reach - 1)
        & (pixels[:, 1] > reach)
        & (pixels[:, 1] < height - reach - 1)
    )
    pixels, weight = pixels[inside], weight[inside]
    nearest = np.rint(pixels).astype(np.int64)
    offsets = np.arange(-reach, reach + 1)
    across = np.exp(-0.5 * ((nearest[:, 0:1] + offsets - pixels[:, 0:1]) / sigma) ** 2)
    upright = np.exp(-0.5 * ((nearest[:, 1:2] + offsets - pixels[:, 1:2]) / sigma) ** 2)
    weight = weight / (2.0 * np.pi * sigma**2)
    first = (nearest[:, 1] - reach) * width + nearest[:, 0]
    for number, row in enumerate(offsets):
        codes = (weight * upright[:, number])[:, None] * across
        where = first[:, None] + (row + reach) * width + offsets[None, :]
        image += np.bincount(where.ravel(), codes.ravel(), minlength=len(image))


def _ink(
    image: Image,
    middle: NDArray[np.float64],
    right: NDArray[np.float64],
    up: NDArray[np.float64],
    depth: float,
    blur: float,
) -> None:
    """Add `depth` within the ellipse about `middle` with these half axes (pixels), its edge as soft as the lens."""
    reach = math.ceil(max(np.abs(right).max(), np.abs(up).max()) + 4.0 * blur + 2.0)
    column, row = (round(float(value)) for value in middle)
    top, bottom = max(0, row - reach), min(image.shape[0], row + reach + 1)
    left, last = max(0, column - reach), min(image.shape[1], column + reach + 1)
    if top >= bottom or left >= last:
        return
    columns, rows = np.meshgrid(np.arange(left, last) - middle[0], np.arange(top, bottom) - middle[1])
    inverse = np.linalg.inv(np.column_stack([right, up]))
    distance = np.hypot(inverse[0, 0] * columns + inverse[0, 1] * rows, inverse[1, 0] * columns + inverse[1, 1] * rows)
    radius = math.sqrt(abs(np.linalg.det(np.column_stack([right, up]))))
    soft = 1.0 / (1.0 + np.exp(np.clip((distance - 1.0) * radius / (0.6 * blur), -60.0, 60.0)))
    image[top:bottom, left:last] += depth * soft
