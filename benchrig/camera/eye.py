"""Where the camera's lens is, from how the film looks to it and the distance that somebody measured.

A pinhole with one term of distortion before a sphere (or a plane) of dots, fitted by Gauss and Newton's steps. The
distance is held at what was measured, because a picture of an almost flat thing tells little of it; the focal length
follows from it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
_STEPS = np.array([1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-3, 1e-4])


def find_eye(
    places: Points, pixels: Points, sensor: tuple[int, int], distance: float, radius: float, focal: float
) -> tuple[float, float, float]:
    """The lens in mm, (x, y, z) from the middle of the face's front, `distance` away from it.

    `places` and `pixels` are the film's dots, both (n, 2); `focal` in pixels is a first guess.
    """
    squared = (places**2).sum(axis=1)
    sag = np.zeros(len(places)) if math.isinf(radius) else radius - np.sqrt(radius**2 - squared)
    points = np.column_stack([places, -sag])
    middle = np.array([(sensor[0] - 1) / 2.0, (sensor[1] - 1) / 2.0])
    best = None
    for start in ((0.0, 0.0), (0.1, 0.0), (-0.1, 0.0), (0.0, 0.1), (0.0, -0.1)):
        state = np.array([start[0] * distance, start[1] * distance, 0.0, 0.0, 0.0, focal, 0.0])
        for _ in range(12):
            left = pixels - _seen(state, points, distance, middle)
            jacobian = np.stack(
                [
                    (_seen(state + step, points, distance, middle) - pixels + left).ravel() / step.sum()
                    for step in np.diag(_STEPS)
                ],
                axis=1,
            )
            state = state + np.linalg.lstsq(jacobian, left.ravel(), rcond=None)[0]
            state[:2] = np.clip(state[:2], -0.5 * distance, 0.5 * distance)
        worst = float(np.sqrt((left**2).mean()))
        if best is None or worst < best[0]:
            best = worst, state
    assert best is not None
    x, y = float(best[1][0]), float(best[1][1])
    return x, y, math.sqrt(distance**2 - x**2 - y**2)


def _seen(state: Points, points: Points, distance: float, middle: Points) -> Points:
    x, y, around_x, around_y, around_z, focal, barrel = state
    eye = np.array([x, y, math.sqrt(distance**2 - x**2 - y**2)])
    forward = -eye / distance
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    axes = np.array([right, np.cross(forward, right), forward])
    turn = np.array([[1.0, -around_z, around_y], [around_z, 1.0, -around_x], [-around_y, around_x, 1.0]])
    left, _, back = np.linalg.svd(turn)
    seen = (points - eye) @ (left @ back @ axes).T
    plane = seen[:, :2] / seen[:, 2:3]
    pixels: Points = focal * plane * (1.0 + barrel * (plane**2).sum(axis=1, keepdims=True)) + middle
    return pixels
