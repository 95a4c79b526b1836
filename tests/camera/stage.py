"""One simulated camera before one simulated tube, set up once with the film."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from benchrig.drivers.camera_mjpeg import decoded
from benchrig.sim_instruments.camera_frame import Film as PrintedFilm
from benchrig.sim_instruments.camera_frame import Light, Renderer, jpeg
from benchrig.sim_instruments.camera_optics import Face, Optics, Pose, Sensor
from benchrig.sim_instruments.camera_strokes import Shape, Stroke, grid
from numpy.typing import NDArray

from benchrig.camera.film import Film
from benchrig.camera.frames import Frame, View
from benchrig.camera.glass import Glass
from benchrig.camera.setup import first_view, with_marks

FILM = Film(240.0, 180.0)
GOOD_LIGHT = Light()


@dataclass
class Stage:
    """A tube, a camera, and the view of its set-up."""

    renderer: Renderer
    view: View

    def frame(self, strokes: list[Stroke], light: Light = GOOD_LIGHT, quality: int = 80) -> Frame:
        return Frame(seen(self.renderer.picture(strokes, light), quality), 0.0)

    def grid(self, shape: Shape, light: Light = GOOD_LIGHT) -> Frame:
        return self.frame(grid(shape), light)


def seen(codes: NDArray[np.uint8], quality: int = 80) -> NDArray[np.uint8]:
    """As it arrives: through a JPEG."""
    return decoded(jpeg(codes, quality))


def set_up(
    *,
    pose: Pose | None = None,
    face: Face | None = None,
    size: tuple[int, int] = (1280, 720),
    barrel: float = -0.05,
    seed: int = 0,
    known: Glass | None = None,
    printed: PrintedFilm | None = None,
) -> Stage:
    pose, face = pose or Pose(650.0, 2.0, 1.0, 0.5), face or Face(500.0, 7.0)
    sensor = Sensor(*size, focal=0.8 * size[1] * pose.distance / 195.0, barrel=barrel)
    renderer = Renderer(Optics(face, pose, sensor), seed=seed)
    known = known or Glass(pose.distance, 15.0, face.depth, 1.0, face.radius, 0.05)
    view = first_view(Frame(seen(renderer.film(printed or PrintedFilm(), GOOD_LIGHT)), 0.0), FILM, known)
    blank = Frame(seen(renderer.picture([], GOOD_LIGHT)), 0.0)
    return Stage(renderer, with_marks(view, blank))


def random_stage(rng: np.random.Generator, seed: int, *, most_tilt: float = 10.0) -> Stage:
    """A pose, lens and tube at random; what is known of glass and distance is off as a person's tape and guess are."""
    radius = float(rng.choice([400.0, 500.0, 800.0, math.inf]))
    face = Face(radius * (1.0 + 0.05 * rng.normal()) if math.isfinite(radius) else radius, rng.normal(7.0, 1.0))
    tilt, way = rng.uniform(0.0, most_tilt), rng.uniform(0.0, 2.0 * math.pi)
    distance = rng.uniform(500.0, 900.0)
    pose = Pose(distance, tilt * math.cos(way), tilt * math.sin(way), rng.uniform(-2.0, 2.0))
    size = (1920, 1080) if seed % 2 else (1280, 720)
    known = Glass(distance + rng.normal(0.0, 15.0), 15.0, 7.0, 1.0, radius, 0.05)
    scale = 1.0 + 0.0006 * rng.normal()
    printed = PrintedFilm(stretch=(scale * (1.0 + 0.0002 * rng.normal()), scale))
    barrel = rng.uniform(-0.1, 0.02)
    return set_up(pose=pose, face=face, size=size, barrel=barrel, seed=seed, known=known, printed=printed)
