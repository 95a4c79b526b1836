"""Setting a camera up before a tube: from a frame of the film and one without it to a view that is kept in a file.

The file is JSON, made by the program and not meant to be written by hand; it says which version it has. A view that
was made for another screen, camera or place is noticed by its marks and its size in pixels, not by its file.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError, SignalError
from .dots import find_dots
from .faint import Wedge, anchor, bar_levels
from .film import Film
from .frames import Frame, Mark, View, find_marks
from .glass import Glass, GlassMap, fit

VERSION = 1
LEAST_MARKS = 3


def first_view(film_frame: Frame, film: Film, glass: Glass) -> View:
    """The map from a frame with the film on the face. Raises SignalError where the film is not seen as it should be."""
    height, width = film_frame.grey.shape
    dots = find_dots(film_frame.grey, film)
    screen = film.width, film.height
    return View(fit(dots, (width, height), glass, screen), (width, height), screen=screen)


def with_marks(view: View, frame: Frame) -> View:
    """The same with the marks on the bezel as this frame, without the film, shows them.

    Raises SignalError where fewer than three are seen: then nobody could notice a camera that moved.
    """
    marks = find_marks(frame.grey, view.glass_map, view.screen)
    if len(marks) < LEAST_MARKS:
        raise SignalError(
            f"{len(marks)} of the four marks on the bezel are seen; {LEAST_MARKS} are needed.",
            next_step="Stick white rings of 8 mm with black middles 8 mm beyond each corner, and light them evenly.",
        )
    return replace(view, marks=marks)


def with_threshold(view: View, frame: Frame, wedge: Wedge, bar: float) -> View:
    """The same with what this camera sees of the bar that somebody says is just visible now."""
    return replace(view, threshold=anchor(bar_levels(frame.grey, view.glass_map, wedge), bar))


def save(view: View, path: Path) -> None:
    """Write a view. Raises FileError where that is not possible."""
    table = asdict(view) | {"version": VERSION}
    glass = table["glass_map"]["glass"]
    glass |= {name: None for name, value in glass.items() if math.isinf(value)}  # JSON has no infinity
    try:
        path.write_text(json.dumps(table, default=_plain, allow_nan=False) + "\n", encoding="utf-8")
    except OSError as error:
        raise FileError(f"{path} cannot be written: {error.strerror}.", next_step="Name another file.") from None


def load(path: Path) -> View:
    """Read a view. Raises FileError where there is none or it was made by another version."""
    again = "Set the camera up again with the film."
    try:
        table: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"{path}: the camera's set-up cannot be read: {error.strerror}.", next_step=again) from None
    except ValueError as error:
        raise FileError(f"{path} is not a camera's set-up: {error}.", next_step=again) from None
    if not isinstance(table, dict) or table.get("version") != VERSION:
        raise FileError(f"{path} was not made by this version of benchrig.", next_step=again)
    try:
        return _view(table)
    except (KeyError, TypeError, ValueError) as error:
        raise FileError(f"{path} is damaged ({error!r}).", next_step=again) from None


def _view(table: dict[str, Any]) -> View:
    found = table["glass_map"]
    glass_map = GlassMap(
        **found
        | {
            "coefficients": np.array(found["coefficients"]),
            "homography": np.array(found["homography"]),
            "root": np.array(found["root"]),
            "eye": tuple(found["eye"]),
            "glass": Glass(**{name: math.inf if value is None else value for name, value in found["glass"].items()}),
            "parts": tuple((name, np.array(part)) for name, part in found["parts"]),
        }
    )
    marks = tuple(Mark(tuple(mark["at"]), mark["size"], mark["light"]) for mark in table["marks"])
    return View(glass_map, tuple(table["sensor"]), marks, tuple(table["screen"]), table["threshold"])


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.floating | np.integer):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a camera's set-up")
