"""A meter as a source of readings: the value at the probe tip, with what the data sheets allow as uncertainty."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ..bench.model import InstrumentSpec, Probe
from ..clock import Clock
from ..errors import WrongFunction
from ..instruments import Function
from ..judgement.correction import correct, probe_factor
from ..judgement.uncertainty import Estimate
from ..procedure.model import Limits, MeterSource
from ..readings import Flag, Reading


class MeterReader:
    """Makes one reading of a meter source at each call. Raises UncertaintyError for a probe whose factor is unknown."""

    def __init__(
        self, source: MeterSource, limits: Limits | None, spec: InstrumentSpec, probe: Probe | None, clock: Clock
    ) -> None:
        self._source = source
        self._ceiling = limits.ceiling if limits else None
        self._spec = spec
        self._clock = clock
        self._probe = probe
        voltage = source.function in (Function.DC_VOLTAGE, Function.AC_VOLTAGE)
        self._input = spec.input_resistance if voltage else None
        self._factor = probe_factor(probe, self._input) if probe else 1.0

    def set_up(self, driver: Any) -> None:
        """Choose function and range. A file that says how large the value is fixes the range, ceiling included."""
        expected = self._source.expected
        at_most = None if expected is None else max(abs(expected), self._ceiling or 0.0) / self._factor
        driver.select(self._source.function, expected=at_most)

    def __call__(self, driver: Any, deadline: float) -> Reading:
        """A knob that stands elsewhere gives no number, and words for the hand that is to turn it."""
        try:
            return self.at_the_tip(driver.read(deadline))
        except WrongFunction as wrong:
            text = f"{wrong.message} {wrong.next_step}"
            return Reading(None, self._source.unit, self._clock.now(), Flag.INVALID, text=text)

    def at_the_tip(self, shown: Reading) -> Reading:
        """The reading as it is in front of probe and meter; without a data sheet only the count is uncertain."""
        if shown.value is None:
            return shown
        resolution = None if shown.resolution is None else shown.resolution * self._factor
        row = self._spec.accuracy_at(self._source.function, shown.value)
        if row is None:
            return replace(shown, value=shown.value * self._factor, resolution=resolution)
        corrected = correct(Estimate(shown.value, 0.0), row, self._input, self._probe)
        return replace(shown, value=corrected.value, uncertainty=corrected.uncertainty, resolution=resolution)
