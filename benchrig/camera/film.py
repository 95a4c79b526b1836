"""The printed film of dots that turns pixels into millimetres on the glass.

It is laid over the face once per set-up, its edges on the edges of the visible screen, and taken off again. Three
dots are larger than the others: the middle one, the second to its right, and the first above it; so a frame of the
film says by itself where the middle is and which way is up. Millimetres, x right and y up as seen by the viewer.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..errors import FileError

MARKS = frozenset({(0, 0), (2, 0), (0, 1)})  # column and row of the larger dots, counted from the middle
PRINTED_DPI = 600


@dataclass(frozen=True, slots=True)
class Film:
    """A film for a screen of `width` by `height` mm; dots of `dot` mm every `pitch` mm, marks of `mark` mm."""

    width: float
    height: float
    pitch: float = 15.0
    dot: float = 2.5
    mark: float = 5.0

    def __post_init__(self) -> None:
        across, up = self.reach
        if across < 3 or up < 3:
            raise FileError(
                f"A film of {self.width:g} x {self.height:g} mm holds too few dots of a pitch of {self.pitch:g} mm.",
                next_step="Give the visible screen's own size in millimetres, or a smaller pitch.",
            )

    @property
    def reach(self) -> tuple[int, int]:
        """How many dots there are to one side of the middle, and above it."""
        across, up = (int((side / 2.0 - self.dot) // self.pitch) for side in (self.width, self.height))
        return across, up

    def places(self) -> dict[tuple[int, int], tuple[float, float]]:
        """(column, row) from the middle -> (x, y) in mm."""
        across, up = self.reach
        return {
            (column, row): (column * self.pitch, row * self.pitch)
            for row in range(-up, up + 1)
            for column in range(-across, across + 1)
        }

    def write_pdf(self, path: Path) -> None:
        """Print it to a PDF page of the film's own size at 600 dpi. Needs the extra `camera`.

        Raises FileError where the extra is missing or the file cannot be written.
        """
        try:
            from PIL import Image, ImageDraw
        except ImportError:
            raise FileError(
                "The film is drawn by Pillow, which is not installed.", next_step="pip install 'benchrig[camera]'"
            ) from None
        scale = PRINTED_DPI / 25.4
        page = Image.new("L", (round(self.width * scale), round(self.height * scale)), 255)
        draw = ImageDraw.Draw(page)
        draw.rectangle((0, 0, page.width - 1, page.height - 1), outline=0, width=3)
        for place, (x, y) in self.places().items():
            radius = (self.mark if place in MARKS else self.dot) / 2.0
            middle_x, middle_y = self.width / 2.0 + x, self.height / 2.0 - y
            box = [middle_x - radius, middle_y - radius, middle_x + radius, middle_y + radius]
            draw.ellipse([value * scale for value in box], fill=0)
        try:
            page.convert("1").save(path, "PDF", resolution=PRINTED_DPI)
        except OSError as error:
            raise FileError(f"{path} cannot be written: {error}.", next_step="Name another file.") from None
