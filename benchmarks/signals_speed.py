"""How fast pulses are measured on converter codes, as ratios taken in one interleaved run; and the extra memory.

    python benchmarks/signals_speed.py [--repeats 7]

Held against a straightforward scipy pipeline that yields the same numbers (levels by histogram, edges by comparison,
50 % instants by interpolation, peak widths and overshoot by scipy.signal), and against the least that must be done to
the codes: one `bincount` and one comparison pass of numpy.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from figures import Told, options
from numpy.typing import NDArray
from scipy.signal import find_peaks, peak_widths

from benchrig.signals import Waveform, measure_pulses

SCALE, OFFSET, STEP = 0.05, -6.4, 4e-9
PERIOD, WIDTH, EDGE = 5000.0, 1000.0, 40.0  # samples


def codes_of(count: int) -> NDArray[np.uint8]:
    """8-bit codes of noisy pulses: 4 us high, 16 us low, noise of 1 % of the amplitude."""
    random = np.random.default_rng(1)
    out = np.empty(count, dtype=np.uint8)
    for begin in range(0, count, 1 << 18):
        place = (np.arange(begin, min(begin + (1 << 18), count)) + 2500.0) % PERIOD
        course = np.clip((place - 1000.0) / EDGE, 0.0, 1.0) - np.clip((place - 1000.0 - WIDTH) / EDGE, 0.0, 1.0)
        out[begin : begin + place.size] = np.rint(60.0 + 120.0 * course + random.normal(0.0, 1.2, place.size))
    return out


def plain_scipy(codes: NDArray[np.uint8]) -> dict[str, float]:
    """What one writes in an afternoon: volts, smoothed, levels, widths at half height, instants, overshoot."""
    volts = codes * SCALE + OFFSET
    counts, bounds = np.histogram(volts, bins=256)
    half = counts.size // 2
    low = float(bounds[int(np.argmax(counts[:half]))])
    high = float(bounds[half + int(np.argmax(counts[half:]))])
    low = float(volts[np.abs(volts - low) < 0.1 * (high - low)].mean())
    high = float(volts[np.abs(volts - high) < 0.1 * (high - low)].mean())
    peaks, _ = find_peaks(volts, height=low + 0.9 * (high - low), prominence=0.8 * (high - low), distance=PERIOD / 2)
    middle = peak_widths(volts, peaks, rel_height=0.5)
    rises, falls = middle[2] * STEP, middle[3] * STEP
    period = float(np.diff(rises).mean())
    width = float((falls - rises).mean())
    ends = [peak_widths(volts, peaks, rel_height=share) for share in (0.1, 0.9)]
    return {
        "low_state": low, "high_state": high, "period": period, "high_time": width, "duty_factor": width / period,
        "rise_time": float((ends[0][2] - ends[1][2]).mean()) * STEP,
        "overshoot": float(volts.max() - high) / (high - low),
    }  # fmt: skip


def least(codes: NDArray[np.uint8]) -> int:
    """One bincount and one comparison pass."""
    return int(np.bincount(codes, minlength=256)[0]) + int(np.count_nonzero(codes > 120))


def ours(codes: NDArray[np.uint8]) -> object:
    return measure_pulses(Waveform.from_codes(codes, SCALE, OFFSET, STEP))


def interleaved(works: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Least seconds of each, taken in turns so that a busy machine is busy for all."""
    best = dict.fromkeys(works, np.inf)
    for _ in range(repeats):
        for name, work in works.items():
            begun = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - begun)
    return best


def extra_memory(codes: NDArray[np.uint8]) -> int:
    """Most bytes held while measuring, beyond the codes."""
    tracemalloc.start()
    ours(codes)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


NAMES = ("low_state", "high_state", "period", "high_time", "duty_factor", "rise_time", "overshoot")


def agreement(codes: NDArray[np.uint8], told: Told) -> float:
    """The greatest difference of a result from the scipy pipeline's, as a part of the result; overshoot left out."""
    found, theirs = measure_pulses(Waveform.from_codes(codes, SCALE, OFFSET, STEP)), plain_scipy(codes)
    for name in NAMES:
        told.line(f"{name}: ours {getattr(found, name):.6g}, scipy pipeline {theirs[name]:.6g}")
    # One noisy sample makes their overshoot: not the same quantity.
    return max(abs(getattr(found, name) / theirs[name] - 1.0) for name in NAMES if name != "overshoot")


def against_others(codes: NDArray[np.uint8], repeats: int, told: Told) -> tuple[float, float]:
    """(the scipy pipeline's time over ours, ours over one bincount and one comparison)."""
    works: dict[str, Callable[[], object]] = {
        "ours": lambda: ours(codes), "scipy": lambda: plain_scipy(codes), "least": lambda: least(codes),
    }  # fmt: skip
    best = interleaved(works, repeats)
    theirs, over_least = best["scipy"] / best["ours"], best["ours"] / best["least"]
    told.line(
        f"1 M codes: scipy pipeline / ours {theirs:.1f}; ours / (bincount + comparison) {over_least:.2f};"
        f" ours {1e3 * best['ours']:.2f} ms"
    )
    return theirs, over_least


def by_length(repeats: int, told: Told) -> tuple[dict[str, float], dict[str, float]]:
    """(time over a straight line through the shortest and the longest record, extra bytes a sample), by length."""
    records = {count: codes_of(count) for count in (10_000, 100_000, 1_000_000, 10_000_000)}
    taken = {
        count: interleaved({"ours": lambda record=record: ours(record)}, repeats)["ours"]  # type: ignore[misc]
        for count, record in records.items()
    }
    shortest, longest = min(taken), max(taken)
    each = (taken[longest] - taken[shortest]) / (longest - shortest)
    fixed = taken[shortest] - each * shortest
    lines = {count: taken[count] / (fixed + each * count) for count in records}
    extra = {count: extra_memory(record) / count for count, record in records.items()}
    told.line(f"line through the shortest and the longest: {1e3 * fixed:.2f} ms + {1e9 * each:.2f} ns per sample")
    told.line("| samples | ms | over that line | extra memory, bytes per sample |")
    told.line("|---|---|---|---|")
    for count in records:
        told.line(f"| {count} | {1e3 * taken[count]:.2f} | {lines[count]:.2f} | {extra[count]:.3f} |")
    return {f"{n:,}": it for n, it in lines.items()}, {f"{n:,}": it for n, it in extra.items()}


def main() -> None:
    args = options(__doc__, repeats=7)
    told, codes = Told(args.json), codes_of(1_000_000)
    apart = agreement(codes, told)
    theirs, over_least = against_others(codes, args.repeats, told)
    lines, extra = by_length(args.repeats, told)
    told.end(
        {
            "difference from scipy": apart,
            "scipy over ours": theirs,
            "over bincount and comparison": over_least,
            "over a straight line": lines,
            "extra bytes a sample": extra,
            "extra bytes a sample at 10 M": extra["10,000,000"],
        }
    )


if __name__ == "__main__":
    main()
