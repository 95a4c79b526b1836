"""Waveform numerics: levels, pulses, ringing, hum, and what belongs to a quiet phase. No clock, no instrument."""

from .gating import Gate, GatePhase, ReadingGate, record_activity
from .hum import hum
from .levels import Level, mean, measure_level, rms
from .pulses import Caution, Pulses, measure_pulses
from .waveform import Waveform

__all__ = [
    "Caution",
    "Gate",
    "GatePhase",
    "Level",
    "Pulses",
    "ReadingGate",
    "Waveform",
    "hum",
    "mean",
    "measure_level",
    "measure_pulses",
    "record_activity",
    "rms",
]
