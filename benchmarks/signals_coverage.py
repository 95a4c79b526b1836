"""How often the truth lies within two standard uncertainties: random noisy pulse trains with known parameters.

    python benchmarks/signals_coverage.py [--records 2000] [--seed 1]

Each record has random levels, period, widths, edge lengths and shapes, noise, place of the first edge, and is given as
8- to 12-bit codes or as volts. A normal error would be within two standard uncertainties 95.4 % of the time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from figures import Told, options
from numpy.typing import NDArray

from benchrig.signals import Waveform, measure_pulses

NAMES = (
    "high_time", "low_time", "period", "duty_factor", "low_state", "high_state", "amplitude", "rise_time", "fall_time",
)  # fmt: skip
# Step of an edge that passes its middle at 0, against time in edge lengths (amplitude over slope at the middle).
SHAPES: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "ramp": lambda x: np.clip(x + 0.5, 0.0, 1.0),
    "single pole": lambda x: -np.expm1(-np.maximum(2.0 * x + np.log(2.0), 0.0)),
    "raised cosine": lambda x: 0.5 + 0.5 * np.sin(np.clip(2.0 * x, -np.pi / 2.0, np.pi / 2.0)),
}
# 10 % to 90 % in edge lengths.
TEN_NINETY = {"ramp": 0.8, "single pole": np.log(9.0) / 2.0, "raised cosine": np.arcsin(0.8)}


@dataclass(frozen=True, slots=True)
class Case:
    shape: str
    waveform: Waveform
    truth: dict[str, float]
    bits: int


def random_case(random: np.random.Generator, shape: str | None = None) -> Case:
    """One record with its true parameters."""
    shape = shape or str(random.choice(list(SHAPES)))
    interval = 10.0 ** random.uniform(-9.0, -6.0)
    edges = random.uniform(5.0, 40.0, 2)
    settle = 14.0 if shape == "single pole" else 2.0
    high = edges.sum() * settle + random.uniform(30.0, 400.0)
    low = edges.sum() * settle + random.uniform(30.0, 1500.0)
    period = high + low
    count = int(period * random.uniform(1.3, 12.0))
    bottom, amplitude = random.uniform(-5.0, 5.0), 10.0 ** random.uniform(-1.0, 1.0)
    noise = amplitude * 10.0 ** random.uniform(-2.5, -1.0)
    course = pulse_train(shape, np.arange(float(count)), random.uniform(0.0, period), period, high, edges)
    volts = bottom + amplitude * course + random.normal(0.0, noise, count)
    waveform, bits = digitised(random, volts, interval)
    truth = {
        "high_time": high * interval, "low_time": low * interval, "period": period * interval,
        "duty_factor": high / period, "low_state": bottom, "high_state": bottom + amplitude, "amplitude": amplitude,
        "rise_time": TEN_NINETY[shape] * edges[0] * interval, "fall_time": TEN_NINETY[shape] * edges[1] * interval,
    }  # fmt: skip
    return Case(shape, waveform, truth, bits)


def pulse_train(
    shape: str, times: NDArray[np.float64], first: float, period: float, high: float, edges: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Pulses from 0 to 1; `first` is the mid instant of one rising edge, all in samples."""
    step = SHAPES[shape]
    course = np.zeros(times.size)
    for k in range(-2, int(times[-1] / period) + 2):
        rise = first + k * period
        course += step((times - rise) / edges[0]) - step((times - rise - high) / edges[1])
    return course


def digitised(random: np.random.Generator, volts: NDArray[np.float64], interval: float) -> tuple[Waveform, int]:
    """The record as volts (bits 0), or as codes that use most of their range."""
    bits = int(random.choice([0, 8, 8, 10, 12]))
    if not bits:
        return Waveform(volts, interval), 0
    step = float(np.ptp(volts)) * random.uniform(1.1, 1.6) / 2**bits
    offset = float(volts.mean())
    codes = np.rint((volts - offset) / step).astype(np.int16)
    return Waveform.from_codes(codes, step, offset, interval, code_limits=(-(2**15), 2**15)), bits


def errors(case: Case) -> Iterator[tuple[str, float]]:
    """Error of every result in standard uncertainties."""
    pulses = measure_pulses(case.waveform)
    for name in NAMES:
        value = getattr(pulses, name)
        if value is not None:
            yield name, (value - case.truth[name]) / pulses.uncertainty[name]


def sweep(records: int, seed: int) -> dict[tuple[str, str], list[float]]:
    """Errors in standard uncertainties, by shape of edge ("all" too) and result."""
    random = np.random.default_rng(seed)
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for _ in range(records):
        case = random_case(random)
        for name, error in errors(case):
            found[case.shape, name].append(error)
            found["all", name].append(error)
    return found


def main() -> None:
    args = options(__doc__, records=2000, seed=1)
    told, found = Told(args.json), sweep(args.records, args.seed)
    told.line(f"{args.records} random noisy pulse trains, seed {args.seed}: how often the true value lies within two")
    told.line("standard uncertainties (a normal error: 95.4 %); the error's median and standard deviation in these.\n")
    told.line("\n".join(table(found)))
    told.end(
        {"records": args.records, "within, %": {name.replace("_", " "): within(found["all", name]) for name in NAMES}}
    )


def within(errors: list[float]) -> float:
    """The share within two standard uncertainties, in per cent."""
    return 100.0 * float(np.mean(np.abs(errors) <= 2.0))


def table(found: dict[tuple[str, str], list[float]]) -> list[str]:
    """A Markdown table, a row for each result, a column for each shape of edge."""
    shapes = ["all", *SHAPES]
    heads = ["result", "records", *(f"{shape}, %" for shape in shapes), "median / u", "spread / u"]
    rows = [_cells(heads), _cells(["---"] * len(heads))]
    for name in NAMES:
        every = np.array(found["all", name])
        shares = [f"{within(found[shape, name]):.1f}" for shape in shapes]
        label = name.replace("_", " ")
        rows.append(_cells([label, str(every.size), *shares, f"{np.median(every):+.2f}", f"{every.std():.2f}"]))
    return rows


def _cells(cells: list[str]) -> str:
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    main()
