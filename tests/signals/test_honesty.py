"""How often the truth lies within two standard uncertainties, and how close instants come to what noise allows.

BENCHRIG_HEAVY=1 takes the full count; the benchmarks print the tables.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from signals_bound import ratio
from signals_coverage import sweep

HEAVY = os.environ.get("BENCHRIG_HEAVY") == "1"


def test_truth_lies_within_two_standard_uncertainties_95_times_in_100() -> None:
    """A normal error does so 95.4 % of the time (tables of the normal distribution)."""
    found = sweep(2000 if HEAVY else 400, seed=1)
    room = 2.0 if HEAVY else 4.0  # the count itself scatters by 1 % at 400 records
    for name in ("high_time", "low_time", "duty_factor", "low_state", "high_state", "amplitude"):
        share = 100.0 * float(np.mean(np.abs(found["all", name]) <= 2.0))
        assert 95.0 - room <= share <= 95.0 + min(room, 3.5), (name, share)


@pytest.mark.parametrize(("samples", "noise"), [(25.0, 0.005), (25.0, 0.05), (50.0, 0.02)])
def test_instants_of_ramps_are_within_half_as_much_again_of_the_bound(samples: float, noise: float) -> None:
    """Cramer-Rao bound of a ramp's instant: (sigma/A) sqrt(h Tr); the ratio's own scatter is 3 %."""
    assert ratio("ramp", samples, noise, 60, np.random.default_rng(2)) <= 1.5
