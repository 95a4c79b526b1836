"""Finding the film's dots in a frame, and which dot is which.

A dot is a dark spot on bright paper: a connected patch that is darker than its surroundings by half of the contrast,
round, and of the size that most are. The three larger ones say which is the middle and which way is up; from there
each dot is named by walking from neighbour to neighbour. A frame in which that does not work out is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .film import MARKS, Film

_LEAST_DOTS = 40  # named ones; fewer cannot carry a map of lens and curvature
_NEXT = "Lay the film flat on the face, light it evenly without mirrors of lamps, and see that all of it is in view."


@dataclass(frozen=True, slots=True)
class Dots:
    """Named dots: `places` in mm on the film and `pixels` (column, row), both of shape (n, 2)."""

    places: NDArray[np.float64]
    pixels: NDArray[np.float64]


def find_dots(grey: NDArray[np.uint8], film: Film) -> Dots:
    """The dots of `film` in a frame of codes, shape (height, width).

    Raises SignalError where the film is not seen whole enough: fewer than three marks, fewer than 40 dots, or dots in
    an order that no film has.
    """
    middles, areas = _spots(grey)
    named = _named(middles, areas, film)
    if len(named) < _LEAST_DOTS:
        raise SignalError(f"Only {len(named)} dots of the film were found.", next_step=_NEXT)
    places = film.places()
    return Dots(
        np.array([places[place] for place in named]),
        np.array([middles[number] for number in named.values()]),
    )


def _spots(grey: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middles (n, 2) and areas (n,) of dark round patches."""
    codes = grey.astype(np.float64)
    paper = _box_mean(codes, max(8, grey.shape[0] // 30))
    dark = np.maximum(paper - codes, 0.0)
    contrast = float(np.percentile(dark, 99.5))
    if contrast < 12.0:
        raise SignalError("There are no dark dots on bright paper in this frame.", next_step=_NEXT)
    labels, count = _labelled(dark > 0.4 * contrast)
    if count == 0:
        raise SignalError("There are no dots in this frame.", next_step=_NEXT)
    rows, columns = np.nonzero(labels)
    of = labels[rows, columns] - 1
    areas = np.bincount(of, minlength=count).astype(np.float64)
    high, wide = (_extent(axis, of, count) for axis in (rows, columns))
    # a disc fills pi/4 of its box; one seen aslant, or leaning, hardly less
    good = (areas >= 9) & (areas > 0.6 * high * wide) & (high < 2.0 * wide) & (wide < 2.0 * high)
    good &= areas < 0.01 * grey.size
    height, width = grey.shape
    starts = np.array([_first(axis, of, count) for axis in (rows, columns)])
    inside = (starts[0] > 1) & (starts[1] > 1) & (starts[0] + high < height - 1) & (starts[1] + wide < width - 1)
    keep = np.flatnonzero(good & inside)
    middles = np.array([_centroid(dark, starts[:, n], high[n], wide[n]) for n in keep]).reshape(-1, 2)
    return middles, areas[keep]


def _box_mean(codes: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Mean over a square of 2 half + 1 pixels about each, cut at the edges."""
    for axis in (0, 1):
        length = codes.shape[axis]
        summed = np.cumsum(np.insert(codes, 0, 0.0, axis=axis), axis=axis)
        first = np.clip(np.arange(length) - half, 0, length)
        last = np.clip(np.arange(length) + half + 1, 0, length)
        shape = (-1, 1) if axis == 0 else (1, -1)
        codes = (np.take(summed, last, axis) - np.take(summed, first, axis)) / (last - first).reshape(shape)
    return codes


def _labelled(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], int]:
    """Numbers 1 to n for connected patches (four neighbours), 0 elsewhere; and n. Works on runs, row by row."""
    padded = np.pad(mask, ((0, 0), (1, 1))).astype(np.int8)
    steps = np.diff(padded, axis=1)
    run_rows, starts = np.nonzero(steps == 1)
    _, ends = np.nonzero(steps == -1)
    parent = list(range(len(starts)))

    def root(run: int) -> int:
        while parent[run] != run:
            parent[run] = parent[parent[run]]
            run = parent[run]
        return run

    first_of_row = np.searchsorted(run_rows, np.arange(mask.shape[0] + 1)).tolist()
    begins, stops = starts.tolist(), ends.tolist()
    for row in range(1, mask.shape[0]):
        above, last_above = first_of_row[row - 1], first_of_row[row]
        for run in range(first_of_row[row], first_of_row[row + 1]):
            while above < last_above and stops[above] <= begins[run]:
                above += 1
            other = above
            while other < last_above and begins[other] < stops[run]:
                parent[root(other)] = root(run)
                other += 1
    roots = np.array([root(run) for run in range(len(starts))], dtype=np.int64)
    kept, numbers = np.unique(roots, return_inverse=True)
    labels = np.zeros(mask.shape[0] * mask.shape[1] + 1, dtype=np.int64)
    flat = run_rows * mask.shape[1]
    np.add.at(labels, flat + starts, numbers + 1)
    np.subtract.at(labels, flat + ends, numbers + 1)
    return np.cumsum(labels[:-1]).reshape(mask.shape), len(kept)


def _first(axis: NDArray[np.int64], of: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    least = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(least, of, axis)
    return least


def _extent(axis: NDArray[np.int64], of: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    most = np.full(count, -1)
    np.maximum.at(most, of, axis)
    return most - _first(axis, of, count) + 1


def _centroid(dark: NDArray[np.float64], start: NDArray[np.int64], high: int, wide: int) -> tuple[float, float]:
    """Middle (column, row) of one dot by its darkness, over its box and a margin, less what lies about it."""
    margin = max(2, int(0.35 * max(high, wide)))
    top, left = max(0, int(start[0]) - margin), max(0, int(start[1]) - margin)
    patch = dark[top : int(start[0]) + high + margin, left : int(start[1]) + wide + margin]
    rim = np.concatenate([patch[0], patch[-1], patch[1:-1, 0], patch[1:-1, -1]])
    weight = np.maximum(patch - np.median(rim) - 0.15 * (patch.max() - np.median(rim)), 0.0)
    total = weight.sum()
    rows, columns = np.arange(patch.shape[0]), np.arange(patch.shape[1])
    return float((weight.sum(axis=0) @ columns) / total) + left, float((weight.sum(axis=1) @ rows) / total) + top


def _named(middles: NDArray[np.float64], areas: NDArray[np.float64], film: Film) -> dict[tuple[int, int], int]:
    """(column, row) -> number of the dot, from whichever order of the three marks names the most."""
    usual = float(np.median(areas)) if len(areas) else 0.0
    ratio = (film.mark / film.dot) ** 2
    marks = np.flatnonzero((areas > usual * (1.0 + ratio) / 2.0) & (areas < 2.0 * ratio * usual))
    if len(marks) != 3:
        raise SignalError(f"{len(marks)} of the film's three large dots were found.", next_step=_NEXT)
    best: dict[tuple[int, int], int] = {}
    for middle in marks:
        for right in marks:
            above = int(marks.sum() - middle - right)
            if right == middle or not _plausible(middles, int(middle), int(right), above):
                continue
            named = _walk(middles, int(middle), int(right), above, film)
            best = max(best, named, key=len)
    if not best:
        raise SignalError("The film's large dots stand in an order that no film has.", next_step=_NEXT)
    return best


def _plausible(middles: NDArray[np.float64], middle: int, right: int, above: int) -> bool:
    """Right twice as far as above, about square to it, and not mirrored (rows grow downwards)."""
    along, up = middles[right] - middles[middle], middles[above] - middles[middle]
    lengths = np.hypot(*along), np.hypot(*up)
    cross = along[0] * up[1] - along[1] * up[0]
    return bool(1.3 < lengths[0] / lengths[1] < 3.0 and cross < -0.7 * lengths[0] * lengths[1])


def _walk(middles: NDArray[np.float64], middle: int, right: int, above: int, film: Film) -> dict[tuple[int, int], int]:
    """Name dots outwards from the marks, each from a neighbour and the steps seen there."""
    along, up = (middles[right] - middles[middle]) / 2.0, middles[above] - middles[middle]
    named = {(0, 0): middle}
    steps = {(0, 0): (along, up)}
    places = film.places()
    queue = [(0, 0)]
    while queue:
        place = queue.pop(0)
        for direction in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            target = (place[0] + direction[0], place[1] + direction[1])
            if target in named or target not in places:
                continue
            step_x, step_y = steps[place]
            guess = middles[named[place]] + direction[0] * step_x + direction[1] * step_y
            away = np.hypot(*(middles - guess).T)
            nearest = int(np.argmin(away))
            if away[nearest] > 0.25 * min(np.hypot(*step_x), np.hypot(*step_y)):
                continue
            named[target] = nearest
            seen = (middles[nearest] - middles[named[place]]) * (sum(direction))
            steps[target] = (seen, step_y) if direction[0] else (step_x, seen)
            queue.append(target)
    right_ones = all(named.get(place) in (middle, right, above) for place in MARKS)
    return named if right_ones and len(set(named.values())) == len(named) else {}
