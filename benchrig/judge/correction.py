"""From what a meter shows to what is at the test point, with the budget of how far to trust it.

Rule 1. A maker's "+/- (% of reading + % of range + counts)" is a limit without a distribution: rectangular. Where
        the specification counts digits, the resolution is in it already and is not added a second time.
Rule 2. A high-voltage probe is a resistor R_s in series and a lower leg that the meter's input R_m shares, so its
        ratio depends on R_m: K(R_m) = K_0 + R_s (1 / R_m - 1 / R_0), where K_0 holds for the input R_0 that the
        probe is made for (Kirchhoff; the lower leg cancels). The corrected factor is used, never the nominal one.
Rule 3. Whatever hangs on the test point loads it; the open voltage is the measured one times (1 + R_source / R_load).
Rule 4. Numbers that contradict each other are refused, never mended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .errors import UncertaintyError
from .uncertainty import Budget, Estimate, Row, rectangular


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error that add up: fractions (0.005 is 0.5 %) and display counts."""

    of_reading: float = 0.0
    of_range: float = 0.0
    counts: float = 0.0

    def limit(self, value: float, full_scale: float, resolution: float) -> float:
        """Half width of the error at a shown value, in its unit."""
        return self.of_reading * abs(value) + self.of_range * full_scale + self.counts * resolution


@dataclass(frozen=True, slots=True)
class MeterRange:
    """One range of one function of a meter, as its data sheet has it.

    full_scale        largest value it shows
    resolution        one count
    input_resistance  ohm; infinity for an input that only leaks
    input_tolerance   limit of the input resistance's error, a fraction
    """

    full_scale: float
    resolution: float
    accuracy: Accuracy
    input_resistance: float = math.inf
    input_tolerance: float = 0.0

    def __post_init__(self) -> None:
        _check_positive("full scale", self.full_scale)
        _check_positive("resolution", self.resolution)
        _check_positive("input resistance", self.input_resistance)
        _check_fraction("input tolerance", self.input_tolerance)
        for name in ("of_reading", "of_range", "counts"):
            _check_fraction(name.replace("_", " "), getattr(self.accuracy, name))


@dataclass(frozen=True, slots=True)
class Probe:
    """A divider in front of a meter or a scope.

    ratio       volts at its tip per volt at its output, into `made_for`
    resistance  ohm in series from tip to output (1 Gohm class for kilovolts, 9 Mohm for a 10:1 scope probe)
    made_for    input resistance for which the ratio holds, ohm
    tolerance   limit of the ratio's error, a fraction
    """

    ratio: float
    resistance: float
    made_for: float
    tolerance: float = 0.0

    def __post_init__(self) -> None:
        _check_positive("probe resistance", self.resistance)
        _check_positive("input that the probe is made for", self.made_for)
        _check_fraction("probe tolerance", self.tolerance)
        least = 1.0 + self.resistance / self.made_for
        # A plain series resistor has exactly the least ratio; allow what rounded data-sheet figures leave over.
        if not self.ratio >= 0.995 * least:
            raise UncertaintyError(
                f"A probe of {self.resistance:g} ohm into {self.made_for:g} ohm divides by {least:g} or more,"
                f" not by {self.ratio:g}.",
                next_step="Correct the probe's ratio, its resistance or the input that it is made for.",
            )

    def factor(self, input_resistance: float) -> float:
        """Volts at the tip per volt shown by an input of this resistance.

        >>> round(Probe(1000.0, 999e6, 10e6).factor(11e6), 2)
        990.92
        """
        return self.ratio + self.resistance * (1.0 / input_resistance - 1.0 / self.made_for)

    def load(self, input_resistance: float) -> float:
        """Ohms that hang on the test point, tip to ground."""
        factor = self.factor(input_resistance)
        return self.resistance * factor / (factor - 1.0)


@dataclass(frozen=True, slots=True)
class TestPoint:
    """What is known of a point itself: its source resistance and how far that is doubtful (limit, ohm)."""

    __test__ = False  # not for the test collector

    resistance: float = 0.0
    resistance_limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Corrected:
    """The voltage at the unloaded test point.

    factor   volts at the probe tip per volt shown; 1 without a probe
    load     ohm that hung on the point
    loading  relative change of the point by that load, zero or negative
    """

    value: float
    budget: Budget
    factor: float
    load: float
    loading: float

    @property
    def uncertainty(self) -> float:
        return self.budget.uncertainty


def correct(
    shown: Estimate, meter: MeterRange, probe: Probe | None = None, point: TestPoint | None = None
) -> Corrected:
    """What is at the test point when the meter shows this; `shown.uncertainty` is that of the repeated readings.

    Raises `UncertaintyError` where the shown value is beyond the range, or is no number.
    """
    if not abs(shown.value) <= meter.full_scale:
        raise UncertaintyError(
            f"{shown.value:g} is beyond the range of {meter.full_scale:g}.", next_step="Take a higher range."
        )
    at = point or TestPoint()
    factor = probe.factor(meter.input_resistance) if probe else 1.0
    load = probe.load(meter.input_resistance) if probe else meter.input_resistance
    unloaded = 1.0 + at.resistance / load
    rows = _meter_rows(shown, meter, factor * unloaded)
    if probe:
        rows += _probe_rows(shown.value * unloaded, meter, probe, factor)
    if at.resistance_limit:
        sensitivity = shown.value * factor / load
        rows.append(Row("source resistance", at.resistance, rectangular(at.resistance_limit), sensitivity))
    value = shown.value * factor * unloaded
    return Corrected(value, Budget(value, tuple(rows)), factor, load, loading_error(at.resistance, load))


def loading_error(source_resistance: float, load: float) -> float:
    """Relative error of a voltage behind a source resistance when this load hangs on it: -R / (R + load)."""
    return -source_resistance / (source_resistance + load)


def _meter_rows(shown: Estimate, meter: MeterRange, factor: float) -> list[Row]:
    limit = meter.accuracy.limit(shown.value, meter.full_scale, meter.resolution)
    rows = [Row("meter specification", shown.value, rectangular(limit), factor)]
    if shown.uncertainty:
        rows.insert(0, Row("repeated readings", shown.value, shown.uncertainty, factor, shown.dof))
    if not meter.accuracy.counts and not meter.accuracy.of_range:
        rows.append(Row("meter resolution", shown.value, rectangular(0.5 * meter.resolution), factor))
    return rows


def _probe_rows(volts: float, meter: MeterRange, probe: Probe, factor: float) -> list[Row]:
    """`volts` is what the meter would show at the unloaded point."""
    rows = [Row("probe ratio", factor, rectangular(probe.tolerance * factor), volts)]
    if meter.input_tolerance and math.isfinite(meter.input_resistance):
        doubt = rectangular(meter.input_tolerance * meter.input_resistance)
        sensitivity = -volts * probe.resistance / meter.input_resistance**2
        rows.append(Row("meter input resistance", meter.input_resistance, doubt, sensitivity))
    return rows


def _check_positive(name: str, value: float) -> None:
    if not value > 0.0:
        raise UncertaintyError(f"A {name} of {value} is none.", next_step="It must be above zero.")


def _check_fraction(name: str, value: float) -> None:
    if not 0.0 <= value < math.inf:
        raise UncertaintyError(f"A {name} of {value} is none.", next_step="It must be finite and not below zero.")
