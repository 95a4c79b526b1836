"""Test points in closed form, held against independent quadrature and textbook dividers."""

import math

import numpy as np
import pytest
from benchrig.sim_instruments.histories import Relaxing
from benchrig.sim_instruments.interfaces import Node
from benchrig.sim_instruments.nodes import (
    OPEN,
    Analogue,
    Jack,
    Resistor,
    Steady,
    Tones,
    through_divider,
)
from scipy import integrate

from benchrig.clock import SimClock


def busy_node() -> tuple[SimClock, Analogue]:
    """A level that was changed twice, with hum on it."""
    clock = SimClock()
    level = Relaxing(clock, 5.0, 0.05)
    tones = Tones.of((0.3, 100.0, 0.4), (0.1, 50.0, 1.0), (0.05, 0.7, 2.0))
    node = Analogue(level.at, resistance=50.0, tones=tones, breaks=level.breaks)
    clock.sleep_until(1.0)
    level.go(8.0, 0.2)
    clock.sleep_until(1.1)
    level.go(2.0, 0.03)
    clock.sleep_until(3.0)
    return clock, node


def by_quad(node: Node, start: float, stop: float, power: int = 1, about: float = 0.0) -> float:
    """Mean of (v - about)**power by scipy's adaptive quadrature."""

    def value(time: float) -> float:
        return float((node.samples(time, 0.0, 1)[0] - about) ** power)

    breaks = [b for b in (1.0, 1.1) if start < b < stop]
    total, _ = integrate.quad(value, start, stop, points=breaks or None, limit=2000, epsabs=1e-11, epsrel=1e-11)
    return float(total) / (stop - start)


@pytest.mark.parametrize(("start", "stop"), [(0.9, 1.3), (1.0, 1.02), (1.05, 1.06), (0.2, 0.5), (1.4, 2.9)])
def test_average_agrees_with_independent_quadrature(start: float, stop: float) -> None:
    """scipy.integrate.quad over the node's own samples."""
    _, node = busy_node()
    assert node.average(start, stop) == pytest.approx(by_quad(node, start, stop), rel=2e-7)


@pytest.mark.parametrize(("start", "stop"), [(0.9, 1.3), (1.0, 1.02), (0.2, 0.5)])
def test_rms_agrees_with_independent_quadrature(start: float, stop: float) -> None:
    """Of the alternating part: about the mean of the window."""
    _, node = busy_node()
    mean = by_quad(node, start, stop)
    expected = math.sqrt(by_quad(node, start, stop, 2, mean))
    assert node.rms(start, stop) == pytest.approx(expected, rel=1e-6)


def test_whole_mains_cycles_average_hum_away() -> None:
    """An aperture of one power line cycle rejects the mains and its harmonics: why meters count in such cycles."""
    node = Analogue(lambda times: 1.0, tones=Tones.of((5.0, 50.0, 0.3), (1.0, 150.0, 0.9)))
    assert node.average(12.34, 12.36) == pytest.approx(1.0, abs=1e-12)
    assert abs(node.average(12.34, 12.355) - 1.0) > 0.1


def test_a_sine_has_the_rms_of_a_sine() -> None:
    """Peak over the square root of two."""
    node = Analogue(lambda times: 0.0, tones=Tones.of((13.86, 50.0, 0.0)))
    assert node.rms(7.0, 7.2) == pytest.approx(13.86 / math.sqrt(2.0), rel=1e-12)


def test_three_days_later_costs_and_gives_the_same() -> None:
    """A window far from the origin loses nothing but the clock's own resolution."""
    node = Analogue(lambda times: 2.0, tones=Tones.of((1.0, 100.0, 0.1)))
    late = 72 * 3600.0
    assert node.average(late, late + 0.0123) == pytest.approx(node.average(0.0, 0.0123), abs=1e-6)


def test_a_window_that_makes_no_sense_is_refused() -> None:
    """Backwards, or without end."""
    node = Steady(1.0)
    for start, stop in ((2.0, 1.0), (0.0, math.inf), (math.nan, 1.0)):
        with pytest.raises(ValueError, match="cannot be averaged"):
            node.average(start, stop)


@pytest.mark.parametrize(
    ("meter", "shown"),
    [(10e6, 5800.0), (11e6, 5800.0 * 1.00917), (9.9e6, 5800.0 * 0.99899), (1e6, 3054.1), (10e9, 6443.0)],
)
def test_high_voltage_probe_is_right_only_into_its_own_meter(meter: float, shown: float) -> None:
    """999 Mohm over 1.1111 Mohm made for 10 Mohm; each figure from the voltage divider of any handbook."""
    probe = through_divider(Steady(5800.0), 999e6, 1.0 / (1.0 / 1e6 - 1.0 / 10e6))
    assert 1000.0 * probe.average(0.0, 1.0) * meter / (meter + probe.resistance) == pytest.approx(shown, rel=2e-5)
    lower = 1.0 / (1.0 / 1.1111111e6 + 1.0 / meter)
    loaded = 5800.0 * lower / (999e6 + lower)
    assert probe.average(0.0, 1.0) * meter / (meter + probe.resistance) == pytest.approx(loaded, rel=1e-6)


def test_probe_loads_a_weak_source() -> None:
    """1 Gohm on 10 Mohm takes about one part in a hundred and one."""
    meter = 10e6
    direct = through_divider(Steady(5800.0, 0.0), 999e6, 1.1111111e6)
    weak = through_divider(Steady(5800.0, 10e6), 999e6, 1.1111111e6)
    seen = [node.average(0.0, 1.0) * meter / (meter + node.resistance) for node in (direct, weak)]
    assert seen[1] / seen[0] == pytest.approx(1000.0 / 1010.0, rel=1e-5)


def test_an_input_remembers_what_it_touched() -> None:
    """A window across a move is the time-weighted mean, and its samples change at the move."""
    jack = Jack(Steady(1.0, 100.0))
    jack.touch(Steady(5.0, 200.0), 10.0)
    assert jack.average(9.0, 11.0) == pytest.approx(3.0)
    assert jack.rms(9.0, 11.0) == pytest.approx(2.0)
    assert jack.samples(9.99, 0.005, 5).tolist() == [1.0, 1.0, 5.0, 5.0, 5.0]
    assert jack.average(8.0, 9.0) == 1.0
    assert jack.resistance == 200.0


def test_a_lifted_lead_sees_nothing_through_no_resistance_worth_having() -> None:
    """Ten megohm across an open lead show nothing."""
    jack = Jack(Steady(12.0))
    jack.touch(None, 1.0)
    assert jack.resistance == OPEN
    assert jack.average(2.0, 3.0) == 0.0
    assert jack.ohms(2.0) == math.inf


def test_ohms_are_seen_only_where_there_is_nothing_but_ohms() -> None:
    """A fuse yes, a rail no; and at the moment asked about."""
    jack = Jack(Resistor(lambda when: 0.47))
    assert jack.ohms(0.0) == 0.47
    jack.touch(Steady(12.0), 5.0)
    assert jack.ohms(6.0) == math.inf
    assert jack.ohms(4.0) == 0.47


def test_samples_lie_where_they_were_asked_for() -> None:
    """Shape (count,), the first at `start`."""
    node = Analogue(lambda times: times * 2.0)
    assert node.samples(1.0, 0.5, 4) == pytest.approx(np.array([2.0, 3.0, 4.0, 5.0]))
