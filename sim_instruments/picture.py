"""What the Skerry 14 shows on its tube: sizes, margins, joins, brightness, controller codes.

Rules kept here: millimetres and degrees; all figures from `unit_figures`. Magnetic deflection: the size of a picture
goes as 1/sqrt(anode voltage), from sin(theta) = B l sqrt(e/(2 m V)), as any electron-optics handbook derives it.
"""

from __future__ import annotations

import math

from . import unit_figures as f
from .chassis import Chassis


class TubePicture:
    """The picture of one chassis, now."""

    def __init__(self, chassis: Chassis) -> None:
        self._chassis = chassis

    @property
    def there(self) -> bool:
        """There is enough on the anode, and something to draw."""
        return self._chassis.powered and self._chassis.anode_volts() > f.NO_PICTURE_BELOW

    def _away(self, control: str) -> float:
        """Degrees from where a control belongs."""
        return self._chassis.trimmers[control].position() - self._chassis.found.right[control]

    def tile_width(self) -> float:
        """Millimetres; 0 without a picture."""
        return self._tile("RV31", "ring A")

    def tile_height(self) -> float:
        """Millimetres; 0 without a picture."""
        return self._tile("RV32", "ring B")

    def _tile(self, control: str, ring: str) -> float:
        if not self.there:
            return 0.0
        deflected = math.sqrt(f.EHT / self._chassis.anode_volts())
        turned = 1.0 + f.SIZE_PER_DEGREE * self._away(control)
        return f.TILE * deflected * turned * (1.0 + f.RING_SIZE * self._away(ring))

    def aspect(self) -> float:
        """Tile width over tile height; not a number without a picture."""
        return self.tile_width() / self.tile_height() if self.there else math.nan

    def off_centre(self) -> tuple[float, float]:
        """Left minus right margin and top minus bottom margin, millimetres; a margin pair sees a shift twice."""
        a, b = self._away("ring A"), self._away("ring B")
        too_wide = f.ACROSS * (self.tile_width() - f.TILE) if self.there else 0.0
        too_high = f.DOWN * (self.tile_height() - f.TILE) if self.there else 0.0
        across = f.RING_SHIFT * a + f.RING_CROSS * b + f.SIZE_SHIFT * too_wide
        down = f.RING_SHIFT * b - f.RING_CROSS * a + f.SIZE_SHIFT * too_high
        return 2.0 * across, 2.0 * down

    def gap_vertical(self) -> float:
        """Millimetres between joins of the lattice, from RV22; negative where they overlap."""
        return f.GAP_PER_DEGREE * self._away("RV22")

    def gap_horizontal(self) -> float:
        """As `gap_vertical`, from RV23."""
        return f.GAP_PER_DEGREE * self._away("RV23")

    def faintest_bar(self) -> float:
        """Number of the brightness bar that is just visible on `wedge`; 4 where the knob belongs."""
        return min(max(4.0 + self._away("intensity") / f.BAR_DEGREES, 0.0), float(f.BARS))

    def stick_x(self) -> float:
        """Code of the centred controller, X."""
        return self._code("RVX")

    def stick_y(self) -> float:
        """Code of the centred controller, Y."""
        return self._code("RVY")

    def _code(self, control: str) -> float:
        return min(max(f.STICK_CENTRE + f.STICK_PER_DEGREE * self._away(control), 0.0), 255.0)
