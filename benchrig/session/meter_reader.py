"""A meter as a source of readings: the value at the probe tip, with what the data sheets allow as uncertainty.

Rules it keeps:
- Where a ceiling is given, the range holds it, so that an overload can only be a value above it.
- An overload that may belong to a change of range and not to the value counts only if the next reading overloads too:
  the first reading after the range was chosen, or one on autorange. It is told as not settled meanwhile, never as a
  value; one in ten seconds is excused, so that overloads that come and go are not.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from ..bench.model import InstrumentSpec, Probe
from ..clock import Clock
from ..errors import WrongFunction
from ..instruments import Function
from ..judgement.correction import correct, probe_factor
from ..judgement.uncertainty import Estimate
from ..procedure.quantities import Limits, MeterSource
from ..readings import Flag, Reading

EXCUSED = 10.0  # s within which only one overload is put down to a change of range
AWAY = 1.0  # s between readings after which the instrument may have been set up again
MAY_BE_THE_RANGE = "overload, perhaps of the range before"


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
        self._first = True  # the range was just chosen
        self._ended = -math.inf  # when the last reading was made
        self._excused = -math.inf

    def set_up(self, driver: Any) -> None:
        """Choose function and range. A file that says how large the value is fixes the range, ceiling included."""
        at_most = max(abs(self._source.expected or 0.0), self._ceiling or 0.0) / self._factor
        driver.select(self._source.function, expected=at_most or None)
        self._first = True

    def __call__(self, driver: Any, deadline: float) -> Reading:
        """A knob that stands elsewhere gives no number, and words for the hand that is to turn it."""
        first = self._first or self._clock.now() - self._ended > AWAY
        self._first = False
        try:
            return self._of_this_range(self.at_the_tip(driver.read(deadline)), first)
        except WrongFunction as wrong:
            text = f"{wrong.message} {wrong.next_step}"
            return Reading(None, self._source.unit, self._clock.now(), Flag.WRONG_FUNCTION, text=text)
        finally:
            self._ended = self._clock.now()

    def _of_this_range(self, reading: Reading, first: bool) -> Reading:
        """The reading; an overload that a change of range may explain as not settled: the next one decides."""
        may_be = first or bool(reading.flags & Flag.AUTORANGE)
        if not reading.flags & Flag.OVERLOAD or not may_be or reading.time - self._excused < EXCUSED:
            return reading
        self._excused = reading.time
        flags = (reading.flags & ~Flag.OVERLOAD) | Flag.UNSETTLED
        return replace(reading, value=None, flags=flags, text=MAY_BE_THE_RANGE)

    def at_the_tip(self, shown: Reading) -> Reading:
        """The reading as it is in front of probe and meter; without a data sheet only the count is uncertain."""
        if shown.value is None:
            return shown
        resolution = None if shown.resolution is None else shown.resolution * self._factor
        row = self._spec.accuracy_at(
            self._source.function, shown.value, full_scale=shown.full_scale, resolution=shown.resolution
        )
        if row is None:
            return replace(shown, value=shown.value * self._factor, resolution=resolution)
        corrected = correct(Estimate(shown.value, 0.0), row, self._input, self._probe, shows=shown.resolution)
        return replace(shown, value=corrected.value, uncertainty=corrected.uncertainty, resolution=resolution)
