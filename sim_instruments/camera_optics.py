"""Where a point of the tube lands on the sensor of a simulated camera: glass, curvature, pose, lens.

Millimetres. The origin is the middle of the glass's front; x to the right and y up as somebody sees who looks at the
tube, z towards that person. The glass is a shell of spheres about one centre (or a flat pane) of index 1.52; the
phosphor lies behind it. Rays are refracted at the front by Snell's law, exactly; nothing is taken as paraxial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
GLASS_INDEX = 1.52  # soda-lime and barium glasses: 1.51 to 1.53, common practice, no source


@dataclass(frozen=True, slots=True)
class Face:
    """The tube's face: `radius` of its front in mm (infinite: flat), `depth` of glass before the phosphor in mm."""

    radius: float = 500.0
    depth: float = 7.0

    def front(self, xy: Points) -> Points:
        """Points on the front at these (x, y), shape (n, 2) to (n, 3)."""
        return self._at(xy, self.radius, 0.0)

    def phosphor(self, xy: Points) -> Points:
        """Points on the phosphor at these (x, y), shape (n, 2) to (n, 3)."""
        return self._at(xy, self.radius - self.depth, -self.depth)

    @staticmethod
    def _at(xy: Points, radius: float, apex: float) -> Points:
        squared = (xy**2).sum(axis=1)
        sagged = np.zeros(len(xy)) if math.isinf(radius) else radius - np.sqrt(radius**2 - squared)
        return np.asarray(np.column_stack([xy, apex - sagged]))

    def normal(self, front: Points) -> Points:
        """Unit normals, towards the viewer, of points on the front."""
        if math.isinf(self.radius):
            return np.tile([0.0, 0.0, 1.0], (len(front), 1))
        from_centre = front - np.array([0.0, 0.0, -self.radius])
        lengths: Points = np.linalg.norm(from_centre, axis=1, keepdims=True)
        return np.asarray(from_centre / lengths)


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a camera stands: distance in mm, pan and tilt of its view upon the tube and roll about its axis, degrees.

    `aim` is the point of the front, (x, y) in mm, that it looks at.
    """

    distance: float = 700.0
    pan: float = 0.0
    tilt: float = 0.0
    roll: float = 0.0
    aim: tuple[float, float] = (0.0, 0.0)

    @property
    def eye(self) -> Points:
        """Where the lens is."""
        pan, tilt = math.radians(self.pan), math.radians(self.tilt)
        away = np.array([math.sin(pan) * math.cos(tilt), math.sin(tilt), math.cos(pan) * math.cos(tilt)])
        return np.asarray(self.distance * away)

    def axes(self) -> Points:
        """Rows: the camera's right, down and forward, as unit vectors."""
        forward = np.array([*self.aim, 0.0]) - self.eye
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        roll = math.radians(self.roll)
        return np.array(
            [
                math.cos(roll) * right + math.sin(roll) * down,
                math.cos(roll) * down - math.sin(roll) * right,
                forward,
            ]
        )


@dataclass(frozen=True, slots=True)
class Sensor:
    """Pixels and lens. `focal` in pixels; `barrel`, `higher`: distortion r (1 + barrel r^2 + higher r^4), r = tan."""

    width: int = 1920
    height: int = 1080
    focal: float = 2300.0
    barrel: float = -0.05
    higher: float = 0.0
    blur: float = 0.7  # sigma of the lens's spot, pixels


@dataclass(frozen=True, slots=True)
class Optics:
    """One camera before one tube."""

    face: Face
    pose: Pose
    sensor: Sensor

    def film(self, xy: Points) -> Points:
        """Pixels (column, row; the middle of the first pixel is 0, 0) of points printed on a film on the front."""
        return self._project(self.face.front(xy))

    def phosphor(self, xy: Points) -> Points:
        """Pixels of glowing points, shape (n, 2), seen through the glass."""
        target = self.face.phosphor(xy)
        through = self._foot(target)
        for _ in range(6):
            landed = self._refracted(through)
            through = self.face.front(through[:, :2] + (target - landed)[:, :2])
        return self._project(through)

    def _foot(self, target: Points) -> Points:
        """A first guess at where the ray leaves the glass: straight in front of the point."""
        return self.face.front(target[:, :2])

    def _refracted(self, through: Points) -> Points:
        """Where on the phosphor a ray from the eye lands that enters the glass at `through`."""
        ray = through - self.pose.eye
        ray /= np.linalg.norm(ray, axis=1, keepdims=True)
        normal = self.face.normal(through)
        cosine = -(ray * normal).sum(axis=1, keepdims=True)
        ratio = 1.0 / GLASS_INDEX
        inside = ratio * ray + (ratio * cosine - np.sqrt(1.0 - ratio**2 * (1.0 - cosine**2))) * normal
        return np.asarray(through + inside * self._length(through, inside))

    def _length(self, through: Points, inside: Points) -> Points:
        """Millimetres along `inside` from the front to the phosphor."""
        if math.isinf(self.face.radius):
            return -self.face.depth / inside[:, 2:3]
        from_centre = through - np.array([0.0, 0.0, -self.face.radius])
        along = (from_centre * inside).sum(axis=1, keepdims=True)
        inner = self.face.radius - self.face.depth
        left = along**2 - (from_centre**2).sum(axis=1, keepdims=True) + inner**2
        return np.asarray(-along - np.sqrt(np.maximum(left, 0.0)))

    def _project(self, points: Points) -> Points:
        seen = (points - self.pose.eye) @ self.pose.axes().T
        plane = seen[:, :2] / seen[:, 2:3]
        squared = (plane**2).sum(axis=1, keepdims=True)
        bent = plane * (1.0 + self.sensor.barrel * squared + self.sensor.higher * squared**2)
        middle = np.array([(self.sensor.width - 1) / 2.0, (self.sensor.height - 1) / 2.0])
        return np.asarray(self.sensor.focal * bent + middle)
