"""The courses of a step's readings and the waveforms kept with it, as drawings with captions.

What cannot be judged is not drawn, and its caption says how much that is; where an instrument was away there is a gap.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..procedure.step import kind_of
from ..readings import UNUSABLE, Reading
from ..records.history import ChannelRow, History, StepRow
from .plots import Band, plot

MOST_WAVEFORMS = 6  # drawn for one step
Gap = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Figure:
    """A plot with its caption."""

    caption: str
    svg: str


def figures_of(history: History, step: StepRow, gaps: Sequence[Gap]) -> list[Figure]:
    """The course of a step's readings, and every waveform kept with it. `gaps`: those of the job."""
    figures = []
    for channel in history.channels(step.row) if not kind_of(step.kind).lasting else ():
        readings = history.readings(channel)
        if len(readings) > 1:
            figures.append(_course(step, channel, readings, gaps))
    waveforms = history.waveforms(step.row)
    for name, waveform in waveforms[:MOST_WAVEFORMS]:
        times = np.asarray(waveform.times)
        clipped = ", CLIPPED: its peaks are cut off" if waveform.clipped else ""
        figures.append(
            Figure(f"{_titled(step)}: waveform at {name}{clipped}", _drawn(times, waveform.volts, "V", step))
        )
    if len(waveforms) > MOST_WAVEFORMS:
        last = figures.pop()
        more = f"{last.caption}, and {len(waveforms) - MOST_WAVEFORMS} more in the record"
        figures.append(Figure(more, last.svg))
    return figures


def _titled(step: StepRow) -> str:
    return f"{step.title} ({step.purpose})" if step.purpose != "do" else step.title


def _course(step: StepRow, channel: ChannelRow, readings: Sequence[Reading], gaps: Sequence[Gap]) -> Figure:
    start = readings[0].time
    times = np.array([reading.time - start for reading in readings])
    values = np.array([r.value if r.usable and r.value is not None else np.nan for r in readings])
    away = [
        (it["opened_us"] / 1e6 - start, it["closed_us"] / 1e6 - start)
        for it in gaps
        if it["step"] == step.row and it["closed_us"] is not None and channel.name.split(".")[0] == it["instrument"]
    ]
    together = step.result is not None and "axes" in step.result.details
    several = ", several values in turn" if together else ""
    caption = f"{_titled(step)}: readings of {channel.name}{several}{_left_out(readings)}"
    return Figure(caption, _drawn(times, values, channel.unit, step, away))


def _left_out(readings: Sequence[Reading]) -> str:
    """How many are not drawn, and why."""
    unusable = [it for it in readings if not it.usable]
    if not unusable:
        return ""
    why = Counter(flag.name for it in unusable for flag in it.flags & UNUSABLE)
    words = ", ".join(f"{(name or '').lower().replace('_', ' ')} {count}" for name, count in why.most_common())
    return f"; {len(unusable)} of {len(readings)} are not usable and not drawn ({words or 'no number'})"


def _drawn(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    unit: str,
    step: StepRow,
    gaps: Sequence[tuple[float, float]] = (),
) -> str:
    result = step.result
    together = result is not None and "axes" in result.details  # its window is that of one of several values only
    windowed = result is not None and (result.low, result.high) != (None, None) and result.unit == unit
    bands = [Band(result.low, result.high, "window")] if result is not None and windowed and not together else []
    return plot(times, values, unit=unit, title=step.title, bands=bands, gaps=gaps)
