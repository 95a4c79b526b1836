"""What a grid of tiles tells: sizes, squareness, centring, evenness, each with its standard uncertainty.

All of it is worked out on the crossings of the lines, in millimetres on the phosphor. Three things make a result
uncertain, and each is carried through to it by its own effect on the crossings: the scatter of each line's points
(with their correlation along the line), the film's map, and what is not known of glass, distance and face.

Aspect, orthogonality and size as ISO 9241-303 looks at them; pincushion, barrel and tilt as monitor service manuals
give them, in millimetres of a side's deviation from its chord and in degrees (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .glass import GlassMap
from .grid import GridLines, Line

Values = NDArray[np.float64]
CENTRING_TILT = 3.0  # degrees of view beyond which centring is refused: glass depth times tan(tilt) enters whole
PIXEL_GRID = 0.007  # pixels by which the sensor's own grid and the blocks of a JPEG pull a whole line, or its ends
_DEGREE = 3
_DRAWS = 48


@dataclass(frozen=True, slots=True)
class Measured:
    """A value in `unit` ("m", "1", "deg") with its standard uncertainty, and the parts that make it, by name."""

    value: float
    uncertainty: float
    unit: str
    parts: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where upright and level lines cross: `nodes` of shape (columns, rows, 2) mm; columns from the left, rows from
    the bottom. `scatter`: each independent part of the lines' noise as the shift that it gives the nodes.
    """

    nodes: Values
    scatter: Values

    def drawn(self) -> Values:
        """Shifts as the noise could have made them, shape (48, columns, rows, 2) mm; the same for the same picture."""
        weights = np.random.default_rng(0).standard_normal((_DRAWS, len(self.scatter)))
        return np.asarray(np.tensordot(weights, self.scatter, axes=1))


def crossings(lines: GridLines, scale: float) -> Crossings:
    """Crossings of all lines, with how the noise of each line moves them. `scale` is pixels per millimetre."""
    pixel = PIXEL_GRID / scale
    columns, rows = [_curve(line, pixel) for line in lines.columns], [_curve(line, pixel) for line in lines.rows]
    nodes = np.array([[_cross(column, row) for row in rows] for column in columns])
    shifts = []
    for number, column in enumerate(columns):
        for basis in column.shifts(nodes[number, :, 1]):
            moved = np.zeros_like(nodes)
            moved[number, :, 0] = basis
            shifts.append(moved)
    for number, row in enumerate(rows):
        for basis in row.shifts(nodes[:, number, 0]):
            moved = np.zeros_like(nodes)
            moved[:, number, 1] = basis
            shifts.append(moved)
    return Crossings(nodes, np.stack(shifts))


@dataclass(frozen=True, slots=True)
class _Curve:
    """A cubic across a line, in units of `half` about `middle`, and the square root of its coefficients' covariance."""

    coefficients: Values
    root: Values
    middle: float
    half: float

    def at(self, along: float) -> float:
        return float(np.polyval(self.coefficients, (along - self.middle) / self.half))

    def shifts(self, along: Values) -> Values:
        """How each independent part of the fit's noise moves the line at `along`, shape (4, n)."""
        powers = np.vander((along - self.middle) / self.half, _DEGREE + 1)
        return np.asarray((powers @ self.root).T)


def _curve(line: Line, pixel: float) -> _Curve:
    along, across = (line.points[:, 1], line.points[:, 0]) if line.upright else (line.points[:, 0], line.points[:, 1])
    middle, half = float(along.min() + along.max()) / 2.0, max(float(np.ptp(along)) / 2.0, 1.0)
    powers = np.vander((along - middle) / half, _DEGREE + 1)
    weight = np.ones(len(along))
    for turn in range(8):
        coefficients = np.linalg.lstsq(powers * weight[:, None], across * weight, rcond=None)[0]
        left = across - powers @ coefficients
        spread = 1.4826 * float(np.median(np.abs(left))) + 1e-6
        keep = np.abs(left) < 4.5 * spread
        # first towards the least sum of deviations, which a stretch of false points does not pull; then plainly
        weight = 1.0 / np.sqrt(np.maximum(np.abs(left), 0.3 * spread)) if turn < 5 else keep.astype(np.float64)
    free = max(int(keep.sum()) - _DEGREE - 1, 1)
    variance = float((left[keep] ** 2).sum()) / free * _correlated(left[keep])
    covariance = variance * np.linalg.inv(powers[keep].T @ powers[keep])
    for power, part in ((1, 1.0), (2, 1.0), (3, 0.7)):
        covariance[-power, -power] += (part * pixel) ** 2
    return _Curve(np.asarray(coefficients, np.float64), np.linalg.cholesky(covariance), middle, half)


def _correlated(left: Values) -> float:
    """Times by which the variance of a fit grows for the correlation along a line: one and twice the sum of the
    autocorrelations up to the first that is not positive, or a third of the line.
    """
    total = max(float(left @ left), 1e-12)
    factor = 1.0
    for lag in range(1, max(2, len(left) // 3)):
        part = float(left[:-lag] @ left[lag:]) / total
        if part <= 0.0:
            break
        factor += 2.0 * part
    return factor


def _cross(column: _Curve, row: _Curve) -> tuple[float, float]:
    x, y = column.at(column.middle), row.at(row.middle)
    for _ in range(4):
        x = column.at(y)
        y = row.at(x)
    return x, y


# What is measured on nodes of shape (..., columns, rows, 2): each gives shape (...).


def _length(vectors: Values) -> Values:
    return np.asarray(np.hypot(vectors[..., 0], vectors[..., 1]))


def _width(nodes: Values) -> Values:
    return np.asarray(_length(nodes[..., -1, :, :] - nodes[..., 0, :, :]).mean(axis=-1))


def _height(nodes: Values) -> Values:
    return np.asarray(_length(nodes[..., :, -1, :] - nodes[..., :, 0, :]).mean(axis=-1))


def _tile_width(nodes: Values) -> Values:
    return np.asarray(_width(nodes) / (nodes.shape[-3] - 1))


def _tile_height(nodes: Values) -> Values:
    return np.asarray(_height(nodes) / (nodes.shape[-2] - 1))


def _angle(vectors: Values) -> Values:
    return np.asarray(np.degrees(np.arctan2(vectors[..., 1], vectors[..., 0])))


def _along(nodes: Values) -> Values:
    return np.asarray((nodes[..., -1, :, :] - nodes[..., 0, :, :]).mean(axis=-2))


def _up(nodes: Values) -> Values:
    return np.asarray((nodes[..., :, -1, :] - nodes[..., :, 0, :]).mean(axis=-2))


def _widths(nodes: Values) -> Values:
    return np.asarray(_length(nodes[..., 1:, :, :] - nodes[..., :-1, :, :]).mean(axis=-1))


def _heights(nodes: Values) -> Values:
    return np.asarray(_length(nodes[..., :, 1:, :] - nodes[..., :, :-1, :]).mean(axis=-2))


def _largest_over_smallest(sizes: Values) -> Values:
    return np.asarray(sizes.max(axis=-1) / sizes.min(axis=-1))


def _bows(nodes: Values) -> Values:
    """Outward deviation of each side's middle from its chord: left, right, bottom, top; shape (..., 4)."""
    sides = (nodes[..., 0, :, :], nodes[..., -1, :, :], nodes[..., :, 0, :], nodes[..., :, -1, :])
    outward = (-1.0, 1.0, -1.0, 1.0)
    axes = (0, 0, 1, 1)
    bows = []
    for side, sign, axis in zip(sides, outward, axes, strict=True):
        count = side.shape[-2]
        chord = (side[..., 0, axis] + side[..., -1, axis]) / 2.0
        lower, upper = (count - 1) // 2, count // 2
        centre = (side[..., lower, axis] + side[..., upper, axis]) / 2.0
        # with an even number of nodes the two beside the middle stand a little inwards of the sagitta's top
        beside = (0.5 / (count - 1)) * 2.0 if lower != upper else 0.0
        bows.append(sign * (centre - chord) / (1.0 - beside**2))
    return np.stack(bows, axis=-1)


def _left_right(nodes: Values) -> Values:
    """Left margin less right margin."""
    return np.asarray(nodes[..., 0, :, 0].mean(axis=-1) + nodes[..., -1, :, 0].mean(axis=-1))


def _top_bottom(nodes: Values) -> Values:
    """Top margin less bottom margin."""
    return np.asarray(-nodes[..., :, -1, 1].mean(axis=-1) - nodes[..., :, 0, 1].mean(axis=-1))


@dataclass(frozen=True, slots=True)
class _Kind:
    of: Callable[[Values], Values]
    unit: str  # "mm" here; told in metres
    centring: bool = False


MEASURES: Mapping[str, _Kind] = {
    "tile width": _Kind(_tile_width, "mm"),
    "tile height": _Kind(_tile_height, "mm"),
    "tile aspect": _Kind(lambda nodes: _tile_width(nodes) / _tile_height(nodes), "1"),
    "picture width": _Kind(_width, "mm"),
    "picture height": _Kind(_height, "mm"),
    "orthogonality": _Kind(lambda nodes: _angle(_up(nodes)) - _angle(_along(nodes)) - 90.0, "deg"),
    "picture tilt": _Kind(lambda nodes: _angle(_along(nodes)), "deg"),
    "linearity across": _Kind(lambda nodes: _largest_over_smallest(_widths(nodes)), "1"),
    "linearity down": _Kind(lambda nodes: _largest_over_smallest(_heights(nodes)), "1"),
    "bow": _Kind(lambda nodes: _bows(nodes).mean(axis=-1), "mm"),
    "worst side": _Kind(lambda nodes: np.abs(_bows(nodes)).max(axis=-1), "mm"),
    "margins left-right": _Kind(_left_right, "mm", centring=True),
    "margins top-bottom": _Kind(_top_bottom, "mm", centring=True),
}


def measure(name: str, lines: GridLines, glass_map: GlassMap) -> Measured:
    """One of `MEASURES` on the grid of a frame. Lengths come in metres.

    Raises SignalError for centring seen from more than three degrees aslant.
    """
    kind = MEASURES[name]
    if kind.centring and glass_map.tilt > CENTRING_TILT:
        raise SignalError(
            f"The camera looks {glass_map.tilt:.1f} degrees aslant at the face; the glass then shifts the picture.",
            next_step=f"Move the camera in front of the middle, to within {CENTRING_TILT:g} degrees, for centring.",
        )
    return on_crossings(kind.of, kind.unit, crossings(lines, glass_map.scale), glass_map)


def on_crossings(of: Callable[[Values], Values], unit: str, where: Crossings, glass_map: GlassMap) -> Measured:
    """Value and uncertainty of any law of the crossings."""
    nodes = where.nodes
    value = float(of(nodes))
    factor, told = (1e-3, "m") if unit == "mm" else (1.0, unit)
    parts = {
        "noise": _spread(of(nodes + where.drawn()) - value),
        "film": _combined(of(nodes + glass_map.film_shifts(nodes)) - value),
    }
    for part in glass_map.parts:
        parts[part[0]] = abs(float(of(glass_map.moved(part, nodes))) - value)
    parts = {name: factor * size for name, size in parts.items()}
    return Measured(factor * value, math.sqrt(sum(size**2 for size in parts.values())), told, parts)


def _spread(shifts: Values) -> float:
    """Root mean square: a largest or smallest of several is not only spread by noise, but also shifted."""
    return math.sqrt(float((shifts**2).mean()))


def _combined(shifts: Values) -> float:
    return math.sqrt(float((shifts**2).sum()))


def line_width(lines: GridLines) -> Measured:
    """Median full width at half maximum of all lines, metres: a figure to make least, never a width by itself."""
    widths = np.array([line.width for line in (*lines.columns, *lines.rows)])
    spread = 1.2533 * 1.4826 * float(np.median(np.abs(widths - np.median(widths)))) / math.sqrt(len(widths))
    return Measured(1e-3 * float(np.median(widths)), 1e-3 * spread, "m", {"noise": 1e-3 * spread})
