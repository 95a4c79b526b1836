"""The camera before the simulated Skerry 14: what its tube shows now, as strokes, from the unit's own picture.

Only the tube's own laws decide what glows: sizes, centring, joins and brightness of `picture`, the pattern of the
card. The pose, the lens and the glass are a bench's: a tripod about 0.65 m in front, drawn from the seed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence

from benchrig.clock import Clock

from . import unit_figures as f
from .camera_double import CameraDouble
from .camera_frame import Film, Light, Renderer
from .camera_optics import Face, Optics, Pose, Sensor
from .camera_strokes import Shape, Stroke, bars, grid, lattice
from .chassis import Chassis
from .nodes import Jack
from .picture import TubePicture

SCREEN = (240.0, 180.0)  # mm, visible
FACE = Face(radius=560.0, depth=7.0)
PIXELS = (1280, 720)
BAR_STEP = 2.2  # times the light from one bar of the wedge to the next
JUST_VISIBLE = 0.02  # of a bright line: what an eye in a dim room just sees


def camera(clock: Clock, inputs: Mapping[int, Jack], seed: int = 0) -> CameraDouble:
    """A camera before a tube that shows a right grid: for benches without a unit."""
    return _before(clock, seed, lambda: grid(Shape()))


def camera_before(clock: Clock, chassis: Chassis, picture: TubePicture, seed: int = 0) -> CameraDouble:
    """A camera before this unit's tube."""
    return _before(clock, seed, lambda: strokes(chassis, picture))


def strokes(chassis: Chassis, picture: TubePicture) -> list[Stroke]:
    """What glows now; nothing without a picture, or with a card whose pattern is no picture for measuring."""
    if not picture.there:
        return []
    patterns = {"grid": _grid, "lattice": _lattice, "wedge": _wedge}
    drawn = patterns.get(chassis.card)
    return drawn(picture) if drawn is not None else []


def shape(picture: TubePicture) -> Shape:
    """The picture's errors in the renderer's words. Margins see a shift twice; up is positive here."""
    left_right, top_bottom = picture.off_centre()
    return Shape(
        tile_width=picture.tile_width(),
        tile_height=picture.tile_height(),
        across=f.ACROSS,
        down=f.DOWN,
        shift=(left_right / 2.0, -top_bottom / 2.0),
        gap_vertical=picture.gap_vertical(),
        gap_horizontal=picture.gap_horizontal(),
    )


def _grid(picture: TubePicture) -> list[Stroke]:
    return grid(shape(picture))


def _lattice(picture: TubePicture) -> list[Stroke]:
    return lattice(shape(picture))


def _wedge(picture: TubePicture) -> list[Stroke]:
    faintest = picture.faintest_bar()
    brightness = tuple(JUST_VISIBLE * BAR_STEP ** (faintest - bar) for bar in range(1, f.BARS + 1))
    return bars(shape(picture), brightness)


def _before(clock: Clock, seed: int, glowing: Callable[[], Sequence[Stroke]]) -> CameraDouble:
    rng = random.Random(f"camera {seed}")
    pose = Pose(
        650.0 + rng.uniform(-40.0, 40.0), rng.uniform(-2.0, 2.0), rng.uniform(-1.5, 1.5), rng.uniform(-1.5, 1.5)
    )
    sensor = Sensor(*PIXELS, focal=0.8 * PIXELS[1] * pose.distance / 195.0, barrel=rng.uniform(-0.08, 0.0))
    renderer = Renderer(Optics(FACE, pose, sensor), SCREEN, seed=seed)
    return CameraDouble(clock, renderer, glowing, rate=10.0, quality=85, light=Light(gain=180.0))


def lay_film(double: CameraDouble, on: bool) -> None:
    """The film of dots onto the face, or off it."""
    double.film = Film(*SCREEN) if on else None
