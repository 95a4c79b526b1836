"""benchrig: bench instruments read while you turn trimmers. The public names, imported when first used.

    Waveform measure_pulses Pulses      waveforms and what is measured on them
    judge Judgement drift Drift         verdicts and stability
    quantity Quantity Reading           values with units
    load_procedure load_bench run       a job

Everything else is internal and may change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .checkout import join
from .lazy import names_of

if TYPE_CHECKING:
    from .bench import load_bench
    from .judgement import Drift, Judgement, drift, judge
    from .procedure import load_procedure
    from .readings import Reading
    from .session import run
    from .signals import Pulses, Waveform, measure_pulses
    from .units import Quantity, quantity

join()

# public name -> the module that has it; so that importing benchrig costs nothing
_HOMES = {
    "Drift": ".judgement",
    "Judgement": ".judgement",
    "Pulses": ".signals",
    "Quantity": ".units",
    "Reading": ".readings",
    "Waveform": ".signals",
    "drift": ".judgement",
    "judge": ".judgement",
    "load_bench": ".bench",
    "load_procedure": ".procedure",
    "measure_pulses": ".signals",
    "quantity": ".units",
    "run": ".session",
}

__all__ = [
    "Drift",
    "Judgement",
    "Pulses",
    "Quantity",
    "Reading",
    "Waveform",
    "drift",
    "judge",
    "load_bench",
    "load_procedure",
    "measure_pulses",
    "quantity",
    "run",
]

__getattr__ = names_of(globals(), _HOMES)
