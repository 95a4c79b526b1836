"""How close the 50 % instants come to the Cramer-Rao bound, on noisy pulses whose truth is known.

    python benchmarks/signals_bound.py [records]

The bound of one edge in white noise (Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
chapter 3, formula from memory): sigma sqrt(h / integral (dy/dt)^2 dt), which is (sigma/A) sqrt(h Tr) for a ramp and
(sigma/A) sqrt(2 tau h) for a single pole. Printed: spread of the instants about the truth, over the bound, for records
of ten, three and one pulse.

It is the bound for a shape that is known, so nobody can reach it who has to find the shape too. What not knowing costs
at least (Fisher matrix inverted): nothing for the duration of a ramp or a raised cosine, whose middle is a centre of
symmetry. The tau of a single pole moves its 50 % instant: 2 tau becomes 2 tau (1 + 4 (ln 2 - 1/2)^2 / m) for m edges,
7 % more spread for one edge and 0.7 % for ten. States averaged over k and n samples add (1/k + 1/n) Tr / 4h to the
variance, below 1 % here; ten samples instead of an integral, 1.3 %. All of that is in the ratios, not taken out.

Who does not even know that it is a single pole has to stay clear of the corner at its beginning: a cubic through the
0.66 edge lengths around the middle, which is all that can be asked of one edge, has 1.85 times the bound
(sqrt(9/4 / 0.66), the gain of a cubic in the middle of its piece).
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from signals_coverage import pulse_train

from benchrig.signals import Waveform, measure_pulses

# Integral of (dy/dx)^2 over an edge, x in edge lengths.
POWER = {"ramp": 1.0, "single pole": 1.0, "raised cosine": np.pi / 4.0}
PULSES = (10, 3, 1)  # in a record
PERIOD, HIGH = (
    50.37,
    20.18,
)  # edge lengths; no whole number of samples, as no oscilloscope's clock is tied to the signal


def ratio(
    shape: str, samples: float, noise: float, records: int, random: np.random.Generator, pulses: int = 10
) -> float:
    """Spread over bound: edges of `samples` samples, `noise` as a fraction of the amplitude."""
    period, high = PERIOD * samples, HIGH * samples
    edges = np.array([samples, samples])
    errors: list[NDArray[np.float64]] = []
    for _ in range(records):
        first = random.uniform(0.2, 0.5) * period
        course = pulse_train(shape, np.arange(float(int(pulses * period))), first, period, high, edges)
        found = measure_pulses(Waveform(course + random.normal(0.0, noise, course.size), 1.0))
        errors.append((found.rises - first + 0.5 * period) % period - 0.5 * period)
        errors.append((found.falls - first - high + 0.5 * period) % period - 0.5 * period)
    spread = float(np.sqrt(np.mean(np.concatenate(errors) ** 2)))
    return spread / float(noise * np.sqrt(samples / POWER[shape]))


def main() -> None:
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    random = np.random.default_rng(1)
    print("Spread of the 50 % instants over the Cramer-Rao bound, by pulses in the record.\n")
    print(f"| edge | samples on the edge | noise / amplitude, % | {' | '.join(map(str, PULSES))} |")
    print("|---" * (3 + len(PULSES)) + "|")
    for shape in POWER:
        for samples in (10.0, 25.0, 50.0):
            for noise in (0.005, 0.02, 0.05):
                found = [ratio(shape, samples, noise, records * 10 // many, random, many) for many in PULSES]
                print(f"| {shape} | {samples:.0f} | {100 * noise:.1f} | {' | '.join(f'{one:.2f}' for one in found)} |")


if __name__ == "__main__":
    main()
