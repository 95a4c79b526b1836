"""The just invisible bar, by a threshold that somebody anchored with their own eye."""

from __future__ import annotations

import numpy as np
import pytest
from benchrig.sim_instruments.camera_frame import Light
from benchrig.sim_instruments.camera_strokes import Shape, bars
from stage import GOOD_LIGHT, Stage, seen

from benchrig.camera.faint import Levels, Wedge, anchor, bar_levels, faintest_bar
from benchrig.errors import SignalError

WEDGE = Wedge(7, 18.0, 120.0)
LIGHT = Light(gain=200.0)


def levels(stage: Stage, faintest: float, frames: int = 4, quality: int = 90) -> Levels:
    """The wedge with bar number `faintest` at 4 codes, each bar 2.2 times fainter than the last."""
    brightness = tuple(0.02 * 2.2 ** (faintest - bar) for bar in range(1, 8))
    strokes = bars(Shape(shift=(1.0, 2.0)), brightness)
    codes = [seen(stage.renderer.picture(strokes, LIGHT), quality).astype(np.float64) for _ in range(frames)]
    return bar_levels(np.mean(codes, axis=0), stage.view.glass_map, WEDGE)


@pytest.mark.parametrize("faintest", [2.7, 3.5, 4.0, 4.6, 5.3])
def test_the_just_visible_bar_is_found_to_a_fifth_of_a_step(stage: Stage, faintest: float) -> None:
    """Anchored at 4 by an eye, the camera then says what the knob was turned to."""
    threshold = anchor(levels(stage, 4.0), 4.0)
    found = faintest_bar(levels(stage, faintest), threshold)
    assert found.value == pytest.approx(faintest, abs=0.2)
    assert abs(found.value - faintest) < 3.0 * found.uncertainty


def test_a_camera_that_erases_faint_lines_cannot_tell(stage: Stage) -> None:
    """A threshold below what stands out of the noise is refused, with what to do; it is not extrapolated to."""
    seen_now = levels(stage, 4.0, frames=1, quality=60)
    with pytest.raises(SignalError, match="Expose longer"):
        faintest_bar(seen_now, 0.5 * float(np.median(seen_now.uncertainties)))


def test_a_dark_screen_has_no_bars(stage: Stage) -> None:
    """Nothing is made of noise."""
    dark = seen(stage.renderer.picture([], GOOD_LIGHT)).astype(np.float64)
    with pytest.raises(SignalError, match="No bar"):
        bar_levels(dark, stage.view.glass_map, WEDGE)
