"""A procedure held against a bench on paper, before anybody touches anything. Opens nothing.

Rules it keeps:
1. What would hurt a person or an instrument, or cannot be done at all, is refused: a voltage beyond an input, a
   kilovolt point with no probe, an instrument or a driver that is not there or is of another kind. (An order of steps
   that cannot be followed does not load at all.)
2. What can be done but decides nothing is warned of: a window that the bench's uncertainty fills.
3. What is only worth knowing is a note: a weak test uncertainty ratio, a probe factor that is not the printed one.
4. Every row carries the numbers it rests on, and the line of the step in its file.

TUR = width of the window / (2 U95) with U95 = 2u; 4 is the customary floor (ANSI/NCSL Z540.3,
5.3 b, as calibration laboratories quote it). The risks of a wrong verdict are those of the procedure's own decision
rule: see `judgement.risk`.
"""

from __future__ import annotations

import functools
import math
from datetime import date

from ..bench.model import Bench, InstrumentSpec, Probe
from ..errors import FileError
from ..instruments import Function, driver_names, load_driver
from ..judgement.correction import probe_factor
from ..judgement.errors import UncertaintyError
from ..judgement.risk import risks, worst_pass
from ..units import show
from .model import Procedure, Step
from .preflight_bench import instruments
from .quantities import FROM_ZERO, Limits, Measurement, MeterSource, ScopeSource, Source, TypedSource
from .rows import PreflightReport as PreflightReport
from .rows import PreflightRow as PreflightRow
from .rows import StepRows

FLOOR = 4.0  # customary TUR
BARE = 1000.0  # V; above this a point is never measured without a probe, whatever the input is said to bear
SAFE = 60.0  # V; what every input bears (the DC limit of `checks`)
DIVIDER = 100.0  # ratio from which a probe without a bandwidth is taken for a bare divider, which is for DC only
FINEST_SCREEN = 8 * 1e-3  # V; eight divisions of the finest usual setting


def check(procedure: Procedure, bench: Bench, today: date | None = None) -> PreflightReport:
    """Look at every step; `today` also looks at calibration dates."""
    rows: list[PreflightRow] = []
    for step in procedure.steps:
        finding = StepRows(step, procedure.rule)
        for part in step.parts():
            if part.source is not None:  # a derived value has limits and no source
                _source(finding, procedure, bench, part.source, part.limits)
        for row in step.preflight(bench):
            finding.add(*row)
        rows += finding.rows
    return PreflightReport(procedure.file, (*rows, *instruments(procedure, bench, today)))


def _source(finding: StepRows, procedure: Procedure, bench: Bench, source: Source, limits: Limits | None) -> None:
    if isinstance(source, TypedSource):
        return
    try:
        spec = bench.instrument(source.instrument)
        probe = None if source.probe is None else bench.probe(source.probe)
    except FileError as error:
        finding.add("names", "refuse", error.message if not error.next_step else str(error))
        return
    if not _can_read(finding, source, spec):
        return
    top = _highest(procedure, finding.step, source, limits)
    if isinstance(source, MeterSource):
        _meter(finding, source, spec, probe, limits, top)
    else:
        _scope(finding, source, spec, probe, limits, top)


def _can_read(finding: StepRows, source: MeterSource | ScopeSource, spec: InstrumentSpec) -> bool:
    """False if the instrument is of another kind than the step needs."""
    kind, method = ("scope", "fresh_capture") if isinstance(source, ScopeSource) else ("meter", "read")
    driver = _driver(spec.driver)
    if not isinstance(driver, type) or hasattr(driver, method):
        return True
    finding.add("kind", "refuse", f"the step needs a {kind}, and {spec.name} ({spec.driver}) is none.")
    return False


@functools.cache
def _driver(name: str) -> object:
    """What makes the driver; None where it is not installed, which is a row of its own."""
    return load_driver(name) if name in driver_names() else None


def _highest(procedure: Procedure, step: Step, source: Source, limits: Limits | None) -> float:
    """The largest magnitude that the step may meet at the probe tip, in the unit of the source."""
    known: list[float | None] = []
    if limits is not None:
        known += [limits.low, limits.high, limits.acceptable_low, limits.acceptable_high, limits.ceiling]
    if isinstance(source, MeterSource):
        known.append(source.expected)
    if step.hazard is not None and source.unit == "V":
        hazard = procedure.hazards[step.hazard]
        if not step.beside_hazard or hazard.owns(source.point):
            known.append(hazard.expected)
    return max((abs(value) for value in known if value is not None), default=0.0)


# what an input and a probe bear


def _bears(finding: StepRows, volts: float, spec: InstrumentSpec, probe: Probe | None, factor: float) -> bool:
    """False if this must not be connected."""
    if probe is None and volts > BARE:
        finding.add("probe", "refuse", f"{show(volts, 'V')} and no probe: name one that bears it.")
        return False
    if probe is not None and probe.maximum is not None and volts > probe.maximum:
        finding.add("probe", "refuse", f"{show(volts, 'V')}, but {probe.name} bears {show(probe.maximum, 'V')}.")
        return False
    at_input = volts / factor
    if probe is not None and probe.maximum is None and volts > BARE:
        finding.add("probe", "warn", f"{show(volts, 'V')}, and the bench file does not say what {probe.name} bears.")
    if spec.maximum_input is None and at_input > SAFE:
        words = f"{show(at_input, 'V')} at {spec.name}, and the bench file does not say what its input bears."
        finding.add("maximum input", "warn", words)
    if spec.maximum_input is not None and at_input > spec.maximum_input:
        words = f"{show(at_input, 'V')} at {spec.name}, whose input bears {show(spec.maximum_input, 'V')}."
        finding.add("maximum input", "refuse", words)
        return False
    return True


# meters


def _meter(
    finding: StepRows, source: MeterSource, spec: InstrumentSpec, probe: Probe | None, limits: Limits | None, top: float
) -> None:
    try:
        factor = probe_factor(probe, spec.input_resistance) if probe else 1.0
    except UncertaintyError as error:
        finding.add("probe", "refuse", str(error))
        return
    voltage = source.function in (Function.DC_VOLTAGE, Function.AC_VOLTAGE)
    if voltage and not _bears(finding, top, spec, probe, factor):
        return
    if probe is not None and not math.isclose(factor, probe.ratio, rel_tol=1e-4):
        resistance = show(spec.input_resistance or math.inf, "ohm")
        words = f"{probe.name} on {resistance} divides by {factor:.1f}, not {probe.ratio:g}; that is corrected."
        finding.add("probe factor", "note", words)
    if source.function is Function.AC_VOLTAGE and probe and probe.ratio >= DIVIDER and probe.bandwidth is None:
        words = f"{probe.name} has no bandwidth in the bench file: a bare divider is for DC only."
        finding.add("probe bandwidth", "warn", words)
    if limits is not None:
        _meter_accuracy(finding, source, spec, probe, limits, factor, top)


def _meter_accuracy(
    finding: StepRows,
    source: MeterSource,
    spec: InstrumentSpec,
    probe: Probe | None,
    limits: Limits,
    factor: float,
    top: float,
) -> None:
    at_input = top / factor
    row = spec.accuracy_at(source.function, at_input)
    if row is None and any(one.function is source.function for one in spec.accuracy):
        finding.add("range", "refuse", f"{spec.name} has no range for {show(at_input, source.unit)}.")
        return
    if row is None:
        words = f"the bench file gives no accuracy of {spec.name} for {source.function}: verdicts rest on counts only."
        finding.add("accuracy", "note", words)
        return
    window = _width(limits)
    if row.resolution and window and row.resolution * factor > window / 10.0:
        words = f"one count is {show(row.resolution * factor, source.unit)} of a window of {show(window, source.unit)}."
        finding.add("resolution", "warn" if row.resolution * factor > window / 2.0 else "note", words)
    middle = _middle(limits, top)
    parts = (row.limit(middle / factor) * factor, probe.tolerance * middle if probe else 0.0)
    _decides(finding, limits, math.hypot(*parts) / math.sqrt(3.0))


# scopes


def _scope(
    finding: StepRows, source: ScopeSource, spec: InstrumentSpec, probe: Probe | None, limits: Limits | None, top: float
) -> None:
    volts = max(source.swing or 0.0, top if source.unit == "V" else 0.0)
    factor = _scope_factor(finding, source, spec, probe)
    if factor is None or not _bears(finding, volts, spec, probe, factor) or limits is None:
        return
    if source.unit == "s":
        _scope_time(finding, spec, probe, limits)
    elif source.unit == "V":
        _scope_volts(finding, source, spec, probe, limits, top)


def _scope_factor(finding: StepRows, source: ScopeSource, spec: InstrumentSpec, probe: Probe | None) -> float | None:
    """What the probe divides by here; None where volts would come out wrong.

    A scope is told the printed ratio. What is shown of a direct voltage is corrected for the input; what a divider of
    resistors makes of an alternating one on another input nobody knows.
    """
    if probe is None:
        return 1.0
    try:
        factor = probe_factor(probe, spec.input_resistance)
    except UncertaintyError as error:
        if source.unit != "V":
            return probe.ratio
        finding.add("probe", "refuse", str(error))
        return None
    if source.unit != "V" or math.isclose(factor, probe.ratio, rel_tol=5e-3):
        return factor
    words = f"{probe.name} on {show(spec.input_resistance or math.inf, 'ohm')} divides by {factor:.4g}, not "
    words += f"{probe.ratio:g}"
    if source.measurement is Measurement.MEAN:
        finding.add("probe factor", "note", f"{words}; that is corrected.")
        return factor
    finding.add("probe factor", "refuse", f"{words}, and that holds for direct voltage only.")
    return None


def _scope_time(finding: StepRows, spec: InstrumentSpec, probe: Probe | None, limits: Limits) -> None:
    """Time between two edges: sample interval and timebase; and whether the edges are seen at all."""
    facts, shortest = spec.waveforms, min(abs(edge) for edge in (limits.low, limits.high) if edge is not None)
    widths = [1.0 / band for band in (facts.bandwidth, probe.bandwidth if probe else None) if band]
    if widths and (rise := 0.35 * math.hypot(*widths)) > shortest / 5.0:
        words = f"edges of {show(rise, 's')} at best, for a duration of {show(shortest, 's')}: too slow to tell."
        finding.add("bandwidth", "warn", words)
    if facts.sample_rate is None:
        finding.add("accuracy", "note", f"the bench file gives no sample rate of {spec.name}.")
        return
    interval = 1.0 / facts.sample_rate
    if interval > shortest / 20.0:
        words = f"one sample every {show(interval, 's')} for a duration of {show(shortest, 's')}."
        finding.add("sample rate", "warn", words)
    # Two free phases of the sample clock: triangular, h / sqrt 6.
    uncertainty = math.hypot(interval / math.sqrt(6.0), (facts.timebase or 0.0) * shortest / math.sqrt(3.0))
    _decides(finding, limits, uncertainty)


def _scope_volts(
    finding: StepRows, source: ScopeSource, spec: InstrumentSpec, probe: Probe | None, limits: Limits, top: float
) -> None:
    if spec.waveforms.vertical is None:
        finding.add("accuracy", "note", f"the bench file gives no vertical accuracy of {spec.name}.")
        return
    edges = [edge for edge in (limits.acceptable_low, limits.acceptable_high) if edge is not None]
    screen = max(2.0 * max(map(abs, edges), default=0.0), FINEST_SCREEN * (probe.ratio if probe else 1.0))
    from_zero = source.measurement in FROM_ZERO
    limit = spec.waveforms.limit_of_volts(_middle(limits, top), screen, probe, from_zero=from_zero)
    _decides(finding, limits, limit / math.sqrt(3.0))


# how well it decides


def _width(limits: Limits) -> float | None:
    """Of the window that decides about conformity; None where a side is open."""
    low, high = limits.acceptable
    return None if low is None or high is None else high - low


def _middle(limits: Limits, top: float) -> float:
    low, high = limits.window
    return top if low is None or high is None else abs(low + high) / 2.0


def _decides(finding: StepRows, limits: Limits, uncertainty: float) -> None:
    """The row about the test uncertainty ratio and the risk of a wrong verdict by the procedure's rule."""
    if uncertainty <= 0.0:
        return
    width, expanded = _width(limits), f"U {show(2.0 * uncertainty, limits.unit, digits=2)}"
    if width is None:
        wrong = worst_pass(math.inf, finding.rule)
        words = f"{expanded} at one limit ({finding.rule}): the worst value that passes is wrong in {wrong:.1%}."
        finding.add("decides", "ok", words)
        return
    ratio = width / (4.0 * uncertainty)
    risk = risks(ratio, finding.rule)
    level = "ok" if ratio >= FLOOR else "note" if ratio >= 1.0 else "warn"
    words = f"TUR {ratio:.1f} ({expanded} in {show(width, limits.unit)}), {finding.rule}: false accept "
    words += f"{risk.false_accept:.2%}, false reject {risk.false_reject:.2%}"
    words += f", undecided {risk.undecided:.0%}" if finding.rule == "guarded" else ""
    finding.add("decides", level, words + (": it cannot decide this window." if level == "warn" else "."))
