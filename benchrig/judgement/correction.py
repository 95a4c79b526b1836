"""From what a meter shows to what is at the test point, with the budget of how far to trust it.

Rule 1. A maker's "+/- (% of reading + % of range + counts)" is a limit without a distribution: rectangular. Where
        the specification counts digits, the resolution is in it already and is not added a second time.
Rule 2. A probe is a resistor R_s in series and a lower leg that the meter's input R_m shares, so its ratio depends on
        R_m: K(R_m) = K_0 + R_s (1 / R_m - 1 / R_0), where K_0 holds for the input R_0 that the probe is made for
        (Kirchhoff; the lower leg cancels). This factor is used, never the nominal one.
Rule 3. Whatever hangs on the test point loads it; the open voltage is the measured one times (1 + R_source / R_load).
Rule 4. Numbers that are missing or contradict each other are refused, never mended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..bench.model import Accuracy, Probe
from .errors import UncertaintyError
from .uncertainty import Budget, BudgetRow, Estimate, rectangular


@dataclass(frozen=True, slots=True)
class SourceResistance:
    """What is known of the test point itself: ohms behind it, and how far that is doubtful (limit, ohm)."""

    ohms: float = 0.0
    limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Corrected:
    """The value at the unloaded test point.

    factor   value at the probe tip per value shown; 1 without a probe
    load     ohm that hung on the point; infinity where it is not known
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
    shown: Estimate,
    accuracy: Accuracy,
    input_resistance: float | None = None,
    probe: Probe | None = None,
    source: SourceResistance | None = None,
    shows: float | None = None,
) -> Corrected:
    """What is at the test point when a meter of this accuracy and input resistance (ohm) shows this.

    `shown.uncertainty` is that of the repeated readings; `shows` one count of the display, where it is known. Raises
    `UncertaintyError` where the shown value is beyond the range or no number, or where the probe's factor cannot be
    known.
    """
    if not abs(shown.value) <= accuracy.range:
        raise UncertaintyError(
            f"{shown.value:g} is beyond the range of {accuracy.range:g}.", next_step="Take a higher range."
        )
    behind = source or SourceResistance()
    factor = probe_factor(probe, input_resistance) if probe else 1.0
    load = load_of(input_resistance, probe)
    unloaded = 1.0 + behind.ohms / load
    rows = _meter_rows(shown, accuracy, factor * unloaded, shows)
    if probe:
        rows.append(BudgetRow("probe ratio", factor, rectangular(probe.tolerance * factor), shown.value * unloaded))
    if behind.limit:
        rows.append(BudgetRow("source resistance", behind.ohms, rectangular(behind.limit), shown.value * factor / load))
    value = shown.value * factor * unloaded
    return Corrected(value, Budget(value, tuple(rows)), factor, load, loading_error(behind.ohms, load))


def probe_factor(probe: Probe, input_resistance: float | None) -> float:
    """Value at the probe's tip per value shown by an input of this resistance (ohm; infinity for one that only leaks).

    Raises `UncertaintyError` where the probe's ratio depends on an input resistance that is not known.

    >>> round(probe_factor(Probe("hv", 1000.0, resistance=1e9, made_for=10e6), 11e6), 2)
    990.92
    """
    if probe.made_for is None or probe.made_for == input_resistance:
        return probe.ratio
    if probe.resistance is None or input_resistance is None:
        missing = "probe's resistance" if probe.resistance is None else "input resistance behind it"
        raise UncertaintyError(
            f"Probe {probe.name!r} divides by {probe.ratio:g} into {probe.made_for:g} ohm only, and the {missing} is"
            " not given.",
            next_step="Add it to the bench file.",
        )
    return probe.ratio + _series(probe, probe.made_for, probe.resistance) * (
        1.0 / input_resistance - 1.0 / probe.made_for
    )


def load_of(input_resistance: float | None, probe: Probe | None = None) -> float:
    """Ohms that a meter hangs on the test point, through the probe if there is one; infinity where not known."""
    if probe is None:
        return math.inf if input_resistance is None else input_resistance
    if probe.resistance is None:
        return math.inf
    if probe.made_for is None:
        return probe.resistance
    factor = probe_factor(probe, input_resistance)
    return _series(probe, probe.made_for, probe.resistance) * factor / (factor - 1.0)


def loading_error(source_resistance: float, load: float) -> float:
    """Relative error of a voltage behind a source resistance when this load hangs on it: -R / (R + load)."""
    return -source_resistance / (source_resistance + load)


def _series(probe: Probe, made_for: float, resistance: float) -> float:
    """R_s: the whole resistance, tip to ground, less the lower leg's share of it."""
    plain = probe.ratio * made_for  # of a series resistor alone; half a percent is left for rounded data-sheet figures
    if not (probe.ratio > 1.0 and resistance - plain <= 0.005 * plain):
        raise UncertaintyError(
            f"Probe {probe.name!r}: {resistance:g} ohm into an input of {made_for:g} ohm cannot divide by"
            f" {probe.ratio:g}.",
            next_step="Correct its ratio, its resistance or the input that it is made for.",
        )
    return resistance * (1.0 - 1.0 / probe.ratio)


def _meter_rows(shown: Estimate, accuracy: Accuracy, factor: float, shows: float | None) -> list[BudgetRow]:
    rows = []
    if shown.uncertainty:
        rows.append(BudgetRow("repeated readings", shown.value, shown.uncertainty, factor, shown.dof))
    rows.append(BudgetRow("meter specification", shown.value, rectangular(accuracy.limit(shown.value)), factor))
    count = max(accuracy.resolution or 0.0, shows or 0.0)
    if count and not accuracy.counts and not accuracy.of_range * accuracy.range > count:
        rows.append(BudgetRow("meter resolution", shown.value, rectangular(0.5 * count), factor))
    return rows
