"""Pulse parameters of a record, with standard uncertainties, in the terms of IEEE 181, whose text was not read.

Rules of this module:

- A number is given only where the record holds it: a record of one pulse has no period, and says None.
- What would make a good-looking wrong number (clipping at a state, one sample per state, no two levels) raises
  SignalError; what makes a number worse (edges faster than the samples, glitches, pulses that vary) is flagged and
  is in the uncertainty.
- Uncertainty covers noise, slew, sample interval, quantisation and the timebase. It does not cover the gain and offset
  error of the instrument, which the bench file knows.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..errors import SignalError
from .aberrations import Aftermath, after_edges
from .alignment import mid_instants
from .instants import Instants, crossings, slope_at
from .ringing import Ring
from .runts import count_runts, misses_pulses, states_move
from .shapes import transition_time
from .states import States, settled
from .tally import StateLevels, find_levels, tally
from .timing import Edges, Timing, duty, merge, period, width
from .transitions import Transitions, find_transitions
from .waveform import Waveform

_SLOW = 0.6
_NEVER = 0.05  # samples from either state to the 50 % instant: a straight line from 10 to 90 % takes more
_Pair = tuple[float, float]  # value and standard uncertainty


class Caution(enum.StrEnum):
    """What to know before believing a result."""

    CLIPPED = "peaks reach the limits of the converter; overshoot is at least what is shown"
    UNTRIGGERED = "the scope was not triggered"
    UNRESOLVED = "edges are faster than two samples"
    GLITCHES = "short glitches were left out"
    VARIES = "times vary more than the noise explains"
    COARSE = "too few samples to show peaks after an edge; overshoot may be larger than shown"
    UNSETTLED = "a state is too short to settle"
    RUNT = "a pulse is missing, or does not reach its state (runt)"
    SLOW = "edges take most of the time: the states are hardly reached"
    MOVES = "the states move: hum, or a baseline that wanders"


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """What the whole pulses of a record have in common.

    low_state, high_state, amplitude   V
    period, high_time, low_time        s, between 50 % instants; None where the record holds no whole one
    duty_factor                        high time over period
    rise_time, fall_time               s, between the 10 % and 90 % instants
    overshoot    fraction of the amplitude by which the signal goes above its state after an edge, either edge
    undershoot   fraction of the amplitude by which it goes below its state after an edge, either edge
    ring_frequency, ring_damping       Hz, damping ratio (1 is critical); None where nothing rings
    ring_energy  s, integral of (deviation / amplitude)^2 after an edge has reached its state, the larger of both edges
    cycles       whole periods in the record
    period_jitter  s, standard deviation of the single periods; None for fewer than three
    noise        V, standard deviation of one sample; its own uncertainty and that of the jitter for normal scatter
    after_rise, after_fall  overshoot, undershoot and ringing of each direction by itself
    rises, falls 50 % instants, s on the record's time axis
    cautions     see `Caution`
    uncertainty  standard uncertainty of each result that is not None, by its name
    """

    low_state: float
    high_state: float
    amplitude: float
    period: float | None
    high_time: float | None
    low_time: float | None
    duty_factor: float | None
    rise_time: float
    fall_time: float
    overshoot: float
    undershoot: float
    ring_frequency: float | None
    ring_damping: float | None
    ring_energy: float
    cycles: int
    period_jitter: float | None
    noise: float
    after_rise: Aftermath
    after_fall: Aftermath
    rises: NDArray[np.float64]
    falls: NDArray[np.float64]
    cautions: frozenset[Caution] = frozenset()
    uncertainty: Mapping[str, float] = field(default_factory=dict)

    @property
    def frequency(self) -> float | None:
        """Hz; None without a period."""
        return None if self.period is None else 1.0 / self.period


@dataclass(frozen=True, slots=True)
class _Found:
    """Everything measured, still in samples and volts."""

    states: States
    transitions: Transitions
    rising: Instants
    falling: Instants
    edges: Edges
    aftermaths: tuple[Aftermath, Aftermath]

    def room(self) -> tuple[float, float]:
        """Samples that an edge usually has to the next one, after a rising and after a falling edge."""
        gaps = np.diff(self.edges.instants)
        up = self.edges.upward[:-1]
        after_rise, after_fall = (float(np.median(gaps[one])) if one.any() else np.inf for one in (up, ~up))
        return after_rise, after_fall


def measure_pulses(waveform: Waveform) -> Pulses:
    """Measure the pulses of a record: at least one rising and one falling edge, in either order.

    Raises SignalError, with the numbers, where there is no pulse: constant, noise only, a single edge, states that hold
    one or two samples, a state at the limits of the converter.

    >>> import numpy as np
    >>> times = np.arange(5000) * 20e-9
    >>> volts = np.where(times % 50e-6 < 10e-6, 5.0, 0.0) + np.random.default_rng(1).normal(0.0, 0.02, 5000)
    >>> pulses = measure_pulses(Waveform(volts, 20e-9))
    >>> f"{pulses.high_time * 1e6:.1f} us high, {pulses.duty_factor:.2f}"
    '10.0 us high, 0.20'
    """
    found = _find(waveform)
    return _report(waveform, found)


def _find(waveform: Waveform) -> _Found:
    counted = tally(waveform)
    levels = find_levels(counted)
    _refuse_clipped(waveform, levels)
    transitions = find_transitions(waveform, levels)
    _refuse_pulseless(transitions, levels, waveform)
    upward = transitions.upward()
    rough = crossings(waveform, transitions, levels.at(0.5))
    slopes = _slopes(waveform, transitions, rough, levels)
    durations = (0.8 * levels.amplitude / slopes[0], 0.8 * levels.amplitude / slopes[1])
    aftermaths = after_edges(waveform, rough, upward, levels, durations)
    states = settled(waveform, levels, transitions, rough, durations, aftermaths.settling, counted.quantum)
    rough = crossings(waveform, transitions, states.at(0.5))
    spans = transitions.first - transitions.last
    rising, falling = (
        mid_instants(waveform, rough[mask], spans[mask], slope, states, rising=up)
        for up, mask, slope in ((True, upward, slopes[0]), (False, ~upward, slopes[1]))
    )
    rising, falling = _within(rising, transitions, upward), _within(falling, transitions, ~upward)
    edges = merge(rising, falling, upward, states.mid_uncertainty)
    return _Found(states, transitions, rising, falling, edges, aftermaths.measured(states))


def _within(found: Instants, transitions: Transitions, mask: NDArray[np.bool_]) -> Instants:
    """The instants, none of them outside of its transition: there the level is at most 10 %, or at least 90 %."""
    times = np.clip(found.times, transitions.last[mask] + _NEVER, transitions.first[mask] - _NEVER)
    return replace(found, times=times)


def _slopes(
    waveform: Waveform, transitions: Transitions, rough: NDArray[np.float64], levels: StateLevels
) -> tuple[float, float]:
    upward = transitions.upward()
    spans = transitions.first - transitions.last
    up, down = (slope_at(waveform, rough[mask], spans[mask], levels.amplitude) for mask in (upward, ~upward))
    return up, down


def _refuse_clipped(waveform: Waveform, levels: StateLevels) -> None:
    if waveform.code_limits is None or not waveform.clipped:
        return
    ends = sorted(code * waveform.scale + waveform.offset for code in waveform.code_limits)
    step = abs(waveform.scale)
    for level, end, name in ((levels.low, ends[0], "low"), (levels.high, ends[1], "high")):
        if abs(level - end) < step:
            raise SignalError(
                f"The {name} state, {level:.6g} V, is clipped at the converter's limit of {end:.6g} V.",
                next_step="Use more volts per division or move the trace, and take the record again.",
            )


def _refuse_pulseless(transitions: Transitions, levels: StateLevels, waveform: Waveform) -> None:
    if len(transitions) < 2:
        raise SignalError(
            f"The record of {waveform.duration:.4g} s goes {len(transitions)} times between {levels.low:.6g} V and "
            f"{levels.high:.6g} V: there is no whole pulse.",
            next_step="Use a longer timebase or check the trigger.",
        )
    held = transitions.last[1:] - transitions.first[:-1] + 1
    fewest = float(min(np.median(held[0::2]), np.median(held[1::2]) if held.size > 1 else np.inf))
    if fewest < 3.0:
        raise SignalError(
            f"A state is held for {fewest:.3g} samples of {waveform.interval:.4g} s: too few for a pulse, or a glitch.",
            next_step="Use a shorter timebase, so that each state holds at least ten samples.",
        )


def _report(waveform: Waveform, found: _Found) -> Pulses:
    """Samples become seconds; results that are not there become None."""
    step, states, edges = waveform.interval, found.states, found.edges
    high, low, cycle = width(edges, high=True), width(edges, high=False), period(edges)
    factor = duty(edges, high, cycle) if high and cycle else None
    errors: dict[str, float] = {}

    def kept(name: str, pair: _Pair) -> float:
        errors[name] = float(pair[1])
        return float(pair[0])

    def perhaps(name: str, pair: _Pair | None) -> float | None:
        return kept(name, pair) if pair else None

    ring = _ring(*found.aftermaths)
    return Pulses(
        low_state=kept("low_state", (states.low.level, states.low.uncertainty)),
        high_state=kept("high_state", (states.high.level, states.high.uncertainty)),
        amplitude=kept("amplitude", (states.amplitude, 2.0 * states.mid_uncertainty)),
        period=perhaps("period", _seconds(waveform, cycle)),
        high_time=perhaps("high_time", _seconds(waveform, high)),
        low_time=perhaps("low_time", _seconds(waveform, low)),
        duty_factor=perhaps("duty_factor", (factor.value, factor.uncertainty) if factor else None),
        rise_time=kept("rise_time", _transition(waveform, found, rising=True)),
        fall_time=kept("fall_time", _transition(waveform, found, rising=False)),
        overshoot=kept("overshoot", _largest(found.aftermaths, "overshoot")),
        undershoot=kept("undershoot", _largest(found.aftermaths, "undershoot")),
        ring_frequency=perhaps("ring_frequency", _hertz(waveform, ring)),
        ring_damping=perhaps("ring_damping", (ring.damping, ring.damping_uncertainty) if ring else None),
        ring_energy=kept("ring_energy", _energy(waveform, found.aftermaths)),
        cycles=max(found.rising.times.size, found.falling.times.size, 1) - 1,
        period_jitter=perhaps("period_jitter", _jitter(cycle, step)),
        noise=kept("noise", _spread(states.noise, states.low.samples + states.high.samples)),
        after_rise=found.aftermaths[0],
        after_fall=found.aftermaths[1],
        rises=waveform.start + found.rising.times * step,
        falls=waveform.start + found.falling.times * step,
        cautions=_cautions(waveform, found, (high, low, cycle)),
        uncertainty=MappingProxyType(errors),
    )


def _transition(waveform: Waveform, found: _Found, *, rising: bool) -> _Pair:
    instants = found.rising if rising else found.falling
    after, before = found.room() if rising else found.room()[::-1]
    value, error = transition_time(waveform, instants, found.states, (before, after), rising=rising)
    seconds = value * waveform.interval
    return seconds, float(np.hypot(error * waveform.interval, seconds * _timebase(waveform)))


def _hertz(waveform: Waveform, ring: Ring | None) -> _Pair | None:
    if ring is None:
        return None
    frequency = ring.frequency / waveform.interval
    return frequency, float(np.hypot(ring.frequency_uncertainty / waveform.interval, frequency * _timebase(waveform)))


def _timebase(waveform: Waveform) -> float:
    """Relative standard uncertainty of the time axis: a rectangular limit (GUM 4.3.7)."""
    return float(waveform.timebase_accuracy / np.sqrt(3.0))


def _seconds(waveform: Waveform, timing: Timing | None) -> _Pair | None:
    if timing is None:
        return None
    value = timing.value * waveform.interval
    return value, float(np.hypot(timing.uncertainty * waveform.interval, value * _timebase(waveform)))


def _largest(aftermaths: tuple[Aftermath, Aftermath], name: str) -> _Pair:
    pairs = [(float(getattr(each, name)), float(getattr(each, f"{name}_uncertainty"))) for each in aftermaths]
    return max(pairs)


def _energy(waveform: Waveform, aftermaths: tuple[Aftermath, Aftermath]) -> _Pair:
    value, error = _largest(aftermaths, "energy")
    return value * waveform.interval, error * waveform.interval


def _jitter(cycle: Timing | None, step: float) -> _Pair | None:
    if cycle is None or cycle.single.size < 3:
        return None
    return _spread(float(cycle.single.std(ddof=1)) * step, cycle.single.size)


def _spread(deviation: float, count: int) -> _Pair:
    """A standard deviation with its own standard uncertainty, s / sqrt(2 (n - 1)) (GUM E.4.3)."""
    return deviation, deviation / float(np.sqrt(2.0 * max(count - 1, 1)))


def _ring(*aftermaths: Aftermath) -> Ring | None:
    """The ringing of the direction that shows it better."""
    rings = [each.ring for each in aftermaths if each.ring]
    return min(rings, key=lambda ring: ring.frequency_uncertainty / ring.frequency, default=None)


def _slow(waveform: Waveform, found: _Found) -> bool:
    """A transition, 10 to 90 %, takes more than 0.6 of the time to the next edge."""
    after_rise, after_fall = found.room()
    rise = _transition(waveform, found, rising=True)[0] / waveform.interval
    fall = _transition(waveform, found, rising=False)[0] / waveform.interval
    return rise > _SLOW * after_rise or fall > _SLOW * after_fall


def _cautions(waveform: Waveform, found: _Found, timings: tuple[Timing | None, ...]) -> frozenset[Caution]:
    unsettled = min(found.states.low.samples, found.states.high.samples) == 0
    unresolved = not (found.rising.resolved and found.falling.resolved)
    checks = {
        Caution.CLIPPED: waveform.clipped,
        Caution.UNTRIGGERED: not waveform.triggered,
        Caution.UNRESOLVED: unresolved,
        Caution.GLITCHES: found.transitions.glitches + found.states.low.glitches + found.states.high.glitches > 0,
        Caution.VARIES: any(timing.varies for timing in timings if timing),
        Caution.COARSE: unresolved or any(each.coarse for each in found.aftermaths),
        Caution.UNSETTLED: unsettled,
        Caution.RUNT: count_runts(waveform, found.states, found.edges) > 0 or misses_pulses(found.edges),
        Caution.SLOW: _slow(waveform, found),
        Caution.MOVES: states_move(waveform, found.states, found.edges),
    }
    return frozenset(caution for caution, applies in checks.items() if applies)
