"""A bad frame never becomes a number: each kind, many times over, through the reader as a trim uses it."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from benchrig.sim_instruments.camera_frame import Light, Renderer
from benchrig.sim_instruments.camera_strokes import Shape, Stroke, grid
from stage import Stage, seen

from benchrig.camera.frames import BadFrame, Frame, faults
from benchrig.camera.grid import Expected
from benchrig.camera.reader import CameraReader, Picture
from benchrig.readings import Flag

GRID = Picture(Expected(10, 8, 18.0, 18.0))
TIMES = 50 if os.environ.get("BENCHRIG_HEAVY") else 4


def pushed(stage: Stage, x: float, y: float) -> Renderer:
    optics = stage.renderer.optics
    return Renderer(replace(optics, pose=replace(optics.pose, aim=(x, y))), seed=3)


def too_bright(stage: Stage, rng: np.random.Generator) -> Frame:
    return stage.grid(Shape(), Light(gain=rng.uniform(330.0, 600.0)))


def moved(stage: Stage, rng: np.random.Generator) -> Frame:
    way = rng.choice([-1.0, 1.0])
    return Frame(seen(pushed(stage, way * rng.uniform(0.4, 5.0), 0.0).picture(grid(Shape()), Light())), 0.0)


def other_exposure(stage: Stage, rng: np.random.Generator) -> Frame:
    part = rng.choice([rng.uniform(0.4, 0.8), rng.uniform(1.2, 1.6)])
    light = Light()
    return stage.grid(Shape(), replace(light, gain=light.gain * part, dark=light.dark * part, bezel=light.bezel * part))


def lamp(stage: Stage, rng: np.random.Generator) -> Frame:
    where = (rng.uniform(0.4, 0.6), rng.uniform(0.35, 0.65))
    return stage.grid(Shape(), Light(gain=30.0, mirror=rng.uniform(140.0, 200.0), mirror_at=where))


def half_drawn(stage: Stage, rng: np.random.Generator) -> Frame:
    """The shutter closed before the picture was whole: half of its height is dark."""
    half = [stroke for stroke in grid(Shape()) if np.ptp(stroke.points[:, 0]) < 1.0]
    cut = [Stroke(stroke.points[: int(rng.uniform(60, 90))]) for stroke in half]
    rows = [stroke for stroke in grid(Shape()) if np.ptp(stroke.points[:, 0]) > 1.0][:4]
    return stage.frame([*cut, *rows])


def covered(stage: Stage, rng: np.random.Generator) -> Frame:
    """A hand before one of the corners."""
    codes = stage.renderer.picture(grid(Shape()), Light()).copy()
    column, row = stage.view.marks[int(rng.integers(4))].at
    codes[max(0, int(row) - 40) : int(row) + 40, max(0, int(column) - 40) : int(column) + 40] = 35
    return Frame(seen(codes), 0.0)


def nothing_on(stage: Stage, rng: np.random.Generator) -> Frame:
    return stage.frame([])


def out_of_focus(stage: Stage, rng: np.random.Generator) -> Frame:
    sensor = replace(stage.renderer.optics.sensor, blur=rng.uniform(6.0, 12.0))
    return Frame(seen(Renderer(replace(stage.renderer.optics, sensor=sensor)).picture(grid(Shape()), Light())), 0.0)


KINDS: dict[str, Callable[[Stage, np.random.Generator], Frame]] = {
    "too bright": too_bright,
    "camera moved": moved,
    "exposure changed": other_exposure,
    "lamp mirrored": lamp,
    "half drawn": half_drawn,
    "mark covered": covered,
    "nothing on the screen": nothing_on,
    "out of focus": out_of_focus,
}


@pytest.mark.parametrize("kind", KINDS)
def test_never_a_number(stage: Stage, kind: str) -> None:
    """No value, a flag that makes the reading unusable, and words with a cure; for every measurement on a grid."""
    rng = np.random.default_rng(21)
    for _ in range(TIMES):
        frame = KINDS[kind](stage, rng)
        for measurement in ("tile aspect", "tile width"):
            reading = CameraReader(stage.view, GRID, measurement).read(frame, 0.0)
            assert reading.value is None
            assert not reading.usable
            assert reading.flags != Flag.NONE
            assert reading.text.endswith(".")


def test_an_old_frame_is_stale(stage: Stage) -> None:
    """A picture older than 0.7 s gives no number, though it is as sharp as any."""
    frame = stage.grid(Shape())
    assert CameraReader(stage.view, GRID, "tile width").read(frame, 0.5).usable
    reading = CameraReader(stage.view, GRID, "tile width").read(frame, 0.8)
    assert reading.value is None
    assert reading.flags & Flag.STALE


def test_the_same_picture_again_is_stale(stage: Stage) -> None:
    """A camera that hangs sends its last picture for ever; its bytes give it away, since noise never repeats."""
    reader = CameraReader(stage.view, GRID, "tile width")
    first = replace(stage.grid(Shape()), number=1, digest=b"a")
    assert reader.read(first, 0.0).usable
    assert reader.read(replace(first, number=2), 0.0).flags & Flag.STALE
    assert reader.read(replace(stage.grid(Shape()), number=3, digest=b"b"), 0.0).usable


def test_another_size_is_refused(stage: Stage) -> None:
    """Pixels of another size have another map."""
    frame = stage.grid(Shape())
    assert faults(replace(frame, grey=frame.grey[::2, ::2]), stage.view, 0.0) == [BadFrame.SIZE]


def test_a_reading_after_a_bad_frame_is_good_again(stage: Stage) -> None:
    """The grid is looked for anew; nothing of the bad frame is kept."""
    reader = CameraReader(stage.view, GRID, "tile width")
    assert reader.read(stage.grid(Shape()), 0.0).usable
    assert not reader.read(stage.frame([]), 0.0).usable
    again = reader.read(stage.grid(Shape(tile_width=17.2)), 0.0)
    assert again.value == pytest.approx(17.2e-3, abs=2e-5)


@pytest.mark.parametrize("fault", list(BadFrame))
def test_each_fault_has_words_and_a_cure(fault: BadFrame) -> None:
    """Two sentences for a person."""
    assert fault.words.endswith(".")
    assert fault.cure.endswith((".", "?"))
