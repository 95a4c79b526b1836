"""When a reading counts as stable: not when a line happens to be flat, but when it surely moves slower than allowed."""

import numpy as np
import pytest

from benchrig.steps.wait import standing

LIMIT = 1e-4  # V/s: 6 mV a minute
TIMES = np.arange(0.0, 60.0, 0.5)


def readings(values):
    return list(zip(TIMES.tolist(), values.tolist(), strict=True))


def noise(sigma, seed=1):
    return np.random.default_rng(seed).normal(0.0, sigma, TIMES.size)


def test_quiet_readings_stand():
    still, fastest = standing(readings(5.0 + noise(1e-4)), LIMIT)
    assert still
    assert fastest < LIMIT


@pytest.mark.parametrize("seed", range(20))
def test_noise_that_could_hide_the_drift_is_waited_out(seed):
    """20 mV of noise leave a slope doubtful by 0.2 mV/s (95 %), twice the limit; the line itself is often flatter."""
    still, fastest = standing(readings(5.0 + noise(20e-3, seed)), LIMIT)
    assert not still
    assert fastest > LIMIT


def test_a_drift_above_the_limit_does_not_stand():
    assert not standing(readings(5.0 + 2.0 * LIMIT * TIMES + noise(1e-4)), LIMIT)[0]


def test_a_warm_up_that_has_not_ended_does_not_stand():
    """Half a volt with 30 s: at the end of the minute it still moves by 2 mV/s."""
    assert not standing(readings(5.0 - 0.5 * np.exp(-TIMES / 30.0) + noise(1e-4)), LIMIT)[0]


def test_a_jump_between_two_flat_stretches_does_not_stand():
    assert not standing(readings(5.0 + 0.5 * (TIMES > 30.0) + noise(1e-4)), LIMIT)[0]


def test_readings_that_never_change_stand():
    """One code of a converter all along: no noise to be seen."""
    assert standing(readings(np.full(TIMES.size, 5.0)), LIMIT)[0]
