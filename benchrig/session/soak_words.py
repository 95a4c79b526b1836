"""What a soak says of itself: a channel for the displays, a finding for the record, the sums for the report. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from ..procedure.quantities import ReadingClass
from ..soak.channel import ChannelWatch, Totals
from ..soak.engine import Engine
from ..soak.findings import Finding, Kind
from ..soak.levels import ReadingBand
from ..units import show
from .notices import ChannelView

_STATES = {ReadingBand.IN: "in", ReadingBand.OUT: "warning", ReadingBand.FAR_OUT: "out"}


def view(
    channel: ChannelWatch,
    now: float,
    before: tuple[str, datetime] | None,
    stamp: datetime,
    extremes: tuple[float, float] | None = None,
) -> ChannelView:
    """How a channel stands; `before` is its last state and since when, `extremes` what it reached since that view."""
    limits = channel.channel.limits
    state = state_of(channel, now)
    since = before[1] if before is not None and before[0] == state else stamp
    return ChannelView(
        name=channel.name,
        value=None if channel.last is None or channel.absent else channel.last[1],
        unit=channel.unit,
        low=limits.low,
        high=limits.high,
        acceptable_low=limits.acceptable_low,
        acceptable_high=limits.acceptable_high,
        state=state,
        since=since,
        least=None if extremes is None else extremes[0],
        greatest=None if extremes is None else extremes[1],
        readings=channel.readings,
    )


def state_of(channel: ChannelWatch, now: float) -> str:
    """One word: "absent", "out", "warning", "warm-up", "in"."""
    if channel.absent:
        return "absent"
    if channel.level is ReadingBand.IN and channel.warming(now):
        return "warm-up"
    return _STATES[channel.level]


def said(finding: Finding, began: float) -> dict[str, Any]:
    """A finding in JSON's own types; `since` in seconds of the soak, which began at `began` of the job's clock."""
    return {
        "channel": finding.channel,
        "kind": str(finding.kind),
        "severity": str(finding.severity),
        "at": finding.time,
        "since": finding.time - began,
        "words": finding.words,
        "unit": finding.unit,
        "value": finding.value,
        "size": finding.size,
        "ends": None if finding.ends is None else str(finding.ends),
    }


def details(engine: Engine, now: float) -> dict[str, Any]:
    """The sums of a soak in JSON's own types; values in each channel's unit, seconds."""
    return {
        "lasted": now - engine.began,
        "why": engine.why,
        "cycles": engine.cycles,
        "findings": {str(severity): count for severity, count in engine.findings.items()},
        "channels": {
            name: {
                **_sums(it),
                "window": list(engine.channels[name].channel.limits.window),
                "unit": engine.channels[name].unit,
                "words": words_of(it, engine.channels[name].unit),
            }
            for name, it in engine.totals().items()
        },
    }


def _sums(totals: Totals) -> dict[str, Any]:
    drift = totals.drift
    return {
        "readings": totals.readings,
        "usable": totals.usable,
        "least": totals.least,
        "mean": totals.mean,
        "greatest": totals.greatest,
        "drift": None if drift is None else drift.slope,
        "drift uncertainty": None if drift is None else drift.slope_uncertainty,
        "drifts": totals.drifts,
        "noise": None if drift is None else drift.noise,
    }


_CLASSES: Mapping[Kind, ReadingClass] = {
    Kind.DIP: ReadingClass.DIPPING,
    Kind.CAUGHT: ReadingClass.DIPPING,
    Kind.STEP: ReadingClass.STEPPING,
    Kind.DRIFT: ReadingClass.DRIFTING,
    Kind.ABSENT: ReadingClass.ABSENT,
    Kind.BREACH: ReadingClass.FAR_HIGH,
}


def hints_for(noticed: Mapping[Kind, set[str]], hints: Mapping[ReadingClass, str]) -> list[str]:
    """What to look at, each once. `noticed`: the channels on which each kind was found."""
    classes = [_CLASSES[kind] for kind in noticed if kind in _CLASSES]
    dipped = noticed.get(Kind.DIP, set()) | noticed.get(Kind.CAUGHT, set())
    if len(dipped) > 1 and ReadingClass.ALL_DIP in hints:
        classes = [ReadingClass.ALL_DIP, *(it for it in classes if it is not ReadingClass.DIPPING)]
    return [f"{it}: {hints[it]}" for it in dict.fromkeys(classes) if it in hints]


def noticed_words(noticed: Mapping[Kind, set[str]]) -> str:
    """What was found where, for the verdict; empty where nothing was.

    >>> noticed_words({Kind.DIP: {"+5 V", "+12 V"}})
    'noticed: dip on +12 V, +5 V'
    """
    rows = [f"{kind} on {', '.join(sorted(channels))}" for kind, channels in noticed.items() if channels]
    return f"noticed: {'; '.join(rows)}" if rows else ""


def words_of(totals: Totals, unit: str) -> str:
    """One line for a person."""
    if totals.mean is None or totals.least is None or totals.greatest is None:
        return "no usable reading after the warm-up"
    words = f"mean {show(totals.mean, unit)}, {show(totals.least, unit)} to {show(totals.greatest, unit)}"
    if totals.drifts and totals.drift is not None:
        words += f", drifts {show(totals.drift.slope * 3600.0, unit)} an hour"
    return words


class Folding:
    """Findings as lines for a person: the first few of a kind on a channel, then one line now and then for the rest.

    The record has every one of them.
    """

    def __init__(self, whole: int = 3, every: float = 600.0) -> None:
        self._whole = whole
        self._every = every
        self._rows: dict[tuple[str, Kind], tuple[int, float, int]] = {}  # told whole, last line, untold since

    def lines(self, finding: Finding, now: float) -> list[str]:
        """What is to be said of it now; nothing, or one line."""
        key = (finding.channel, finding.kind)
        told, last, untold = self._rows.get(key, (0, now, 0))
        line = f"{finding.channel} {finding.kind}: {finding.words}"
        if told < self._whole:
            self._rows[key] = (told + 1, now, 0)
            return [line]
        if now - last < self._every:
            self._rows[key] = (told, last, untold + 1)
            return []
        self._rows[key] = (told, now, 0)
        more = f"; and {untold} more in the last {(now - last) / 60.0:.0f} min" if untold else ""
        return [line + more]
