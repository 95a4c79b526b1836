"""What is measured of a picture is what was drawn, within what is stated, from wherever the camera stands."""

from __future__ import annotations

import os

import numpy as np
import pytest
from benchrig.sim_instruments.camera_frame import Light
from benchrig.sim_instruments.camera_strokes import Shape, grid, lattice
from stage import Stage, random_stage

from benchrig.camera.grid import Expected, find_again, find_grid
from benchrig.camera.joins import join_miss
from benchrig.camera.measures import MEASURES, measure
from benchrig.errors import SignalError

GRID = Expected(10, 8, 18.0, 18.0)
LATTICE = Expected(4, 4, 36.0, 36.0)
POSES = 200 if os.environ.get("BENCHRIG_HEAVY") else 10


def drawn_nodes(shape: Shape) -> np.ndarray:
    """Where the crossings were drawn, (columns, rows, 2) mm: by the renderer's own law, tile by tile."""
    return np.array([[shape.place(np.array([c - 5.0]), np.array([r - 4.0]))[0] for r in range(9)] for c in range(11)])


def random_shape(rng: np.random.Generator) -> Shape:
    return Shape(
        tile_width=rng.uniform(17.0, 19.0),
        tile_height=rng.uniform(17.0, 19.0),
        shift=tuple(rng.uniform(-5.0, 5.0, 2)),
        tilt=rng.uniform(-1.0, 1.0),
        skew=rng.uniform(-0.5, 0.5),
        bow=rng.uniform(-1.0, 1.0),
        uneven=rng.uniform(-0.01, 0.01),
    )


def random_light(rng: np.random.Generator) -> Light:
    return Light(gain=rng.uniform(40.0, 150.0), band=0.6, band_at=rng.uniform(), mirror=float(rng.choice([0.0, 40.0])))


def test_a_grid_drawn_right_is_measured_right(stage: Stage) -> None:
    """Tiles of 18 mm, square, in the middle: each result within three of its own standard uncertainties."""
    lines = find_grid(stage.grid(Shape()).grey, stage.view.glass_map, stage.view.screen, GRID)
    right = {"tile width": 18e-3, "tile height": 18e-3, "tile aspect": 1.0, "orthogonality": 0.0, "bow": 0.0}
    for name, value in right.items():
        found = measure(name, lines, stage.view.glass_map)
        assert abs(found.value - value) < 3.0 * found.uncertainty, name
    assert measure("tile aspect", lines, stage.view.glass_map).uncertainty < 4e-4


@pytest.mark.parametrize(
    ("shape", "name", "value"),
    [
        (Shape(tile_width=17.5), "tile width", 17.5e-3),
        (Shape(tile_width=17.5), "tile aspect", 17.5 / 18.0),
        (Shape(shift=(1.5, -2.0)), "margins left-right", 3.0e-3),
        (Shape(shift=(1.5, -2.0)), "margins top-bottom", 4.0e-3),
        (Shape(skew=0.4), "orthogonality", -0.4),
        (Shape(tilt=0.7), "picture tilt", 0.7),
        (Shape(bow=0.9), "bow", 0.9e-3),
        (Shape(bow=-0.9), "bow", -0.9e-3),
    ],
)
def test_what_is_off_is_told_by_how_much(stage: Stage, shape: Shape, name: str, value: float) -> None:
    """Sign and size of each error of a picture, from the definition of what was drawn."""
    lines = find_grid(stage.grid(shape).grey, stage.view.glass_map, stage.view.screen, GRID)
    found = measure(name, lines, stage.view.glass_map)
    assert found.value == pytest.approx(value, abs=3.0 * found.uncertainty + 2e-3 * abs(value))


def test_random_poses_hold_what_they_state() -> None:
    """Aspect to 0.05 %, tiles to 0.15 %, each within 2u as often as a normal distribution has it, none beyond 5u."""
    rng = np.random.default_rng(11)
    errors: dict[str, list[tuple[float, float]]] = {name: [] for name in MEASURES}
    for number in range(POSES):
        stage, shape = random_stage(rng, number), random_shape(rng)
        nodes = drawn_nodes(shape)
        frame = stage.grid(shape, random_light(rng))
        lines = find_grid(frame.grey, stage.view.glass_map, stage.view.screen, GRID)
        for name, kind in MEASURES.items():
            if kind.centring and stage.view.glass_map.tilt > 3.0:
                continue
            found = measure(name, lines, stage.view.glass_map)
            true = float(kind.of(nodes)) * (1e-3 if kind.unit == "mm" else 1.0)
            errors[name].append((found.value - true, found.uncertainty))
    ratios = []
    for name, rows in errors.items():
        off, stated = np.array(rows).T
        assert (np.abs(off) < 5.0 * stated).all(), name
        ratios.append(np.abs(off) / stated)
    assert np.std([off for off, _ in errors["tile aspect"]]) < 0.0005
    for name in ("linearity across", "linearity down"):
        assert np.std([off for off, _ in errors[name]]) < 0.0015
    assert 0.90 < (np.concatenate(ratios) < 2.0).mean() < 0.995


def test_joins_are_measured_to_hundredths() -> None:
    """The miss of a lattice's joins, both ways, from random poses: spread under 0.03 mm, none beyond 5u."""
    rng = np.random.default_rng(12)
    errors = []
    for number in range(POSES):
        stage = random_stage(rng, number)
        shape = Shape(gap_vertical=rng.uniform(-1.2, 1.2), gap_horizontal=rng.uniform(-1.2, 1.2), bow=0.3)
        frame = stage.frame(lattice(shape), random_light(rng))
        lines = find_grid(frame.grey, stage.view.glass_map, stage.view.screen, LATTICE)
        for upright, true in ((True, shape.gap_vertical), (False, shape.gap_horizontal)):
            found = join_miss(lines, stage.view.glass_map, upright=upright)
            assert abs(1e3 * found.value - true) < 5e3 * found.uncertainty
            errors.append(1e3 * found.value - true)
    assert np.std(errors) < 0.03


def test_a_picture_that_grows_is_followed(stage: Stage) -> None:
    """A grid found once is found again from there while a trimmer is turned, and says the same as from nothing."""
    lines = find_grid(stage.grid(Shape()).grey, stage.view.glass_map, stage.view.screen, GRID)
    for width in (18.05, 18.1, 18.15):
        frame = stage.grid(Shape(tile_width=width))
        lines = find_again(frame.grey, stage.view.glass_map, lines)
        found = measure("tile width", lines, stage.view.glass_map)
        assert abs(found.value - 1e-3 * width) < 3.5 * found.uncertainty


def test_centring_from_aslant_is_refused() -> None:
    """Beyond three degrees glass depth times tan(tilt) would enter whole; the other results still come."""
    rng = np.random.default_rng(0)
    stage = random_stage(rng, 3)
    while stage.view.glass_map.tilt <= 3.0:
        stage = random_stage(rng, 3)
    lines = find_grid(stage.grid(Shape()).grey, stage.view.glass_map, stage.view.screen, GRID)
    with pytest.raises(SignalError, match="degrees aslant"):
        measure("margins left-right", lines, stage.view.glass_map)
    assert measure("tile aspect", lines, stage.view.glass_map).value == pytest.approx(1.0, abs=1e-3)


def test_a_part_of_a_grid_is_no_grid(stage: Stage) -> None:
    """A frame in which lines are missing is refused, not measured on what is left."""
    strokes = grid(Shape())
    with pytest.raises(SignalError, match="line"):
        find_grid(stage.frame(strokes[:8] + strokes[11:]).grey, stage.view.glass_map, stage.view.screen, GRID)
