"""What a record does not show as plainly as its numbers look: told with the number, or with nothing.

The words are those of IEEE 181 (runt, state, transition), whose text was not read.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchrig import Waveform, measure_pulses
from benchrig.procedure.quantities import Limits
from benchrig.readings import CAUTIONS, CONDITIONAL, Flag
from benchrig.session.verdicts import CAUTION_WORDS, Value, judged
from benchrig.signals.pulses import Caution

STEP = 1e-7
RNG = np.random.default_rng(3)


def pulses(count: int = 10, edge: float = 10.0, high: int = 150, period: int = 500) -> np.ndarray:
    """Trapezoids of 5 V, `count` periods of `period` samples."""
    at = np.arange(count * period) % period
    return 5.0 * (np.clip((at - 50) / edge, 0, 1) - np.clip((at - 50 - high) / edge, 0, 1))


def cautions(volts: np.ndarray) -> frozenset[Caution]:
    return measure_pulses(Waveform(volts + RNG.normal(0.0, 0.02, volts.size), STEP)).cautions


def test_clean_pulses_have_none() -> None:
    """Nor have ringing ones: what rings is shorter than a pulse."""
    assert cautions(pulses()) == frozenset()
    ringing, ring = pulses(), np.arange(150)
    for start in range(60, 5000, 500):
        ringing[start : start + 150] += 2.0 * np.exp(-ring / 25.0) * np.sin(2.0 * np.pi * ring / 20.0)
    assert Caution.RUNT not in cautions(ringing)


def test_a_runt_is_told() -> None:
    """A pulse of four tenths of the others: without a word the period would be an eighth too long."""
    volts = pulses()
    volts[1500:2000] *= 0.4
    assert Caution.RUNT in cautions(volts)


def test_a_missing_pulse_is_told() -> None:
    """One interval is twice the others."""
    volts = pulses()
    volts[1500:2000] = 0.0
    assert Caution.RUNT in cautions(volts)


def test_with_one_interval_in_view_the_runt_is_what_tells() -> None:
    """Two periods would pass for one of twice the length."""
    volts = pulses()[:1300]
    volts[500:1000] *= 0.4
    assert Caution.RUNT in cautions(volts)


def test_slow_edges_are_told() -> None:
    """They take more than six tenths of a state: what is called a state is hardly one."""
    assert Caution.SLOW in cautions(pulses(edge=140.0))
    assert Caution.SLOW not in cautions(pulses(edge=60.0))


@pytest.mark.parametrize("part", [0.1, 0.13, 0.3])
def test_hum_under_pulses_is_told(part: float) -> None:
    """From a tenth of the swing on; the levels and times are then not those of one pulse."""
    volts = pulses() + part * 5.0 * np.sin(np.arange(5000) * 2.0 * np.pi * 1.3 / 5000.0)
    assert cautions(volts) & {Caution.MOVES, Caution.RUNT, Caution.VARIES}


def test_a_moving_baseline_is_told() -> None:
    """A slope of a third of the swing over the record."""
    assert cautions(pulses() + np.linspace(0.0, 1.5, 5000)) & {Caution.MOVES, Caution.RUNT, Caution.GLITCHES}


@pytest.mark.parametrize("flag", list(CONDITIONAL))
def test_a_verdict_on_it_is_conditional_at_best(flag: Flag) -> None:
    """In the middle of a wide window, and yet no pass; the words say why."""
    limits = Limits("s", 0.0, 1.0, 0.0, 1.0)
    assert judged(Value(0.5, 0.001, "s"), limits, "guarded").verdict == "pass"
    result = judged(Value(0.5, 0.001, "s", flags=flag), limits, "guarded")
    assert result.verdict == "conditional pass"
    assert CAUTION_WORDS[flag] in result.words
    assert judged(Value(1.5, 0.001, "s", flags=flag), limits, "guarded").verdict == "fail"


@pytest.mark.parametrize("flag", list(CAUTIONS & ~CONDITIONAL))
def test_other_cautions_are_told_beside_the_verdict(flag: Flag) -> None:
    """They concern what was left out, and not what was measured."""
    result = judged(Value(0.5, 0.001, "s", flags=flag), Limits("s", 0.0, 1.0, 0.0, 1.0), "guarded")
    assert result.verdict == "pass"
    assert CAUTION_WORDS[flag] in result.words
