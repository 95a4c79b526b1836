"""The film, how its dots are named, and the view that is kept in a file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchrig.sim_instruments.camera_frame import Film as PrintedFilm
from benchrig.sim_instruments.camera_frame import Renderer
from benchrig.sim_instruments.camera_optics import Face, Pose
from stage import FILM, GOOD_LIGHT, Stage, seen, set_up

from benchrig.camera.dots import find_dots
from benchrig.camera.film import Film
from benchrig.camera.frames import Frame
from benchrig.camera.glass import fit
from benchrig.camera.setup import first_view, load, save, with_marks
from benchrig.errors import FileError, SignalError


def film_frame(stage: Stage) -> np.ndarray:
    return seen(stage.renderer.film(PrintedFilm(), GOOD_LIGHT))


def test_every_dot_is_found_and_named(stage: Stage) -> None:
    """All dots of the film, each within a twentieth of a pixel of where it was drawn under its own name."""
    dots = find_dots(film_frame(stage), FILM)
    assert len(dots.places) == len(FILM.places())
    assert np.abs(dots.pixels - stage.renderer.optics.film(dots.places)).max() < 0.1


def test_a_film_laid_on_upside_down_is_read_so(stage: Stage) -> None:
    """Half a turn of the frame is half a turn of the map: the marks say which way is up."""
    dots = find_dots(film_frame(stage)[::-1, ::-1], FILM)
    last = np.array([stage.view.sensor[0] - 1, stage.view.sensor[1] - 1])
    assert np.abs(last - dots.pixels - stage.renderer.optics.film(dots.places)).max() < 0.2


def test_a_mirrored_film_is_refused(stage: Stage) -> None:
    """A film laid on with its face down has its marks the other way about."""
    with pytest.raises(SignalError, match=r"order that no film has|dots of the film were found"):
        find_dots(film_frame(stage)[:, ::-1], FILM)


def test_no_film_is_refused(stage: Stage) -> None:
    """A dark screen has no dots."""
    with pytest.raises(SignalError):
        find_dots(seen(stage.renderer.picture([], GOOD_LIGHT)), FILM)


def test_half_a_film_is_refused(stage: Stage) -> None:
    """A hand over the marks: what is left cannot be named."""
    frame = film_frame(stage).copy()
    frame[:, 500:900] = 100
    with pytest.raises(SignalError):
        find_dots(frame, FILM)


def test_a_creased_film_is_refused(stage: Stage) -> None:
    """Dots that lie on no smooth map: one half of the film 3 mm aside."""
    dots = find_dots(film_frame(stage), FILM)
    aside = np.where(dots.places[:, :1] > 0, 3.0, 0.0) * stage.view.glass_map.scale * np.array([0.0, 1.0])
    with pytest.raises(SignalError, match="off any smooth map"):
        fit(replace(dots, pixels=dots.pixels + aside), stage.view.sensor, stage.view.glass_map.glass, (240.0, 180.0))


def test_the_eye_is_found_where_the_camera_stands(stage: Stage) -> None:
    """Tilt to a tenth of a degree, with a curved face and a lens that bends."""
    eye = stage.renderer.optics.pose.eye
    true = np.degrees(np.arccos(eye[2] / np.linalg.norm(eye)))
    assert stage.view.glass_map.tilt == pytest.approx(true, abs=0.1)


def test_a_view_is_kept(stage: Stage, tmp_path: Path) -> None:
    """What is read back maps as what was written."""
    save(stage.view, tmp_path / "view.json")
    again = load(tmp_path / "view.json")
    places = np.array([[0.0, 0.0], [80.0, -60.0]])
    assert np.array_equal(again.glass_map.pixels(places), stage.view.glass_map.pixels(places))
    assert again.marks == stage.view.marks
    assert again.sensor == stage.view.sensor


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"version": 99}', '{"version": 1}'])
def test_a_file_that_is_no_view_is_refused(tmp_path: Path, text: str) -> None:
    """With what to do."""
    path = tmp_path / "view.json"
    path.write_text(text)
    with pytest.raises(FileError, match="Set the camera up again"):
        load(path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """As the other mistakes of files."""
    with pytest.raises(FileError, match="cannot be read"):
        load(tmp_path / "none.json")


def test_a_view_of_a_flat_face_is_kept(tmp_path: Path) -> None:
    """Infinity has no number in JSON by the standard (RFC 8259, section 6); the file has to stay JSON."""
    flat = set_up(face=Face(float("inf"), 7.0), pose=Pose(600.0, 1.0, 0.0))
    save(flat.view, tmp_path / "flat.json")
    json.loads((tmp_path / "flat.json").read_text(), parse_constant=lambda word: pytest.fail(word))
    assert load(tmp_path / "flat.json").glass_map.glass.radius == float("inf")


def test_without_marks_there_is_no_view(stage: Stage) -> None:
    """A bezel without marks cannot show that the camera moved."""
    bare = Renderer(stage.renderer.optics, corner_marks=False)
    view = first_view(Frame(film_frame(stage), 0.0), FILM, stage.view.glass_map.glass)
    with pytest.raises(SignalError, match="of the four marks"):
        with_marks(view, Frame(seen(bare.picture([], GOOD_LIGHT)), 0.0))


def test_the_printed_film_has_its_own_size(tmp_path: Path) -> None:
    """A PDF page is measured in points of 1/72 inch (ISO 32000-1, 14.11.2): 240 x 180 mm are 680.3 x 510.2."""
    FILM.write_pdf(tmp_path / "film.pdf")
    box = (tmp_path / "film.pdf").read_bytes().split(b"/MediaBox", 1)[1].split(b"]", 1)[0]
    numbers = [float(word) for word in box.replace(b"[", b" ").split()]
    assert numbers[2:] == pytest.approx([240.0 / 25.4 * 72.0, 180.0 / 25.4 * 72.0], abs=0.1)


def test_a_film_too_small_for_a_map_is_refused() -> None:
    """Three dots to each side are the least."""
    with pytest.raises(FileError, match="too few dots"):
        Film(60.0, 40.0)
