"""How close the 50 % instants come to the Cramer-Rao bound, on noisy pulses whose truth is known.

    python benchmarks/signals_bound.py [--records 60] [--seed 1]

The bound of one edge in white noise (Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
chapter 3, not read again): sigma sqrt(h / integral (dy/dt)^2 dt), which is (sigma/A) sqrt(h Tr) for a ramp and
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

from itertools import product

import numpy as np
from figures import Told, options
from numpy.typing import NDArray
from signals_coverage import pulse_train

from benchrig.signals import Waveform, measure_pulses

# Integral of (dy/dx)^2 over an edge, x in edge lengths.
POWER = {"ramp": 1.0, "single pole": 1.0, "raised cosine": np.pi / 4.0}
PULSES = (10, 3, 1)  # in a record
# In edge lengths; no whole number of samples, as no oscilloscope's clock is tied to the signal.
PERIOD, HIGH = 50.37, 20.18


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
    args = options(__doc__, records=60, seed=1)
    told, random = Told(args.json), np.random.default_rng(args.seed)
    figures: dict[str, dict[str, float]] = {f"pulses {many}": {} for many in PULSES}
    told.line(f"Spread of the 50 % instants over the Cramer-Rao bound, by pulses in the record; seed {args.seed}.\n")
    told.line(f"| edge | samples on the edge | noise / amplitude, % | {' | '.join(map(str, PULSES))} |")
    told.line("|---" * (3 + len(PULSES)) + "|")
    for shape, samples, noise in product(POWER, (10.0, 25.0, 50.0), (0.005, 0.02, 0.05)):
        found = [ratio(shape, samples, noise, args.records * 10 // many, random, many) for many in PULSES]
        told.line(f"| {shape} | {samples:.0f} | {100 * noise:.1f} | {' | '.join(f'{one:.2f}' for one in found)} |")
        for many, one in zip(PULSES, found, strict=True):
            figures[f"pulses {many}"][f"{shape}, {samples:.0f} samples, {100 * noise:.1f} % noise"] = one
    told.end(figures)


if __name__ == "__main__":
    main()
