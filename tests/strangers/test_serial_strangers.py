"""Decoders by others read what the encoders of the doubles send, for displays drawn at random.

fs9721-utils 0.0.3 and ut61e 1.0.2 from PyPI; each test skips where its package is missing.
"""

from typing import Any

import pytest
from benchrig.sim_instruments import serial_es51922, serial_fs9721
from benchrig.sim_instruments.serial_panel import SerialPanel
from hypothesis import given
from hypothesis import strategies as st

FLAGS = st.booleans()
FS9721_PANELS = st.builds(
    SerialPanel,
    st.integers(0, 9999), st.integers(0, 3), st.sampled_from(["", "m", "k", "M", "u", "n"]),
    st.sampled_from(["V", "A", "ohm", "F", "Hz"]), minus=FLAGS, auto=FLAGS, hold=FLAGS, relative=FLAGS,
    low_battery=FLAGS,
)  # fmt: skip
ES51922_PANELS = st.one_of(
    st.builds(
        SerialPanel, st.integers(0, 22000), st.just(decimals), st.just(prefix), st.just(unit), minus=FLAGS, hold=FLAGS,
        auto=FLAGS, low_battery=FLAGS, dc=st.just(unit == "V"),
    )
    for unit, code in (("V", "B"), ("ohm", "3"), ("F", "6"))
    for decimals, prefix in filter(None, serial_es51922.RANGES[code])
)  # fmt: skip


@given(FS9721_PANELS)
def test_fs9721_utils_reads_the_segments(panel: SerialPanel) -> None:
    reader: Any = pytest.importorskip("fs9721_utils", reason="pip install fs9721-utils to run this test")
    reading = reader.Reading(bytearray(serial_fs9721.encode(panel)))
    value = panel.counts * 10.0**-panel.decimals * (-1 if panel.minus else 1)
    assert float(reading.display().replace(" ", "")) == pytest.approx(value)
    state = reading.state  # its flags() leaves hold and low battery out, its parsed state has them
    assert (state.hold, state.low_battery, state.relative) == (panel.hold, panel.low_battery, panel.relative)


@given(ES51922_PANELS)
def test_ut61e_reads_the_codes(panel: SerialPanel) -> None:
    decoder: Any = pytest.importorskip("ut61e.es51922", reason="pip install ut61e to run this test")
    found = decoder.parse(serial_es51922.encode(panel)[:12], True)
    assert panel.value is not None
    assert float(found["value"]) == pytest.approx(panel.value, rel=1e-9)
    assert bool(found["hold"]) == panel.hold
    assert bool(found["battery_low"]) == panel.low_battery
