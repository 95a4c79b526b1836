"""What a report says of a soak: its channels over the whole time, what was noticed, how long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..procedure.step import kind_of
from ..records.history import History, StepRow
from ..units import clock_words, show, show_window
from .plots import Band, plot_envelope

POINTS = 760  # about one for each column of the drawing
MOST_FINDINGS = 40


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel over the whole soak. Texts as people read them."""

    name: str
    readings: str
    least: str
    mean: str
    greatest: str
    window: str
    drift: str


@dataclass(frozen=True, slots=True)
class Soaked:
    """One soak step."""

    title: str
    began: str  # date and time, UTC
    lasted: str
    why: str
    channels: Sequence[ChannelLine]
    findings: Sequence[tuple[str, str, str, str]]  # since the start, channel, what, words
    more: int  # findings beyond those
    drawn: Sequence[tuple[str, str]]  # caption, SVG


def soaks_of(history: History, job: int, steps: Sequence[StepRow]) -> list[Soaked]:
    """Every soak of a job, in order."""
    soaks = [step for step in steps if kind_of(step.kind).lasting]
    if not soaks:
        return []
    events = history.events(job)
    return [_soaked(history, step, [it for it in events if it["step"] == step.row]) for step in soaks]


def _soaked(history: History, step: StepRow, events: Sequence[Mapping[str, Any]]) -> Soaked:
    found = [it for it in events if it["kind"] == "finding"]
    details = _details(history, step, events)
    channels = details.get("channels", {})
    return Soaked(
        title=step.title,
        began=f"{step.started:%Y-%m-%d %H:%M:%S} UTC",
        lasted=clock_words(float(details.get("lasted", 0.0))),
        why=str(details.get("why", "") or details.get("ended", "")),
        channels=[_line(name, it) for name, it in channels.items()],
        findings=[_finding(it, step.started_at) for it in found[:MOST_FINDINGS]],
        more=max(0, len(found) - MOST_FINDINGS),
        drawn=list(_drawn(history, step, channels)),
    )


def _details(history: History, step: StepRow, events: Sequence[Mapping[str, Any]]) -> Mapping[str, Any]:
    """What the soak said of itself at its end, or when it was cut short; what its readings say where it was killed."""
    so_far: Mapping[str, Any] = next((it["facts"] for it in reversed(events) if it["kind"] == "soak so far"), {})
    details = so_far if step.result is None else step.result.details or so_far
    return details if details.get("channels") else _killed(history, step)


def _killed(history: History, step: StepRow) -> Mapping[str, Any]:
    read = {it: history.envelope(it, POINTS) for it in history.channels(step.row)}
    ends = [float(drawn.times[-1]) for drawn in read.values() if drawn.times.size]
    if not ends:
        return {}
    channels = {
        it.name: {"unit": it.unit, "least": float(drawn.least.min()), "greatest": float(drawn.greatest.max())}
        for it, drawn in read.items()
        if drawn.times.size
    }
    lasted = max(ends) - step.started_at
    return {"channels": channels, "lasted": lasted, "why": "it was broken off, or still runs: these are its readings"}


def _line(name: str, it: Mapping[str, Any]) -> ChannelLine:
    unit = str(it.get("unit", ""))
    least, mean, greatest = (
        "" if it.get(key) is None else show(float(it[key]), unit) for key in ("least", "mean", "greatest")
    )
    counted = f"{it['usable']} of {it['readings']}" if "readings" in it else ""
    low, high = it.get("window") or (None, None)
    return ChannelLine(name, counted, least, mean, greatest, show_window(low, high, unit), _drift(it, unit))


def _drift(it: Mapping[str, Any], unit: str) -> str:
    """Change in an hour with its expanded uncertainty, and whether it is more than chance."""
    slope, uncertainty = it.get("drift"), it.get("drift uncertainty")
    if slope is None or uncertainty is None:
        return ""
    words = f"{show(3600.0 * slope, unit, digits=3)} ± {show(7200.0 * uncertainty, unit, digits=2)} an hour"
    return words if it.get("drifts") else f"none seen ({words})"


def _finding(event: Mapping[str, Any], began: float) -> tuple[str, str, str, str]:
    it = event["facts"]
    since = it.get("since", event["at_us"] / 1e6 - began)  # older records only know when it was written down
    return clock_words(float(since)), str(it["channel"]), str(it["kind"]), str(it["words"])


def _drawn(history: History, step: StepRow, channels: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = []
    for channel in history.channels(step.row):
        drawn = history.envelope(channel, POINTS)
        if channel.name not in channels or not drawn.times.size:
            continue
        limits = channels[channel.name].get("window")
        bands = [Band(limits[0], limits[1], "window")] if limits else []
        svg = plot_envelope(drawn, unit=channel.unit, title=f"{step.title}: {channel.name}", bands=bands)
        rows.append((f"{step.title}: {channel.name}, least to greatest, mean as a line", svg))
    return rows
