"""A direct voltage that a scope reads through a probe made for another input is that of the tip, not of the print."""

import math

import numpy as np
import pytest

from benchrig.bench.model import InstrumentSpec, Probe, Waveforms
from benchrig.clock import SimClock
from benchrig.judgement.errors import UncertaintyError
from benchrig.procedure.quantities import Measurement, ScopeSource
from benchrig.session.scope_reader import ScopeReader
from benchrig.signals import Waveform

# 999 Mohm over a lower leg that makes 1000:1 with 10 Mohm across it.
HV = Probe("hv", 1000.0, resistance=1e9, made_for=10e6, tolerance=0.01)


class Scope:
    """Shows what stands at its input times the ratio that it was told."""

    def __init__(self, at_input: float) -> None:
        self.at_input = at_input
        self.told = 1.0

    def set_channel(self, channel: int, **settings: object) -> None:
        self.told = float(settings.get("probe", self.told))  # type: ignore[arg-type]

    def set_timebase(self, **settings: object) -> None: ...
    def set_trigger(self, **settings: object) -> None: ...

    def fresh_capture(self, channel: int, deadline: float) -> Waveform:
        codes = np.full(1000, 100, dtype=np.uint8)
        codes[::2] += 1
        return Waveform.from_codes(codes, self.told * self.at_input / 100.5, 0.0, 1e-5)


def read(resistance: float | None, measurement: Measurement = Measurement.MEAN, zero: float | None = None):
    waveforms = Waveforms(vertical=0.03, zero=zero)
    spec = InstrumentSpec("scope", "d", "a", input_resistance=resistance, waveforms=waveforms)
    source = ScopeSource("scope", 1, measurement, probe="hv")
    return ScopeReader(source, None, spec, HV, 50.0, SimClock())(Scope(5.8), 10.0)


@pytest.mark.parametrize(("resistance", "factor"), [(10e6, 1000.0), (11e6, 990.918), (1e6, 1899.1), (10e9, 900.2)])
def test_the_factor_is_that_of_the_input(resistance, factor):
    """K = 1000 + 999 Mohm (1/R - 1/10 Mohm), by Kirchhoff."""
    reading = read(resistance)
    assert reading.value == pytest.approx(5.8 * factor, rel=2e-5)
    assert reading.uncertainty > 0.01 * reading.value / np.sqrt(3.0)  # of the ratio's tolerance at least


def test_a_factor_that_cannot_be_known_is_refused():
    """An input resistance that the bench file does not give."""
    with pytest.raises(UncertaintyError, match="input resistance"):
        read(None)


def test_alternating_volts_are_left_as_the_scope_shows_them():
    """Resistors do not divide those alone; before a job such a probe is refused for them."""
    assert read(1e6, Measurement.PEAK_TO_PEAK).value == pytest.approx(1000.0 * 5.8 / 100.5, rel=1e-6)


@pytest.mark.parametrize(
    ("measurement", "inside"), [(Measurement.MEAN, True), (Measurement.RMS, True), (Measurement.PEAK_TO_PEAK, False)]
)
def test_the_scopes_zero_is_in_what_is_told_from_zero(measurement, inside):
    """2 V at the input is 2 kV at the tip, rectangular (GUM 4.3.7); what lies between two voltages has none of it."""
    without, with_it = read(10e6, measurement), read(10e6, measurement, zero=2.0)
    added = math.sqrt(with_it.uncertainty**2 - without.uncertainty**2)
    assert added == pytest.approx(2000.0 / math.sqrt(3.0) if inside else 0.0, rel=1e-6)
    assert with_it.value == without.value
