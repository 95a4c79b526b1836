"""Strokes and pulses, held against independent quadrature and pulse arithmetic."""

import math

import numpy as np
import pytest
from benchrig.sim_instruments.pulses import Drawn, Pulse, PulseTrain, Strokes
from scipy import integrate, signal

from benchrig.clock import SimClock

PLAIN = Pulse(14e-6, 46e-6, 0.15, 11.2, 0.12e-6)
RINGING = Pulse(14e-6, 46e-6, 0.0, 20.0, 0.12e-6, 4.0, 1.5e-6, 1.2e6)
STROKES = Strokes(0.02, [2.0, -2.0, 0.7, 1.1, -0.4])


@pytest.mark.parametrize("until", [0.003, 0.02, 0.0317, -0.004])
def test_stroke_areas_agree_with_independent_quadrature(until: float) -> None:
    """scipy.integrate.quad, with the corners named to it."""
    corners = [c for c in np.arange(-2, 9) * 0.004 if min(0.0, until) < c < max(0.0, until)]
    for area, power in ((STROKES.area, 1), (STROKES.square_area, 2)):
        expected, _ = integrate.quad(
            lambda t, p=power: float(STROKES.values(np.array([t]))[0]) ** p, 0.0, until, points=corners or None
        )
        assert area(until) == pytest.approx(expected, abs=1e-12)


def test_mean_of_a_pulse_train_is_its_duty_factor() -> None:
    """Mean = low + duty * (high - low), exact for edges that are symmetric about their middle: pulse arithmetic."""
    train = PulseTrain(SimClock(), PLAIN, 100.0)
    duty = 14.0 / 60.0
    assert train.average(0.0, 60e-6 * 1000) == pytest.approx(0.15 + duty * 11.05, rel=1e-9)
    assert train.average(3.1e-6, 72 * 3600.0) == pytest.approx(0.15 + duty * 11.05, rel=1e-9)


@pytest.mark.parametrize("pulse", [PLAIN, RINGING])
@pytest.mark.parametrize(("start", "stop"), [(0.0, 60e-6), (2e-6, 13e-6), (13.9e-6, 61e-6), (5e-6, 400e-6)])
def test_any_window_agrees_with_dense_samples(pulse: Pulse, start: float, stop: float) -> None:
    """Mean and RMS by the trapezoidal rule over two million samples."""
    train = PulseTrain(SimClock(), pulse, 100.0)
    step = (stop - start) / 2_000_000
    volts = train.samples(start, step, 2_000_001)
    mean = integrate.trapezoid(volts, dx=step) / (stop - start)
    square = integrate.trapezoid((volts - mean) ** 2, dx=step) / (stop - start)
    assert train.average(start, stop) == pytest.approx(mean, rel=1e-6)
    assert train.rms(start, stop) == pytest.approx(math.sqrt(square), rel=1e-6)


def test_times_are_those_between_half_levels() -> None:
    """Width and period at 50 %, by linear interpolation, as IEEE 181 (= IEC 60469) defines them."""
    train = PulseTrain(SimClock(), PLAIN, 100.0)
    step = 20e-9
    volts = train.samples(-10e-6, step, 10_000)
    middle = (PLAIN.low + PLAIN.high) / 2.0
    above = volts >= middle
    at = np.flatnonzero(above[1:] != above[:-1])
    crossings = (at + (middle - volts[at]) / (volts[at + 1] - volts[at])) * step
    rising = crossings[~above[at]]
    falling = crossings[above[at]]
    width = falling[falling > rising[0]][0] - rising[0]
    assert width == pytest.approx(14e-6, abs=1e-12)
    assert np.diff(rising) == pytest.approx(60e-6, abs=1e-12)


def test_ring_has_its_frequency_and_decay() -> None:
    """Same-sign peaks are 1/f apart and shrink by exp(-1/(f tau)): the logarithmic decrement of any vibration text."""
    train = PulseTrain(SimClock(), RINGING, 75.0)
    step = 1e-9
    tail = train.samples(0.13e-6, step, 6000) - 20.0
    peaks, _ = signal.find_peaks(tail, height=0.2)
    assert np.diff(peaks) * step == pytest.approx(1.0 / 1.2e6, abs=2 * step)
    decrement = np.log(tail[peaks][:-1] / tail[peaks][1:])
    assert decrement == pytest.approx(1.0 / (1.2e6 * 1.5e-6), rel=0.01)


def test_first_peak_of_a_ring() -> None:
    """a exp(-t/td) sin(wt) with a = 1.5 V, td = 1 us, f = 2 MHz peaks at 118.681 ns with 1.327939 V (worked out)."""
    pulse = Pulse(14e-6, 46e-6, 0.0, 5.0, 1e-9, 1.5, 1e-6, 2e6)
    volts = pulse.values(1e-9 + np.arange(0.0, 0.3e-6, 1e-11)) - 5.0
    assert volts.max() == pytest.approx(1.327939, abs=1e-6)
    assert volts.argmax() * 1e-11 == pytest.approx(118.681e-9, abs=2e-11)


def test_phase_runs_on_through_a_change() -> None:
    """A record cut in two anywhere fits together, across the change as well."""
    clock = SimClock()
    train = PulseTrain(clock, PLAIN, 100.0)
    clock.sleep_until(1.0)
    other = Pulse(15e-6, 44e-6, 0.15, 11.2, 0.12e-6)
    train.change([(1.0, other), (1.00005, PLAIN)])
    whole = train.samples(0.9999, 1e-7, 3000)
    parts = [train.samples(0.9999 + a * 1e-7, 1e-7, b - a) for a, b in ((0, 777), (777, 1001), (1001, 3000))]
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-3)
    assert np.max(np.abs(np.diff(whole))) <= 11.05 * 1e-7 / 0.12e-6 + 1e-3  # never steeper than an edge


def test_a_plan_for_later_gives_way_to_a_new_one() -> None:
    """The hand turned again before the last turn had settled."""
    clock = SimClock()
    train = PulseTrain(clock, PLAIN, 100.0)
    longer = Pulse(15e-6, 46e-6, 0.15, 11.2, 0.12e-6)
    longest = Pulse(16e-6, 46e-6, 0.15, 11.2, 0.12e-6)
    train.change([(0.0, longer), (0.5, longest)])
    clock.sleep_until(0.2)
    train.change([(0.2, PLAIN)])
    clock.sleep_until(0.6)
    assert train.pulse == PLAIN


def test_stuck_timer_is_flat() -> None:
    """No pulses, no ripple."""
    train = PulseTrain(SimClock(), Pulse(0.0, 46e-6, 0.15, 11.2, 0.12e-6), 100.0)
    assert train.average(0.0, 1.0) == pytest.approx(0.15)
    assert train.rms(0.0, 1.0) == 0.0
    assert np.all(train.samples(0.0, 1e-6, 100) == 0.15)


def test_strokes_are_there_only_while_something_is_drawn() -> None:
    """Text from 1.0 to 2.5 s on a level of 3 V."""

    def spans(start: float, stop: float) -> list[tuple[float, float, float]]:
        begin, end = max(start, 1.0), min(stop, 2.5)
        return [(begin, end, 1.0)] if begin < end else []

    node = Drawn(lambda times: 3.0, STROKES, spans, resistance=600.0)
    volts = node.samples(0.0, 1e-5, 400_000)
    assert np.all(volts[:100_000] == 3.0)
    assert np.all(volts[250_001:] == 3.0)
    assert np.ptp(volts[100_000:250_000]) == pytest.approx(4.0, rel=1e-3)
    assert node.average(0.0, 4.0) == pytest.approx(volts.mean(), abs=1e-5)
    assert node.rms(0.0, 4.0) == pytest.approx(volts.std(), abs=1e-5)
    assert node.average(0.0, 1.0) == 3.0
    assert node.rms(3.0, 4.0) == 0.0
