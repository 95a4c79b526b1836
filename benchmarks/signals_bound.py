"""How close the 50 % instants come to the Cramer-Rao bound, on noisy trapezoid pulses whose truth is known.

    python benchmarks/signals_bound.py [records]

The bound of one edge in white noise (Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
chapter 3, formula from memory): sigma sqrt(h / integral (dy/dt)^2 dt), which is (sigma/A) sqrt(h Tr) for a ramp and
(sigma/A) sqrt(2 tau h) for a single pole. Printed: spread of the instants about the truth, over the bound.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from signals_coverage import pulse_train

from benchrig.signals import Waveform, measure_pulses

# Integral of (dy/dx)^2 over an edge, x in edge lengths.
POWER = {"ramp": 1.0, "single pole": 1.0, "raised cosine": np.pi / 4.0}


def ratio(shape: str, samples: float, noise: float, records: int, random: np.random.Generator) -> float:
    """Spread over bound: edges of `samples` samples, `noise` as a fraction of the amplitude, 10 pulses a record."""
    period, high = 50.0 * samples, 20.0 * samples
    edges = np.array([samples, samples])
    errors: list[NDArray[np.float64]] = []
    for _ in range(records):
        first = random.uniform(0.2, 0.5) * period
        course = pulse_train(shape, np.arange(10.0 * period), first, period, high, edges)
        pulses = measure_pulses(Waveform(course + random.normal(0.0, noise, course.size), 1.0))
        errors.append((pulses.rises - first + 0.5 * period) % period - 0.5 * period)
        errors.append((pulses.falls - first - high + 0.5 * period) % period - 0.5 * period)
    spread = float(np.sqrt(np.mean(np.concatenate(errors) ** 2)))
    return spread / float(noise * np.sqrt(samples / POWER[shape]))


def main() -> None:
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    random = np.random.default_rng(1)
    print("| edge | samples on the edge | noise / amplitude, % | spread / Cramer-Rao bound |")
    print("|---|---|---|---|")
    for shape in POWER:
        for samples in (10.0, 25.0, 50.0):
            for noise in (0.005, 0.02, 0.05):
                found = ratio(shape, samples, noise, records, random)
                print(f"| {shape} | {samples:.0f} | {100 * noise:.1f} | {found:.2f} |")


if __name__ == "__main__":
    main()
