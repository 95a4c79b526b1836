"""Whatever a record holds: numbers that are finite and in order, or a named error; nothing else escapes.

BENCHRIG_HEAVY=1 takes the full count.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import numpy as np
import pytest
from known_shapes import Array

from benchrig import Pulses, Waveform, measure_pulses
from benchrig.errors import SignalError
from benchrig.signals import Caution

COUNT = 4000 if os.environ.get("BENCHRIG_HEAVY") == "1" else 120
Draw = Callable[[np.random.Generator, Array], Array]


def steps(random: np.random.Generator, times: Array) -> Array:
    """Runs of a random length on three levels."""
    length = int(random.integers(1, 40))
    return np.repeat(random.integers(0, 3, times.size // length + 1), length)[: times.size].astype(np.float64)


def decays(random: np.random.Generator, times: Array) -> Array:
    return np.exp(-(times % random.uniform(5.0, 500.0)) / random.uniform(1.0, 100.0))


def ramps(random: np.random.Generator, times: Array) -> Array:
    """Edges of any length against any period: triangles, saws, pulses."""
    period = random.uniform(4.0, 400.0)
    edge, width, place = random.uniform(0.01, 0.6) * period, random.uniform(0.02, 0.98) * period, times % period
    return np.asarray(np.clip(place / edge, 0.0, 1.0) - np.clip((place - width) / edge, 0.0, 1.0))


DRAWS: dict[str, Draw] = {
    "wander": lambda random, times: np.cumsum(random.normal(size=times.size)),
    "steps": steps,
    "squares": lambda random, times: np.sign(np.sin(times / random.uniform(0.5, 100.0))),
    "powers of a sine": lambda random, times: np.sin(times / random.uniform(0.5, 100.0)) ** int(random.integers(1, 9)),
    "saw": lambda random, times: times % random.uniform(2.0, 300.0),
    "decays": decays,
    "ramps": ramps,
    "spikes": lambda random, times: (random.random(times.size) < 0.1).astype(np.float64),
}


def recorded(random: np.random.Generator, volts: Array) -> Waveform:
    """As volts, or as codes of one to 255 steps of any type, counting up or down."""
    if random.random() < 0.6:
        volts = volts + random.normal(0.0, 10.0 ** random.uniform(-4.0, 0.0), volts.size)
    if random.random() < 0.5:
        return Waveform(volts, 1e-6)
    steps_of = int(random.choice([1, 2, 3, 10, 120, 255]))
    dtype = np.dtype(str(random.choice(["u1", "i1", "u2", "i2", "i4"])))
    codes = np.rint((volts - volts.min()) / (float(np.ptp(volts)) or 1.0) * steps_of)
    low = 0 if dtype.kind == "u" else -100
    held = np.clip(codes + low, np.iinfo(dtype).min, np.iinfo(dtype).max).astype(dtype)
    return Waveform.from_codes(held, 0.1 * float(random.choice([-1.0, 1.0])), 0.0, 1e-6)


def holds_together(found: Pulses) -> None:
    for name, uncertainty in found.uncertainty.items():
        assert np.isfinite(getattr(found, name)), name
        assert np.isfinite(uncertainty), name
        assert uncertainty >= 0.0, name
    for name in ("period", "high_time", "low_time"):
        assert getattr(found, name) is None or getattr(found, name) > 0.0, name
    edges = np.sort(np.concatenate((found.rises, found.falls)))
    assert np.all(np.diff(edges) > 0.0)
    assert min(found.rise_time, found.fall_time) > 0.0 or Caution.UNRESOLVED in found.cautions


@pytest.mark.parametrize("kind", DRAWS)
def test_any_record_is_measured_or_refused(kind: str) -> None:
    """Random records of three to 4,000 samples; warnings of numpy are errors here."""
    random = np.random.default_rng(11)
    for _ in range(COUNT):
        times = np.arange(float(int(10.0 ** random.uniform(0.5, 3.6))))
        wave = recorded(random, DRAWS[kind](random, times))
        try:
            found = measure_pulses(wave)
        except SignalError:
            continue
        holds_together(found)
