"""Creeps that a look of a second or two finds, and how often noise alone is taken for one.

    python benchmarks/trim_creep.py [--runs 2000] [--first 0]

A trim stands in its window with the hands off from the start; the window is 1 wide, hold 1.5 s. The engine accepts it,
at the end of its hold or after having waited for what may be a creep. Noise: white; 1/f (spectral synthesis over a
record 16 times as long); a beat of 2 to 40 s besides white noise; a display whose one count is 1/20 of the window. A
creep goes from 0.1 above the middle to 0.6 with its time constant. Per cell: how many are called creeping, and the
seconds waited beyond the hold. A creep that was out of its window before it could be accepted counts as found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from figures import Told, options
from numpy.typing import NDArray

from benchrig.readings import Reading
from benchrig.trim import engine
from benchrig.trim.types import Accepted, Goal, Measured

Floats = NDArray[np.float64]
Course = Callable[[Floats, np.random.Generator], Floats]

RATES = (1.3, 3.0, 10.0)
GOAL = Goal(0.0, -0.5, 0.5, "1", hold=1.5, settle=0.1)
LONGEST = 60.0  # s that one trim is watched
COUNT = 1e-6
HANDHELD = 0.05  # one count of a coarse display
TIMES = (10.0, 30.0, 60.0, 120.0, 300.0, 600.0)  # s, of creeps
SIGMAS = (0.0005, 0.002, 0.01)  # of the window: a bench meter, a good handheld, a noisy point


@dataclass(frozen=True)
class Run:
    """crept: accepted as creeping; waited: seconds beyond the hold; accepted at all within `LONGEST`."""

    crept: bool
    waited: float
    accepted: bool


def one(course: Course, rate: float, seed: int, count: float = COUNT) -> Run:
    rng = np.random.default_rng(seed)
    times = np.arange(int(LONGEST * rate)) / rate + rng.uniform(0.0, 1.0 / rate)
    values = np.round(course(times, rng) / count) * count
    state = engine.start(GOAL, 0.0)
    for time, value in zip(times.tolist(), values.tolist(), strict=True):
        state, effects = engine.step(state, Measured(Reading(value, "1", time, resolution=count), time))
        found = next((it for it in effects if isinstance(it, Accepted)), None)
        if found is not None:
            return Run(found.creep is not None, max(0.0, time - times[0] - GOAL.hold), accepted=True)
    return Run(False, LONGEST, accepted=False)


def white(sigma: float) -> Course:
    return lambda times, rng: rng.normal(0.0, sigma, times.size)


def flicker(sigma: float) -> Course:
    def course(times: Floats, rng: np.random.Generator) -> Floats:
        n = 16 * times.size
        spectrum = rng.normal(size=n // 2 + 1) + 1j * rng.normal(size=n // 2 + 1)
        spectrum[1:] /= np.sqrt(np.arange(1.0, n // 2 + 1))
        spectrum[0] = 0.0
        noise = np.fft.irfft(spectrum, n)
        begin = int(rng.integers(0, n - times.size))
        return np.asarray(noise[begin : begin + times.size] / noise.std() * sigma)

    return course


def beat(size: float) -> Course:
    def course(times: Floats, rng: np.random.Generator) -> Floats:
        period = math.exp(rng.uniform(math.log(2.0), math.log(40.0)))
        swing = size * np.sin(2.0 * math.pi * (times / period + rng.uniform()))
        return np.asarray(swing + rng.normal(0.0, 0.2 * size, times.size))

    return course


def creep(constant: float, sigma: float) -> Course:
    return lambda times, rng: 0.6 - 0.5 * np.exp(-times / constant) + rng.normal(0.0, sigma, times.size)


NOISES: dict[str, tuple[Course, float]] = {
    "white, 1/100 of the window": (white(0.01), COUNT),
    "white, 1/20": (white(0.05), COUNT),
    "1/f, 1/100": (flicker(0.01), COUNT),
    "1/f, 1/20": (flicker(0.05), COUNT),
    "beat of 1/20": (beat(0.05), COUNT),
    "beat of 1/10": (beat(0.1), COUNT),
    "count of 1/20, noise 1/3 of it": (white(HANDHELD / 3.0), HANDHELD),
}


def main() -> None:
    args = options(__doc__, runs=2000, first=0)
    told, seeds = Told(args.json), range(args.first, args.first + args.runs)
    figures: dict[str, float] = {}
    told.line(f"{args.runs} runs a cell, at {', '.join(f'{it:g}' for it in RATES)} readings a second")
    told.line("False alarms, and seconds waited beyond the hold:")
    for name, (course, count) in NOISES.items():
        line(told, figures, f"false, {name}", course, seeds, count)
    fewer = seeds[: max(20, args.runs // 10)]
    told.line(f"Creeps found before they left the window, and seconds waited ({len(fewer)} runs a cell):")
    for sigma in SIGMAS:
        for constant in TIMES:
            line(told, figures, f"found, {constant:g} s, noise {sigma:g}", creep(constant, sigma), fewer)
    told.end(figures)


def line(told: Told, figures: dict[str, float], name: str, course: Course, seeds: range, count: float = COUNT) -> None:
    """One row: a cell for each rate. A creep that was out before it was accepted counts as found."""
    cells = []
    for rate in RATES:
        runs = [one(course, rate, seed, count) for seed in seeds]
        caught = 100.0 * sum(it.crept or not it.accepted for it in runs) / len(runs)
        share = 100.0 * sum(it.crept for it in runs) / len(runs) if name.startswith("false") else caught
        waited = sum(it.waited for it in runs) / len(runs)
        figures[f"{name}, {rate:g} /s, %"] = share
        cells.append(f"{share:6.2f} % +{waited:5.2f} s")
    told.line(f"{name:42} " + "   ".join(cells))


if __name__ == "__main__":
    main()
