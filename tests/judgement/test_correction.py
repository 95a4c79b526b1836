"""Probe factors, loading and budgets, against circuit theory and published specifications."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.bench.model import Accuracy, Probe
from benchrig.instruments import Function
from benchrig.judgement.correction import SourceResistance, correct, load_of, loading_error, probe_factor
from benchrig.judgement.errors import UncertaintyError
from benchrig.judgement.rules import judge
from benchrig.judgement.uncertainty import Estimate


def accuracy(
    full_scale: float = 20.0,
    resolution: float | None = None,
    *,
    reading: float = 0.0,
    of_range: float = 0.0,
    counts: float = 0.0,
) -> Accuracy:
    return Accuracy(Function.DC_VOLTAGE, full_scale, reading, of_range, counts, resolution)


def hv_probe(series: float = 999e6, ratio: float = 1000.0, made_for: float = 10e6, tolerance: float = 0.0) -> Probe:
    """A probe by its series resistor; the bench names the whole resistance, the lower leg's share included."""
    return Probe("hv", ratio, series / (1.0 - 1.0 / ratio), made_for, tolerance)


def ladder(source: float, series: float, lower: float, input_resistance: float) -> float:
    """Volts at the meter per volt of the open source, by plain series and parallel resistances."""
    leg = lower if math.isinf(input_resistance) else lower * input_resistance / (lower + input_resistance)
    return leg / (source + series + leg)


# Circuit theory: 999 Mohm over 1.11111 Mohm, 1000:1 into 10 Mohm, on other inputs. Errors in % of the reading.
@pytest.mark.parametrize(
    ("input_resistance", "percent"),
    [(10e6, 0.0), (11e6, 0.917), (9.9e6, -0.101), (1e6, -47.3), (10e9, 11.1)],
)
def test_probe_on_another_input_reads_wrong_by_the_handbook_amount(input_resistance: float, percent: float) -> None:
    """A divider calculation: a scope's 1 Mohm nearly halves it, a high-impedance range adds 11 %."""
    factor = probe_factor(hv_probe(), input_resistance)
    assert 100.0 * (1000.0 / factor - 1.0) == pytest.approx(percent, abs=0.06 if abs(percent) > 10 else 6e-4)


# The same for R_s = 1 Gohm and K_0 = 1000, computed from K(R_m) = 1 + R_s / R_l + R_s / R_m with R_l = 1.1123 Mohm.
@pytest.mark.parametrize(
    ("input_resistance", "percent"),
    [
        (1e6, -47.4), (5e6, -9.09), (9.9e6, -0.10), (10.01e6, 0.01), (10.1e6, 0.10), (11.11e6, 1.01), (20e6, 5.26),
        (1e9, 10.99), (10e9, 11.10),
    ],
)  # fmt: skip
def test_gigohm_probe_on_the_inputs_of_the_trade(input_resistance: float, percent: float) -> None:
    """A divider calculation over the inputs that meters really have."""
    factor = probe_factor(hv_probe(1e9), input_resistance)
    assert 100.0 * (1000.0 / factor - 1.0) == pytest.approx(percent, abs=0.06 if abs(percent) > 10 else 6e-3)


@pytest.mark.parametrize(("input_resistance", "shown"), [(1e6, 3054.0), (10e9, 6443.0)])
def test_naive_thousandfold_of_5800_volts(input_resistance: float, shown: float) -> None:
    """Common practice, no source: 5.8 kV through a 1000:1 probe; the divider decides what the meter makes of it."""
    assert 1000.0 * 5800.0 / probe_factor(hv_probe(), input_resistance) == pytest.approx(shown, abs=1.5)


def test_plain_series_resistor_takes_the_meters_tolerance_whole() -> None:
    """A divider calculation: 9.99 Gohm alone in front of 10 Mohm; 1 % of input resistance is 1 % of reading."""
    assert 1000.0 / probe_factor(hv_probe(9.99e9), 10.1e6) - 1.0 == pytest.approx(0.00999, abs=2e-4)
    for rounded in (10.04e9, 10.05e9):  # a data sheet's figure, up to half a percent more than there can be
        assert 1000.0 / probe_factor(Probe("hv", 1000.0, rounded, 10e6), 10.1e6) - 1.0 == pytest.approx(
            0.00999, abs=2e-4
        )


@given(
    series=st.floats(1e6, 1e10),
    lower=st.floats(1e4, 1e8),
    made_for=st.floats(1e6, 1e9),
    input_resistance=st.one_of(st.floats(1e5, 1e11), st.just(math.inf)),
    source=st.floats(0.0, 1e8),
)
def test_correction_undoes_any_ladder(
    series: float, lower: float, made_for: float, input_resistance: float, source: float
) -> None:
    """Circuit theory: whatever the ladder divides, the correction gives the open voltage back, to 1e-9."""
    probe = hv_probe(series, 1.0 / ladder(0.0, series, lower, made_for), made_for)
    shown = 1e4 * ladder(source, series, lower, input_resistance)
    found = correct(Estimate(shown, 0.0), accuracy(1e4), input_resistance, probe, SourceResistance(source))
    assert found.value == pytest.approx(1e4, rel=1e-9)


# Circuit theory: a 1 Gohm probe on sources of 1, 5, 10 and 50 Mohm.
@pytest.mark.parametrize(("source", "percent"), [(1e6, -0.10), (5e6, -0.50), (10e6, -0.99), (50e6, -4.76)])
def test_gigohm_loads_the_source(source: float, percent: float) -> None:
    """A voltage divider: the probe pulls a weak supply down."""
    assert 100.0 * loading_error(source, 1e9) == pytest.approx(percent, abs=6e-3)


# Circuit theory: 12 V from 10k/10k (5 kohm behind the tap) into these loads.
@pytest.mark.parametrize(
    ("load", "volts"), [(math.inf, 6.0), (10e6, 5.99700), (1e6, 5.97015), (100e3, 5.71429), (10e3, 4.0)]
)
def test_meter_loads_a_divider(load: float, volts: float) -> None:
    """A voltage divider with load; and the correction finds the 6 V again."""
    assert 6.0 * (1.0 + loading_error(5e3, load)) == pytest.approx(volts, abs=5e-6)
    found = correct(Estimate(volts, 0.0), accuracy(), load, source=SourceResistance(5e3))
    assert found.value == pytest.approx(6.0, abs=1e-5)
    assert found.loading == pytest.approx(volts / 6.0 - 1.0, abs=1e-6)


def test_handheld_specification() -> None:
    """A 3 3/4-digit class of 0.5 % + 2 counts (typical data sheet): 12.34 V is good to 0.082 V."""
    found = correct(Estimate(12.34, 0.0), accuracy(40.0, 0.01, reading=0.005, counts=2))
    assert found.uncertainty == pytest.approx(0.0817 / math.sqrt(3.0), rel=1e-6)
    assert [row.source for row in found.budget.rows] == ["meter specification"]
    assert (found.factor, found.load, found.loading) == (1.0, math.inf, 0.0)
    # Where nothing is said of the source, a known input resistance corrects nothing.
    assert correct(Estimate(12.34, 0.0), accuracy(40.0), 10e6).value == 12.34


def test_bench_meter_specification() -> None:
    """A 5 1/2-digit class of 0.012 % of reading + 0.004 % of range (typical data sheet), on the 20 V range."""
    found = correct(Estimate(-5.0, 0.0), accuracy(reading=120e-6, of_range=40e-6))
    assert found.uncertainty == pytest.approx(1.4e-3 / math.sqrt(3.0))


def test_resolution_counts_only_where_the_specification_does_not() -> None:
    """GUM F.2.2.1: half a count, rectangular; a specification in counts or of the range has it already."""
    bare = correct(Estimate(5.0, 0.0), accuracy(20.0, 0.01, reading=0.001))
    assert [row.source for row in bare.budget.rows] == ["meter specification", "meter resolution"]
    assert bare.budget.rows[1].contribution == pytest.approx(0.01 / math.sqrt(12.0))
    assert len(correct(Estimate(5.0, 0.0), accuracy(20.0, 0.01, of_range=0.001)).budget.rows) == 1
    assert len(correct(Estimate(5.0, 0.0), accuracy(20.0, 0.01, counts=1)).budget.rows) == 1


def test_kilovolt_budget_of_the_trade() -> None:
    """Common practice, no source: 5.8 kV, probe +/- 1 %, meter +/- (0.5 % + 2 counts of 1 V): u = 38 V, TUR 2."""
    spec = accuracy(20.0, 1e-3, reading=0.005, counts=2)
    found = correct(Estimate(5.8, 0.0), spec, 10e6, hv_probe(tolerance=0.01))
    assert {row.source: round(row.contribution, 1) for row in found.budget.rows} == {
        "meter specification": 17.9,
        "probe ratio": 33.5,
    }
    assert found.value == pytest.approx(5800.0)
    assert found.uncertainty == pytest.approx(38.0, abs=0.05)
    assert judge(found.value, found.uncertainty, (5650.0, 5950.0)).guard_band == pytest.approx(76.0, abs=0.1)


def test_every_row_has_the_sensitivity_of_the_formula() -> None:
    """Finite differences of the corrected value itself: each input moved by its own standard uncertainty."""
    spec, probe = accuracy(20.0, 1e-3, reading=0.005, counts=2), hv_probe(1e9, made_for=9e6, tolerance=0.01)
    found = correct(Estimate(9.4, 0.01, 4), spec, 1e7, probe, SourceResistance(5e6, 1e6))
    row = {r.source: r for r in found.budget.rows}
    assert list(row) == ["repeated readings", "meter specification", "probe ratio", "source resistance"]
    assert row["repeated readings"].dof == 4

    def moved(shown: float = 9.4, source: float = 5e6) -> float:
        at = correct(Estimate(shown, 0.0), accuracy(), 1e7, hv_probe(1e9, made_for=9e6), SourceResistance(source))
        return at.value - found.value

    assert row["repeated readings"].contribution == pytest.approx(moved(shown=9.41), rel=1e-6)
    u_shown = (0.005 * 9.4 + 0.002) / math.sqrt(3.0)
    assert row["meter specification"].contribution == pytest.approx(moved(shown=9.4 + u_shown), rel=1e-6)
    assert row["probe ratio"].contribution == pytest.approx(0.01 / math.sqrt(3.0) * found.value, rel=1e-9)
    u_source = 1e6 / math.sqrt(3.0)
    assert row["source resistance"].contribution == pytest.approx(moved(source=5e6 + u_source), rel=1e-6)


def test_load_that_hangs_on_the_point() -> None:
    """Circuit theory: the bench's resistance of a probe is tip to ground with the input it is made for."""
    assert load_of(10e6) == 10e6
    assert load_of(None) == math.inf
    assert load_of(10e6, Probe("hv", 1000.0, 1e9, 10e6)) == pytest.approx(1e9)
    assert load_of(math.inf, Probe("hv", 1000.0, 1e9, 10e6)) == pytest.approx(1e9, rel=2e-3)
    assert load_of(1e6, Probe("x10", 10.0, 10e6, 1e6)) == pytest.approx(10e6)
    assert load_of(1e6, Probe("differential", 100.0, 5e6)) == 5e6
    assert load_of(1e6, Probe("clip", 1.0)) == math.inf


def test_factor_that_does_not_depend_on_the_input() -> None:
    """A probe with a buffer has one ratio; so has any probe on the very input it is made for."""
    assert probe_factor(Probe("differential", 100.0, 5e6), None) == 100.0
    assert probe_factor(Probe("differential", 100.0), 10e6) == 100.0
    assert probe_factor(Probe("hv", 1000.0, None, 10e6), 10e6) == 1000.0


def test_ten_to_one_probe_is_one_resistor_into_the_scope() -> None:
    """Circuit theory: 9 Mohm into 1 Mohm is 10:1; on a 10 Mohm meter the same probe is 1.9:1."""
    assert probe_factor(Probe("x10", 10.0, 10e6, 1e6), 10e6) == pytest.approx(1.9)


def test_reading_beyond_the_range_is_refused() -> None:
    """More than full scale, or no number, is no reading of this range."""
    for shown in (20.5, -20.5, math.nan):
        with pytest.raises(UncertaintyError, match="beyond the range of 20"):
            correct(Estimate(shown, 0.0), accuracy())
    assert correct(Estimate(-20.0, 0.0), accuracy()).value == -20.0


@pytest.mark.parametrize(
    ("probe", "input_resistance", "words"),
    [
        (Probe("hv", 1000.0, 1e9, 10e6), None, "the input resistance behind it is not given"),
        (Probe("hv", 1000.0, None, 10e6), 11e6, "the probe's resistance is not given"),
        (Probe("hv", 100.0, 1e9, 1e6), 10e6, "cannot divide by 100"),
        (Probe("hv", 1.0, 1e6, 1e6), 10e6, "cannot divide by 1"),
        (Probe("hv", 1000.0, 10.051e9, 10e6), 11e6, "cannot divide by 1000"),  # over 0.5 % more than a plain resistor
    ],
)
def test_factors_that_cannot_be_known_are_refused(probe: Probe, input_resistance: float | None, words: str) -> None:
    """Missing and contradicting figures are named, with the probe."""
    with pytest.raises(UncertaintyError, match=f"'hv'.*{words}"):
        probe_factor(probe, input_resistance)
