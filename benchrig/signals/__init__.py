"""Waveform numerics: levels, pulses, ringing, hum, and what belongs to a quiet phase. No clock, no instrument."""

from .pulses import Caution, Pulses, measure_pulses
from .waveform import Waveform

__all__ = ["Caution", "Pulses", "Waveform", "measure_pulses"]
