"""The lines of a grid of tiles in a frame: found roughly, then followed, each to parts of a pixel.

Looking for it from nothing takes an unbent picture of the face at a coarse step; strips of it are summed into a comb of
lines, whose pitch may be a fifth off what is expected. A grid that was found once is found again from where it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .glass import GlassMap
from .strokes import Profiles, profiles, sample

Values = NDArray[np.float64]

_COARSE = 0.4  # mm
_ROUGH = 1.0  # mm
_STRIP, _FAINT_STRIP = 5.0, 0.35  # mm; of a line's usual height
_PITCH_OFF = 0.2
_CLEAR = 1.7  # mm beside a crossing that are left out
LEAST_SEEN = 0.45  # of a line; less is a picture that was not drawn whole while the shutter was open
MIRROR = 3.0  # times a line's peak
_MOST_SATURATED, _MOST_MIRRORED = 0.1, 0.1  # of a line
_NEXT = "See that the grid is on the screen, bright enough, in focus, and all of it in view."


@dataclass(frozen=True, slots=True)
class Expected:
    """The grid as it should be: tiles across and down, and the size of one in mm."""

    across: int
    down: int
    tile_width: float
    tile_height: float


@dataclass(frozen=True, slots=True)
class Line:
    """One line: points that count, shape (n, 2) mm; median full width at half maximum, mm, and median peak, codes.

    `upright` True: x as a function of y. `seen` is the part of the looked-for points that counted; `mirrored` the part
    where what lies about the line is brighter than the line is.
    """

    points: Values
    width: float
    peak: float
    upright: bool
    seen: float
    mirrored: float


@dataclass(frozen=True, slots=True)
class GridLines:
    """Upright lines from left to right, level lines from bottom to top."""

    columns: tuple[Line, ...]
    rows: tuple[Line, ...]


def find_grid(
    grey: NDArray[np.uint8], glass_map: GlassMap, screen: tuple[float, float], expected: Expected
) -> GridLines:
    """Look for the grid from nothing. Raises SignalError where it is not there whole."""
    face = _unbent(grey, glass_map, screen)
    columns = _combed(face, expected.across + 1, expected.tile_width, screen[0], "upright")
    rows = _combed(face.T, expected.down + 1, expected.tile_height, screen[1], "level")
    return _followed(grey, glass_map, columns, rows)


def find_again(grey: NDArray[np.uint8], glass_map: GlassMap, before: GridLines) -> GridLines:
    """The grid near where it was in the frame before. Raises SignalError where it is not."""
    columns = np.stack([_as_polynomial(line) for line in before.columns])
    rows = np.stack([_as_polynomial(line) for line in before.rows])
    return _followed(grey, glass_map, columns, rows)


def _as_polynomial(line: Line) -> Values:
    """Coefficients of a parabola across the line, highest first."""
    along, across = (line.points[:, 1], line.points[:, 0]) if line.upright else (line.points[:, 0], line.points[:, 1])
    return np.asarray(np.polyfit(along, across, 2))


def _unbent(grey: NDArray[np.uint8], glass_map: GlassMap, screen: tuple[float, float]) -> Values:
    """The face on a lattice of 0.4 mm, its slow light taken off; rows from bottom to top."""
    x = np.arange(-screen[0] / 2.0 + 1.0, screen[0] / 2.0 - 1.0, _COARSE)
    y = np.arange(-screen[1] / 2.0 + 1.0, screen[1] / 2.0 - 1.0, _COARSE)
    # the map is smooth: asked on a wide lattice, it is drawn out between
    wide_x, wide_y = x[::8], y[::8]
    wide_x, wide_y = np.append(wide_x, x[-1]), np.append(wide_y, y[-1])
    grid = np.stack(np.meshgrid(wide_x, wide_y), axis=2)
    pixels = glass_map.pixels(grid)
    full = np.empty((len(y), len(x), 2))
    for axis in (0, 1):
        across = np.stack([np.interp(x, wide_x, row) for row in pixels[:, :, axis]])
        at = np.clip(np.searchsorted(wide_y, y, side="right") - 1, 0, len(wide_y) - 2)
        part = ((y - wide_y[at]) / (wide_y[at + 1] - wide_y[at]))[:, None]
        full[:, :, axis] = across[at] * (1.0 - part) + across[at + 1] * part
    return np.nan_to_num(sample(grey, full))


def _combed(face: Values, count: int, pitch: float, side: float, way: str) -> Values:
    """Rough places of `count` lines that run along the face's rows' direction: parabolas, shape (count, 3)."""
    edges = np.linspace(0, face.shape[0], round(face.shape[0] * _COARSE / _STRIP) + 1).astype(int)
    heights = (edges[:-1] + edges[1:]) / 2.0
    summed = np.stack([np.median(face[a:b], axis=0) for a, b in pairwise(edges)])
    summed = np.maximum(summed - _slow(summed, int(4.0 / _COARSE)), 0.0)
    centre = len(summed) // 2
    middle = summed[centre - 2 : centre + 2].sum(axis=0)
    first, step = _comb(middle, count, pitch)
    begin = np.asarray(first + step * np.arange(count), np.float64)
    found = np.full((len(summed), count), np.nan)
    for order in (range(centre, len(summed)), range(centre - 1, -1, -1)):
        guess = begin.copy()
        for number in order:
            at = _peaks(summed[number], guess, step)
            found[number] = at
            guess = np.where(np.isfinite(at), at, guess)
    samples = np.nan_to_num(found).round().astype(int)
    high = np.take_along_axis(summed, np.clip(samples, 0, summed.shape[1] - 1), axis=1)
    # beyond the picture's sides there is nothing but noise, and noise has peaks too
    found[high < _FAINT_STRIP * np.percentile(high, 75, axis=0)] = np.nan
    enough = np.isfinite(found).sum(axis=0) >= max(4, len(summed) // 3)
    if not enough.all():
        raise SignalError(f"{int((~enough).sum())} of the grid's {count} {way} lines were not found.", next_step=_NEXT)
    half_rows, half_side = face.shape[0] * _COARSE / 2.0, side / 2.0 - 1.0
    lines = []
    for column in found.T:
        there = np.isfinite(column)
        lines.append(_parabola(heights[there] * _COARSE - half_rows, column[there] * _COARSE - half_side))
    return np.stack(lines)


def _parabola(along: Values, across: Values) -> Values:
    """A parabola through rough places of which some may be wrong: towards the least sum of deviations, then plainly
    through those that lie near it.
    """
    weight = np.ones(len(along))
    for _ in range(8):
        curve = np.polyfit(along, across, 2, w=weight)
        away = np.abs(across - np.polyval(curve, along))
        weight = 1.0 / np.sqrt(np.maximum(away, 0.05))
    near = away < max(_ROUGH, 2.0 * float(np.median(away)))
    return np.asarray(np.polyfit(along[near], across[near], 2))


def _slow(rows: Values, half: int) -> Values:
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    padded = np.pad(rows, ((0, 0), (half, half)), mode="edge")
    return np.stack([np.convolve(row, kernel, mode="valid") for row in padded])


def _comb(profile: Values, count: int, pitch: float) -> tuple[float, float]:
    """First line and step, in samples, of the comb of `count` teeth that the profile answers to best."""
    smooth = np.convolve(profile, np.array([0.25, 0.5, 1.0, 0.5, 0.25]), mode="same")
    smooth = np.minimum(smooth, 4.0 * np.percentile(smooth, 95) + 1e-9)
    best = (-1.0, 0.0, 0.0)
    positions = np.arange(len(smooth))
    for step in np.arange((1.0 - _PITCH_OFF) * pitch / _COARSE, (1.0 + _PITCH_OFF) * pitch / _COARSE, 0.1):
        starts = np.arange(0.0, len(smooth) - 1 - step * (count - 1), 0.5)
        if not len(starts):
            continue
        teeth = starts[:, None] + step * np.arange(count)[None, :]
        heights = np.interp(teeth.ravel(), positions, smooth).reshape(teeth.shape)
        score = np.sqrt(heights).mean(axis=1)
        at = int(score.argmax())
        if score[at] > best[0]:
            best = (float(score[at]), float(starts[at]), float(step))
    if best[0] <= 0.0:
        raise SignalError("No grid was found in this frame.", next_step=_NEXT)
    return best[1], best[2]


def _peaks(profile: Values, guess: Values, step: float) -> Values:
    """The peak nearest to each guess within a fifth of a step; nan where there is none that stands out."""
    reach = max(3, int(0.2 * step))
    floor = 2.0 * float(np.median(profile)) + 0.15 * float(np.percentile(profile, 97)) + 1e-9
    found = np.full(len(guess), np.nan)
    for number, at in enumerate(guess):
        left = max(0, round(float(at)) - reach)
        piece = profile[left : round(float(at)) + reach + 1]
        if len(piece) and piece.max() > floor:
            near = np.maximum(piece - 0.5 * piece.max(), 0.0)
            found[number] = left + float(near @ np.arange(len(piece))) / float(near.sum())
    return found


def _followed(grey: NDArray[np.uint8], glass_map: GlassMap, columns: Values, rows: Values) -> GridLines:
    """Each line in fine steps, clear of the crossings and of the outer corners."""
    cross_y = [_crossings(column, rows) for column in columns]
    cross_x = [_crossings(row, columns) for row in rows]
    lines = [
        *((column, np.array(at), True) for column, at in zip(columns, cross_y, strict=True)),
        *((row, np.array(at), False) for row, at in zip(rows, cross_x, strict=True)),
    ]
    stations = [_stations(crossings) for _, crossings, _ in lines]
    places, directions = [], []
    for (curve, _, upright), along in zip(lines, stations, strict=True):
        across = np.polyval(curve, along)
        places.append(np.column_stack([across, along] if upright else [along, across]))
        directions.append(np.tile([1.0, 0.0] if upright else [0.0, 1.0], (len(along), 1)))
    direction = np.concatenate(directions)[:, None, :]
    fitted = profiles(grey, glass_map, np.concatenate(places), direction)
    made, start = [], 0
    for (_, _, upright), where in zip(lines, places, strict=True):
        made.append(_line(where, fitted, slice(start, start + len(where)), upright))
        start += len(where)
    return GridLines(tuple(made[: len(columns)]), tuple(made[len(columns) :]))


def _crossings(curve: Values, others: Values) -> list[float]:
    """Where along a curve it meets each of the others (which run the other way)."""
    met = []
    for other in others:
        along = float(np.polyval(other, 0.0))
        for _ in range(4):
            along = float(np.polyval(other, np.polyval(curve, along)))
        met.append(along)
    return met


def _stations(crossings: Values, step: float = 0.9) -> Values:
    along = np.arange(crossings[0] + _CLEAR, crossings[-1] - _CLEAR, step)
    clear = np.abs(along[:, None] - crossings[None, :]).min(axis=1) > _CLEAR
    return np.asarray(along[clear])


def _line(where: Values, fitted: Profiles, part: slice, upright: bool) -> Line:
    good = fitted.good[part]
    width = float(np.median(fitted.width[part][good])) if good.any() else 1.0
    peak = float(np.median(fitted.peak[part][good])) if good.any() else 1.0
    good &= (fitted.width[part] < 2.0 * width) & (fitted.width[part] > 0.5 * width) & (fitted.peak[part] > 0.25 * peak)
    name = "An upright" if upright else "A level"
    if fitted.saturated[part].mean() > _MOST_SATURATED:
        raise SignalError(
            f"{name} line of the grid is too bright for the camera.",
            next_step="Turn the camera's exposure down, or the intensity.",
        )
    if good.sum() < max(8, LEAST_SEEN * len(where)):
        raise SignalError(
            f"{name} line of the grid cannot be followed: {good.mean():.0%} of it counts.", next_step=_NEXT
        )
    mirrored = float((fitted.level[part] > MIRROR * peak).mean())
    if mirrored > _MOST_MIRRORED:
        raise SignalError(
            f"Something bright is mirrored across {name.lower()} line of the grid.",
            next_step="Switch the lamp off, or move it or a screen until its mirror image is gone.",
        )
    points = where[good].copy()
    points[:, 0 if upright else 1] += fitted.offset[part][good]
    return Line(points, width, peak, upright, float(good.mean()), mirrored)
