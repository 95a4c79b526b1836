"""The map from millimetres on the tube to pixels of one camera, with what is known of its errors.

The film gives the map of the glass's front: a homography, and on it polynomials of degree five in x and y for lens
and curvature. What glows lies behind the glass; where a ray from there leaves the front follows from Snell's law,
the eye's place, the face's radius and the depth of the glass. The eye's place comes from the film's perspective and
from the distance that somebody measured.

The direct linear transform is that of Hartley and Zisserman, Multiple View Geometry, 2nd ed., algorithm 4.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .dots import Dots
from .eye import find_eye

Points = NDArray[np.float64]

DEGREE = 5
INDEX, INDEX_UNCERTAINTY = 1.52, 0.015  # tube glasses; standard uncertainty
# A printed film, standard uncertainties of its scale and of width against height (common practice, no source)
FILM_SCALE, FILM_ASPECT = 0.0006, 0.0002
_WORST_RESIDUAL = 0.25  # mm; beyond it the film was not lying as it should


@dataclass(frozen=True, slots=True)
class Glass:
    """What is known of the tube's face and of the camera's place, in mm, each with its standard uncertainty.

    depth     from the front to the phosphor
    radius    of the front's curvature; infinite for a flat face
    distance  from the lens to the middle of the glass
    """

    distance: float
    distance_uncertainty: float = 15.0
    depth: float = 7.0
    depth_uncertainty: float = 1.5
    radius: float = math.inf
    radius_uncertainty: float = 0.1  # as a part of it


@dataclass(frozen=True, slots=True)
class GlassMap:
    """Millimetres of the phosphor to pixels. Made by `fit`.

    residual  how far the film's dots lie from the map, RMS, mm
    root      square root of the covariance of the map's coefficients, mm, shape (21, 21)
    tilt      degrees between the camera's line of sight to the middle and the face's normal there
    eye       the lens in mm, (x, y, z)
    scale     pixels per millimetre in the middle
    parts     for each uncertain thing, how far it moves places: (name, polynomial) in mm per standard uncertainty
    """

    coefficients: Points
    size: float
    homography: Points
    residual: float
    root: Points
    tilt: float
    eye: tuple[float, float, float]
    scale: float
    glass: Glass
    parts: tuple[tuple[str, Points], ...]

    def pixels(self, places: Points) -> Points:
        """Pixels (column, row) of glowing places in mm, both of shape (..., 2)."""
        flat = places.reshape(-1, 2)
        seen = _powers(flat / self.size) @ self.coefficients
        return seen.reshape(places.shape)

    def places(self, pixels: Points) -> Points:
        """Places in mm of pixels, shape (n, 2): the inverse of `pixels`, by Newton's steps."""
        guess = _through(np.asarray(np.linalg.inv(self.homography), np.float64), pixels)
        for _ in range(8):
            seen = self.pixels(guess)
            shifts = np.array([[0.1, 0.0], [0.0, 0.1]])
            jacobian = np.stack([(self.pixels(guess + shift) - seen) / 0.1 for shift in shifts], axis=2)
            guess = guess + np.linalg.solve(jacobian, (pixels - seen)[:, :, None])[:, :, 0]
        return guess

    def film_shifts(self, places: Points) -> Points:
        """How each independent part of the map's own uncertainty moves places of shape (..., 2): (42, ..., 2) mm."""
        sizes = (_powers(places.reshape(-1, 2) / self.size) @ self.root).T
        shifts = np.zeros((2, len(sizes), sizes.shape[1], 2))
        for axis in (0, 1):
            shifts[axis, :, :, axis] = sizes
        return shifts.reshape(-1, *places.shape)

    def moved(self, name_and_part: tuple[str, Points], places: Points) -> Points:
        """Where measured places would lie if one uncertain thing were off by its standard uncertainty."""
        flat = places.reshape(-1, 2)
        return places + (_powers(flat / self.size) @ name_and_part[1]).reshape(places.shape)


def fit(dots: Dots, sensor: tuple[int, int], glass: Glass, screen: tuple[float, float]) -> GlassMap:
    """The map of one set-up. `sensor` is width and height in pixels, `screen` width and height in mm.

    Raises SignalError where the dots do not lie on a smooth map to a quarter of a millimetre.
    """
    size = max(screen) / 2.0
    homography = _homography(dots.places, dots.pixels)
    front, residual_pixels, root = _smooth(dots, homography, size)
    scale = _scale_of(homography)
    residual = residual_pixels / scale
    if residual > _WORST_RESIDUAL:
        raise SignalError(
            f"The film's dots lie {residual:.2f} mm off any smooth map.",
            next_step="Lay the film on without folds, let the camera stand still, and take its picture again.",
        )
    eye_of = partial(_eye, dots, sensor, scale)
    eye = eye_of(glass)
    lattice = _lattice(screen)
    coefficients = _behind(front, lattice, size, eye, glass)
    base = GlassMap(
        coefficients=coefficients,
        size=size,
        homography=homography,
        residual=residual,
        root=root / scale,
        tilt=math.degrees(math.atan2(math.hypot(eye[0], eye[1]), eye[2])),
        eye=eye,
        scale=scale,
        glass=glass,
        parts=(),
    )
    return replace(base, parts=_parts(base, front, lattice, eye_of))


def _parts(
    base: GlassMap, front: _Front, lattice: Points, eye_of: Callable[[Glass], tuple[float, float, float]]
) -> tuple[tuple[str, Points], ...]:
    """How far a place moves with each uncertain thing, as polynomials of the place."""
    glass = base.glass
    others: list[tuple[str, Glass, float]] = [
        ("depth of the glass", replace(glass, depth=glass.depth + glass.depth_uncertainty), INDEX),
        ("index of the glass", glass, INDEX + INDEX_UNCERTAINTY),
        ("distance", replace(glass, distance=glass.distance + glass.distance_uncertainty), INDEX),
    ]
    if not math.isinf(glass.radius):
        bent = replace(glass, radius=glass.radius * (1.0 + glass.radius_uncertainty))
        others.append(("radius of the face", bent, INDEX))
    parts = []
    powers = _powers(lattice / base.size)
    seen = base.pixels(lattice)
    shifts = np.array([[0.1, 0.0], [0.0, 0.1]])
    jacobian = np.stack([(base.pixels(lattice + shift) - seen) / 0.1 for shift in shifts], axis=2)
    for name, other, index in others:
        coefficients = _behind(front, lattice, base.size, eye_of(other), other, index)
        off = (powers @ coefficients - seen)[:, :, None]
        # the pixel stays, so the place moves against it
        moved = -np.linalg.solve(jacobian, off)[:, :, 0]
        parts.append((name, np.linalg.lstsq(powers, moved, rcond=None)[0]))
    for name, stretch in (("scale of the film", (FILM_SCALE, FILM_SCALE)), ("width of the film", (FILM_ASPECT, 0.0))):
        parts.append((name, np.linalg.lstsq(powers, lattice * np.array(stretch), rcond=None)[0]))
    return tuple(parts)


def _powers(unit: Points) -> Points:
    """x^a y^b up to the fifth degree together, shape (n, 21)."""
    x, y = unit[:, 0], unit[:, 1]
    x_powers = [np.ones_like(x)]
    y_powers = [np.ones_like(y)]
    for _ in range(DEGREE):
        x_powers.append(x_powers[-1] * x)
        y_powers.append(y_powers[-1] * y)
    return np.column_stack([x_powers[a] * y_powers[b] for a in range(DEGREE + 1) for b in range(DEGREE + 1 - a)])


def _homography(places: Points, pixels: Points) -> Points:
    """The plane perspective that takes places to pixels, 3 x 3."""
    to_unit, from_unit = _normalised(places), _normalised(pixels)
    a, b = _through(to_unit, places), _through(from_unit, pixels)
    zeros, ones = np.zeros(len(a)), np.ones(len(a))
    x, y, u, v = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    upper = np.column_stack([-x, -y, -ones, zeros, zeros, zeros, u * x, u * y, u])
    lower = np.column_stack([zeros, zeros, zeros, -x, -y, -ones, v * x, v * y, v])
    _, _, rows = np.linalg.svd(np.concatenate([upper, lower]), full_matrices=False)
    matrix: Points = np.linalg.inv(from_unit) @ rows[-1].reshape(3, 3) @ to_unit
    return np.asarray(matrix / matrix[2, 2])


def _normalised(points: Points) -> Points:
    middle = points.mean(axis=0)
    spread = math.sqrt(2.0) / float(np.hypot(*(points - middle).T).mean())
    return np.array([[spread, 0.0, -spread * middle[0]], [0.0, spread, -spread * middle[1]], [0.0, 0.0, 1.0]])


def _through(matrix: Points, points: Points) -> Points:
    lifted: Points = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    seen: Points = lifted[:, :2] / lifted[:, 2:3]
    return seen


def _scale_of(homography: Points) -> float:
    """Pixels per millimetre in the middle, the mean of both ways."""
    ends = _through(homography, np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]]))
    return float(np.hypot(*(ends[1] - ends[0])) + np.hypot(*(ends[3] - ends[2]))) / 4.0


@dataclass(frozen=True, slots=True)
class _Front:
    """Film to pixels: homography and polynomials."""

    homography: Points
    coefficients: Points
    size: float

    def pixels(self, places: Points) -> Points:
        return np.asarray(_through(self.homography, places) + _powers(places / self.size) @ self.coefficients)


def _smooth(dots: Dots, homography: Points, size: float) -> tuple[_Front, float, Points]:
    """The front's map, its residual in pixels (RMS, for the degrees of freedom left), and the square root of the
    covariance of its coefficients in pixels, the same for both ways.
    """
    left = dots.pixels - _through(homography, dots.places)
    powers = _powers(dots.places / size)
    keep = np.ones(len(left), dtype=bool)
    for _ in range(3):
        coefficients = np.linalg.lstsq(powers[keep], left[keep], rcond=None)[0]
        away = np.hypot(*(left - powers @ coefficients).T)
        free = max(int(keep.sum()) - powers.shape[1], 1)
        residual = math.sqrt(float((away[keep] ** 2).sum()) / free / 2.0)
        keep = away < 5.0 * residual + 1e-9
    _, singular, back = np.linalg.svd(powers[keep], full_matrices=False)
    return (
        _Front(homography, np.asarray(coefficients, np.float64), size),
        residual,
        np.asarray(residual * back.T / singular),
    )


def _eye(dots: Dots, sensor: tuple[int, int], scale: float, glass: Glass) -> tuple[float, float, float]:
    return find_eye(dots.places, dots.pixels, sensor, glass.distance, glass.radius, scale * glass.distance)


def _lattice(screen: tuple[float, float]) -> Points:
    x = np.linspace(-0.5 * screen[0], 0.5 * screen[0], 25)
    y = np.linspace(-0.5 * screen[1], 0.5 * screen[1], 19)
    columns, rows = np.meshgrid(x, y)
    return np.column_stack([columns.ravel(), rows.ravel()])


def _behind(
    front: _Front,
    lattice: Points,
    size: float,
    eye: tuple[float, float, float],
    glass: Glass,
    index: float = INDEX,
) -> Points:
    """Polynomials from places on the phosphor to pixels, fitted on a lattice of rays."""
    leaves = _leaves(lattice, np.array(eye), glass, index)
    return np.asarray(np.linalg.lstsq(_powers(lattice / size), front.pixels(leaves), rcond=None)[0])


def _leaves(places: Points, eye: Points, glass: Glass, index: float) -> Points:
    """Where on the front the rays from glowing places to the eye leave the glass, (x, y) in mm.

    In the plane of the normal and the ray: the ray crosses the depth at an angle whose sine is that outside over the
    index. Both spheres have one centre, so the glowing place lies under the front along the normal there.
    """
    at = places.copy()
    for _ in range(5):
        squared = (at**2).sum(axis=1)
        if math.isinf(glass.radius):
            height, normal = np.zeros(len(at)), np.tile([0.0, 0.0, 1.0], (len(at), 1))
        else:
            height = np.sqrt(glass.radius**2 - squared) - glass.radius
            normal = np.column_stack([at, height + glass.radius]) / glass.radius
        out = eye - np.column_stack([at, height])
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        cosine = (out * normal).sum(axis=1, keepdims=True)
        level = out - cosine * normal  # its length is the sine of the angle outside
        sine = np.linalg.norm(level, axis=1, keepdims=True) / index
        slide = glass.depth * (level / index) / np.sqrt(1.0 - sine**2)
        start = np.column_stack([at, height]) - glass.depth * normal - slide
        at = at + (places - start[:, :2])
    return at
