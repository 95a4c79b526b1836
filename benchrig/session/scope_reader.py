"""A scope as a source of readings: set up, look coarse, go fine, measure, and say when a record does not count.

Rules it keeps:
1. It begins coarse, so that the first record is whole; then it goes finer as the value comes near what is looked for.
2. A clipped record gives no number. It makes the scale coarser, unless the busy phase of a gated signal explains it.
3. With a quiet phase asked for, only records that lie wholly in it count; what tells them apart is `signals.gating`.
   A clipped one is busy: on a fine scale its peaks are cut down to the size of quiet ones on a coarse scale.
4. The first reading on another scale says so, so that no row of readings runs across the change.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from ..bench.model import InstrumentSpec, Probe
from ..clock import Clock
from ..errors import InstrumentError, Refused, SignalError
from ..judgement.correction import probe_factor
from ..procedure.checks import PEAK_LIMIT
from ..procedure.quantities import FROM_ZERO, Limits, Measurement, ScopeSource
from ..readings import Flag, Reading
from ..signals import Gate, GatePhase, hum, mean, measure_pulses, record_activity, rms
from ..signals.pulses import Caution, Pulses
from ..signals.waveform import Waveform
from ..units import show

DIVISIONS = 8
FILL = 0.8  # of the screen that a signal should take
CROWDED, LOST = 0.85, 0.3  # of the screen: coarser above, finer below
BUSY_FOR = 12.0  # s of clipping in a row that a busy phase may explain
UNTRIGGERED = 0.1  # s to wait for a trigger where none is needed
PACE = 0.05  # s between records at least: no eye or hand follows faster, and a record kept of more is only larger
LEVELS = frozenset({Measurement.MEAN, Measurement.RMS, Measurement.PEAK_TO_PEAK, Measurement.HUM})
_STEPS = (1.0, 2.0, 5.0)

_PULSE_NAMES: Mapping[Measurement, str] = {
    Measurement.HIGH_TIME: "high_time",
    Measurement.LOW_TIME: "low_time",
    Measurement.PERIOD: "period",
    Measurement.DUTY_FACTOR: "duty_factor",
    Measurement.OVERSHOOT: "overshoot",
}


@dataclass(frozen=True, slots=True)
class RecordValue:
    """A value from one record and its standard uncertainty; `flags`: what to know before believing it."""

    value: float
    uncertainty: float
    flags: Flag = Flag.NONE


class ScopeReader:
    """Makes one reading of a scope source at each call. Belongs to one thread."""

    def __init__(
        self,
        source: ScopeSource,
        limits: Limits | None,
        spec: InstrumentSpec,
        probe: Probe | None,
        mains: float,
        clock: Clock,
        *,
        harmless: bool = False,
    ) -> None:
        self._source = source
        self._harmless = harmless  # no hazard was declared: a record of hazardous volts is refused
        self._limits = limits
        self._spec = spec
        self._probe = probe
        self._mains = mains
        self._clock = clock
        self._true = true_volts(source, spec, probe)
        self._scale = coarse(source, limits)
        self._centre = 0.0
        self._sent = (0.0, 0.0)  # scale and centre as the scope has them
        self._finest = 0.0
        self._coarsest = math.inf
        self._gate = Gate()
        self._clipped_since: float | None = None
        self._rescaled = False
        self._set_up = False
        self._levelled = False
        self._searched = False  # the present record was taken before the trigger was set to its signal
        self._last = -math.inf

    def __call__(self, driver: Any, deadline: float) -> Reading:
        """One reading from one fresh record."""
        self._clock.sleep_until(min(self._last + PACE, deadline))
        self._last = self._clock.now()
        return self._reading(self.record(driver, deadline), driver)

    def set_up(self, driver: Any) -> None:
        """Send every setting: at first, and after the scope was used for another source."""
        self._prepare(driver)

    def record(self, driver: Any, deadline: float) -> Waveform:
        """One fresh record with the present settings."""
        if not self._set_up:
            self._prepare(driver)
        # A quiet signal gives no trigger, and where the edges of the others lie is not known yet: do not wait long.
        if self._source.measurement in LEVELS or not self._levelled:
            duration = self._source.duration or span_of(self._source, self._mains)
            deadline = min(deadline, self._clock.now() + UNTRIGGERED + 2.0 * duration)
        self._searched = not self._levelled
        wave: Waveform = driver.fresh_capture(self._source.channel, deadline)
        if self._harmless:
            require_harmless(wave)
        if not (self._levelled or wave.clipped):
            self._level_trigger(driver, wave)
        return wave

    def _level_trigger(self, driver: Any, wave: Waveform) -> None:
        """Trigger half-way between the lowest and the highest that a whole record shows."""
        if self._source.measurement not in LEVELS:
            self._centre = sum(span_volts(wave)) / 2.0
            driver.set_trigger(source=self._source.channel, level=self._centre)
        self._levelled = True

    def _prepare(self, driver: Any) -> None:
        source = self._source
        ratio = self._probe.ratio if self._probe else 1.0
        # A limit that somebody left on would round edges and hide ringing.
        driver.set_channel(source.channel, coupling="dc", probe=ratio, bandwidth_limit=False)
        driver.set_channel(source.channel, scale=self._scale, offset=self._centre)
        duration = source.duration or span_of(source, self._mains)
        driver.set_timebase(scale=duration / 10.0, position=0.0)
        driver.set_trigger(source=source.channel, level=self._centre, slope="rising", sweep="auto")
        self._set_up = True

    def _reading(self, wave: Waveform, driver: Any) -> Reading:
        now = self._clock.now()
        flags = self._phase_flags(wave) | (Flag.RANGE_CHANGED if self._rescaled else Flag.NONE)
        self._rescaled = False
        if wave.clipped:
            self._clipped(driver, now, busy=bool(flags & Flag.BUSY))
            return Reading(None, self._source.unit, now, flags | Flag.CLIPPED, aperture=wave.duration)
        self._clipped_since = None
        try:
            found = measured(wave, self._source)
        except SignalError as error:
            self._sized(driver, wave, 0.0)
            text = error.message
            return Reading(None, self._source.unit, now, flags | Flag.INVALID, aperture=wave.duration, text=text)
        if not flags & Flag.BUSY:
            self._sized(driver, wave, found.value)
        if self._searched:  # it was taken to find where the trigger has to be: that it had none says nothing
            found = replace(found, flags=found.flags & ~Flag.UNTRIGGERED)
        found = replace(found, value=found.value * self._true, uncertainty=found.uncertainty * self._true)
        uncertainty = math.hypot(found.uncertainty, self._instrument_uncertainty(found.value))
        in_volts = self._source.unit == "V" and wave.codes is not None
        resolution = abs(wave.scale) * self._true if in_volts else None
        return Reading(found.value, self._source.unit, now, flags | found.flags, resolution, wave.duration, uncertainty)

    def _phase_flags(self, wave: Waveform) -> Flag:
        if not self._source.quiet:
            return Flag.NONE
        seen = record_activity(wave)
        self._gate = self._gate.step(max(seen, self._gate.busy_activity) if wave.clipped else seen)
        return Flag.NONE if self._gate.phase is GatePhase.QUIET and not wave.clipped else Flag.BUSY

    # the scale

    def _clipped(self, driver: Any, now: float, *, busy: bool) -> None:
        if self._clipped_since is None:
            self._clipped_since = now
        if self._source.quiet and busy and now - self._clipped_since < BUSY_FOR:
            return
        self._clipped_since = now
        self._set_scale(driver, self._scale * 4.0)

    def _sized(self, driver: Any, wave: Waveform, value: float) -> None:
        """Finer or coarser, so that the signal fills the screen and what is looked for is on it too."""
        low, high = span_volts(wave)
        target = self._target_volts()
        reach = max(abs(low - target), abs(high - target)) if target is not None else (high - low) / 2.0
        centre = target if target is not None else (low + high) / 2.0
        share = 2.0 * reach / (DIVISIONS * self._scale)
        off_centre = abs(centre - self._centre) > 0.1 * DIVISIONS * self._scale
        if LOST <= share <= CROWDED and not off_centre:
            return
        self._centre = centre
        self._set_scale(driver, 2.0 * reach / (FILL * DIVISIONS))

    def _target_volts(self) -> float | None:
        """For a level: the middle of its window, which stays in the middle of the screen."""
        if self._source.measurement is not Measurement.MEAN or self._limits is None:
            return None
        if self._limits.low is None or self._limits.high is None:
            return None
        return (self._limits.low + self._limits.high) / 2.0 / self._true

    def _set_scale(self, driver: Any, wanted: float) -> None:
        scale = one_two_five(min(max(wanted, self._finest, 1e-6), self._coarsest))
        if (scale, self._centre) == self._sent:  # as fine as this scope goes
            return
        try:
            driver.set_channel(self._source.channel, scale=scale, offset=self._centre)
        except InstrumentError:  # beyond what this scope has: remember, and stay where it works
            if scale < self._scale:
                self._finest = scale * 1.5
            else:
                self._coarsest = scale / 1.5
            driver.set_channel(self._source.channel, scale=self._scale, offset=self._centre)
            self._sent = (self._scale, self._centre)
            return
        if self._source.measurement not in LEVELS:
            driver.set_trigger(source=self._source.channel, level=self._centre)
        self._rescaled, self._sent = True, (scale, self._centre)
        self._scale = scale

    def _instrument_uncertainty(self, value: float) -> float:
        """What the scope's data sheet adds, as rectangular limits (GUM 4.3.7)."""
        waveforms = self._spec.waveforms
        if self._source.unit == "s":
            return (waveforms.timebase or 0.0) * abs(value) / math.sqrt(3.0)
        if self._source.unit != "V":
            return 0.0
        screen, from_zero = DIVISIONS * self._scale * self._true, self._source.measurement in FROM_ZERO
        return waveforms.limit_of_volts(value, screen, self._probe, from_zero=from_zero) / math.sqrt(3.0)


def true_volts(source: ScopeSource, spec: InstrumentSpec, probe: Probe | None) -> float:
    """Volts at the tip for each volt that the scope shows, which divides by the ratio printed on the probe.

    For a mean only: what resistors divide is direct voltage. `procedure.preflight` refuses other volts through a probe
    that is made for another input.
    """
    if probe is None or source.measurement is not Measurement.MEAN:
        return 1.0
    return probe_factor(probe, spec.input_resistance) / probe.ratio


def coarse(source: ScopeSource, limits: Limits | None) -> float:
    """Volts per division at first: the given swing, or twice the largest volts looked for."""
    if source.swing is not None:
        return one_two_five(source.swing / 3.0)  # it may stand above or below zero
    edges = [] if limits is None or limits.unit != "V" else [abs(e) for e in limits.acceptable if e is not None]
    return one_two_five(2.0 * max(edges) / 3.0) if edges and max(edges) > 0.0 else 5.0


def span_of(source: ScopeSource, mains: float) -> float:
    """Seconds a record should hold: whole mains cycles for levels, enough of the band for a hum."""
    if source.band is not None:
        return max(0.2, 10.0 / source.band[0])
    if source.measurement in (Measurement.MEAN, Measurement.RMS, Measurement.PEAK_TO_PEAK):
        return 1.0 / mains
    return 1e-3


def one_two_five(wanted: float) -> float:
    """The next step of 1-2-5 at or above `wanted`."""
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next((step * decade for step in (*_STEPS, 10.0) if step * decade >= wanted * 0.999999), 10.0 * decade)


def require_harmless(record: Waveform) -> None:
    """Raises Refused for a record that reaches beyond the limit for peaks, whatever is measured on it."""
    worst = max(span_volts(record), key=abs)
    if abs(worst) > PEAK_LIMIT:
        raise Refused(
            f"The record reaches {show(worst, 'V')}, above {show(PEAK_LIMIT, 'V')}: it can hurt. Hands away.",
            next_step="Make it safe, then declare the hazard in a procedure: it has hold points (benchrig run).",
        )


def span_volts(wave: Waveform) -> tuple[float, float]:
    """Lowest and highest volts of a record."""
    samples = wave.samples
    low, high = sorted(float(code) * wave.scale + wave.offset for code in (samples.min(), samples.max()))
    return low, high


def measured(wave: Waveform, source: ScopeSource) -> RecordValue:
    """The source's measurement on one record. Raises SignalError where the record does not hold it."""
    levels: Mapping[Measurement, Callable[[], Any]] = {
        Measurement.MEAN: lambda: mean(wave),
        Measurement.RMS: lambda: rms(wave, ac=True),
        Measurement.HUM: lambda: hum(wave, *(source.band or (0.0, 0.0))),
    }
    if source.measurement in levels:
        return RecordValue(*levels[source.measurement]())
    if source.measurement is Measurement.PEAK_TO_PEAK:
        low, high = span_volts(wave)
        return RecordValue(high - low, abs(wave.scale))
    return _pulse(wave, source.measurement)


def _pulse(wave: Waveform, measurement: Measurement) -> RecordValue:
    pulses = measure_pulses(wave)
    if measurement is Measurement.FREQUENCY:
        period = pulses.period
        if not period:
            raise SignalError("The record holds no whole period.", next_step="Take a longer record.")
        return RecordValue(1.0 / period, pulses.uncertainty.get("period", 0.0) / period**2, _told(pulses, "period"))
    name = _PULSE_NAMES[measurement]
    value = getattr(pulses, name)
    if value is None:
        raise SignalError(f"The record holds no whole {measurement}.", next_step="Take a longer record.")
    return RecordValue(float(value), float(pulses.uncertainty.get(name, 0.0)), _told(pulses, name))


def _told(pulses: Pulses, name: str) -> Flag:
    """What of the cautions of a record concerns this result."""
    peaks = name in ("overshoot", "undershoot")
    concern = {
        Caution.COARSE: peaks,
        Caution.UNRESOLVED: peaks or name in ("rise_time", "fall_time"),
        Caution.VARIES: name in ("period", "high_time", "low_time", "duty_factor"),
        Caution.GLITCHES: True,
        Caution.UNTRIGGERED: True,
        Caution.RUNT: True,
        Caution.SLOW: True,
        Caution.MOVES: True,
    }
    flags = Flag.NONE
    for caution in pulses.cautions:
        if concern.get(caution):
            flags |= Flag[caution.name]
    return flags
