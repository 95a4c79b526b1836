"""Where strokes lie, to parts of a pixel: profiles across a line, each fitted with a Gaussian on a slope.

Rules kept here: a profile counts only where its line stands clearly above its noise, lies within the profile, and is
nowhere saturated; what does not count is left out, not guessed. Places are millimetres on the phosphor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .glass import GlassMap

Values = NDArray[np.float64]

SATURATED = 250.0  # codes; a flat top has no middle
LEAST_CONTRAST = 4.0  # times the profile's own noise
_TAPS = 25
_HALF = 1.6  # mm to each side


@dataclass(frozen=True, slots=True)
class Profiles:
    """Fits of n profiles, each of shape (n,): offset of the line's middle from where it was looked for, mm;
    its peak in codes above what lies about it; the level in codes of what lies about it; its full width at half
    maximum, mm; noise in codes; whether it counts; whether it touches the sensor's limit.
    """

    offset: Values
    peak: Values
    level: Values
    width: Values
    noise: Values
    good: NDArray[np.bool_]
    saturated: NDArray[np.bool_]


def sample(grey: NDArray[np.uint8] | Values, pixels: Values) -> Values:
    """Codes between pixels, bilinear, at (column, row) of shape (..., 2); nan outside of the frame."""
    height, width = grey.shape
    columns, rows = pixels[..., 0], pixels[..., 1]
    inside = (columns >= 0) & (columns < width - 1) & (rows >= 0) & (rows < height - 1)
    left = np.where(inside, columns, 0.0).astype(np.int64)
    top = np.where(inside, rows, 0.0).astype(np.int64)
    x, y = columns - left, rows - top
    flat = grey.ravel()
    at = top * width + left
    upper = flat[at] * (1.0 - x) + flat[at + 1] * x
    lower = flat[at + width] * (1.0 - x) + flat[at + width + 1] * x
    return np.where(inside, upper * (1.0 - y) + lower * y, np.nan)


def profiles(
    grey: NDArray[np.uint8], glass_map: GlassMap, places: Values, across: Values, half: float = _HALF
) -> Profiles:
    """Fit the line that crosses each of `places`, shape (n, 2) mm; `across` is the unit direction to look along.

    `half` mm to each side are looked at.
    """
    along = np.linspace(-half, half, _TAPS)
    spots = places[:, None, :] + along[None, :, None] * across
    codes = sample(grey, glass_map.pixels(spots))
    return _fitted(along, codes, half)


def _fitted(along: Values, codes: Values, half: float) -> Profiles:
    """Gauss-Newton on peak, middle, sigma, level and slope, all profiles at once."""
    whole: NDArray[np.bool_] = np.asarray(np.isfinite(codes).all(axis=1))
    codes = np.where(whole[:, None], codes, 0.0)
    count = len(codes)
    level = np.percentile(codes, 25, axis=1)
    top = codes.argmax(axis=1)
    state = np.column_stack([codes.max(axis=1) - level, along[top], np.full(count, 0.3), level, np.zeros(count)])
    for _ in range(6):
        state = _step(state, along, codes, half)
    peak, middle, sigma = state[:, 0], state[:, 1], np.abs(state[:, 2])
    left = codes - _model(state, along)[0]
    noise = np.sqrt((left**2).sum(axis=1) / (len(along) - 5)) + 0.29
    saturated = codes.max(axis=1) >= SATURATED
    good = whole & ~saturated & (np.abs(middle) < 0.8 * half) & (peak > LEAST_CONTRAST * noise)
    good &= (sigma > 0.05) & (sigma < 0.5 * half)
    return Profiles(middle, peak, state[:, 3], 2.3548 * sigma, noise, good, saturated)


def _model(state: Values, along: Values) -> tuple[Values, Values, Values]:
    away = (along[None, :] - state[:, 1:2]) / state[:, 2:3]
    bell = np.exp(-0.5 * away**2)
    return state[:, 0:1] * bell + state[:, 3:4] + state[:, 4:5] * along[None, :], away, bell


def _step(state: Values, along: Values, codes: Values, half: float) -> Values:
    model, away, bell = _model(state, along)
    slope = state[:, 0:1] * bell / state[:, 2:3]
    jacobian = np.stack(
        [bell, slope * away, slope * away**2, np.ones_like(bell), np.broadcast_to(along, bell.shape)], axis=2
    )
    normal = np.einsum("nki,nkj->nij", jacobian, jacobian)
    normal += 1e-3 * np.eye(5) * np.maximum(np.einsum("nii->ni", normal)[:, :, None], 1e-9)
    right = np.einsum("nki,nk->ni", jacobian, codes - model)
    moved = state + np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    moved[:, 1] = np.clip(moved[:, 1], -half, half)
    moved[:, 2] = np.clip(np.abs(moved[:, 2]), 0.04, half)
    return moved
