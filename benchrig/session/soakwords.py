"""What a soak says of itself: a channel for the displays, a finding for the record, the sums for the report. Pure."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from ..soak.channel import ChannelWatch, Totals
from ..soak.engine import Engine
from ..soak.findings import Finding
from ..soak.levels import Level
from ..units import show
from .notices import ChannelView

_STATES = {Level.IN: "in", Level.OUT: "warning", Level.FAR_OUT: "out"}


def view(channel: ChannelWatch, now: float, before: tuple[str, datetime] | None, stamp: datetime) -> ChannelView:
    """How a channel stands; `before` is its last state and since when."""
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
    )


def state_of(channel: ChannelWatch, now: float) -> str:
    """One word: "absent", "out", "warning", "warm-up", "in"."""
    if channel.absent:
        return "absent"
    if channel.level is Level.IN and channel.warming(now):
        return "warm-up"
    return _STATES[channel.level]


def said(finding: Finding) -> dict[str, Any]:
    """A finding in JSON's own types."""
    return {
        "channel": finding.channel,
        "kind": str(finding.kind),
        "severity": str(finding.severity),
        "at": finding.time,
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
            name: {**_sums(it), "unit": engine.channels[name].unit, "words": words_of(it, engine.channels[name].unit)}
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


def words_of(totals: Totals, unit: str) -> str:
    """One line for a person."""
    if totals.mean is None or totals.least is None or totals.greatest is None:
        return "no usable reading after the warm-up"
    words = f"mean {show(totals.mean, unit)}, {show(totals.least, unit)} to {show(totals.greatest, unit)}"
    if totals.drifts and totals.drift is not None:
        words += f", drifts {show(totals.drift.slope * 3600.0, unit)} an hour"
    return words
