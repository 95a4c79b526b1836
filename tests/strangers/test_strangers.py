"""Client libraries written by others drive our doubles over TCP and see what is truly on the bench.

The packages are for these tests only: PyMeasure, InstrumentKit, easy-scpi. Each has drivers of its own for the series
that a double stands for, or speaks plain SCPI; none shares a line with ours.
"""

from __future__ import annotations

import contextlib
import threading
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from benchrig.sim_instruments.serve import Server
from small_bench import DUTY, HIGH, LEVEL, LOW, small_bench

from benchrig.clock import RealClock

pytestmark = pytest.mark.filterwarnings("ignore")  # of the packages' own age

ENDS = {"visa_library": "@py", "read_termination": "\n", "write_termination": "\n"}


@contextlib.contextmanager
def on(name: str) -> Iterator[str]:
    """The address of one double on loopback."""
    server = Server(small_bench(RealClock(), name))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server.addresses()[0]["address"]
    finally:
        server.stop()
        thread.join()


def port_of(address: str) -> int:
    return int(address.split("::")[2])


def package(name: str) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip(name)


def test_pymeasure_reads_a_34401a() -> None:
    """Identity, a fixed range, DC volts, aperture."""
    hp = package("pymeasure.instruments.hp")
    with on("meter") as address:
        meter = hp.HP34401A(address, **ENDS)
        try:
            assert meter.id.startswith("HEWLETT-PACKARD,34401A,")
            meter.function_ = "DCV"
            meter.range_ = 100
            meter.nplc = 1
            assert (meter.range_, meter.nplc) == (100.0, 1.0)
            assert meter.reading == pytest.approx(LEVEL, abs=0.005)
        finally:
            meter.adapter.close()


def test_pymeasure_reads_a_waveform_of_a_ten_field_scope() -> None:
    """It makes volts of the codes by its own reading of the preamble; the square wave's two levels come out."""
    keysight = package("pymeasure.instruments.keysight")
    with on("tenfield-a1") as address:
        scope = keysight.KeysightDSOX1102G(address, **ENDS)
        try:
            assert "DSO-X 2024A" in scope.id
            scope.ch1.probe_attenuation = 10  # what hangs on the input
            scope.ch1.scale = 2.0
            scope.timebase_scale = 1e-3
            assert scope.ch1.scale == 2.0
            scope.write(":TRIG:LEV 3.5")
            scope.single()
            assert int(scope.ask("*OPC?")) == 1
            volts, preamble = scope.download_data("channel1", 1000)
        finally:
            scope.adapter.close()
    assert len(volts) == preamble["points"] == 1000
    check_square(np.asarray(volts, dtype=float), step=preamble["yincrement"])


def test_instrumentkit_reads_volts() -> None:
    """Through its generic SCPI multimeter on a plain socket."""
    ik = package("instruments")
    with on("meter") as address:
        meter = ik.generic_scpi.SCPIMultimeter.open_tcpip("127.0.0.1", port_of(address))
        try:
            assert meter.name.startswith("HEWLETT-PACKARD,34401A,")
            assert float(meter.measure(meter.Mode.voltage_dc)) == pytest.approx(LEVEL, abs=0.005)
        finally:
            meter._file._conn.close()


def test_instrumentkit_reads_a_curve() -> None:
    """Its driver for this very series: its blocks, its offset. Headers are off first, as it expects them.

    Step by step, because its `read_waveform` leaves the line end after a block unread: right on GPIB, not on a socket.
    """
    ik = package("instruments")
    with on("curve-dpo") as address:
        scope = ik.tektronix.TekDPO4104.open_tcpip("127.0.0.1", port_of(address))
        try:
            assert scope.name.startswith("TEKTRONIX,DPO4104,")
            for message in ("HEADER OFF", "CH1:SCALE 2", "HORIZONTAL:SCALE 1E-3"):
                scope.sendcmd(message)
            scope.sendcmd("ACQUIRE:STOPAFTER SEQUENCE")
            scope.sendcmd("ACQUIRE:STATE ON")
            assert scope.query("*OPC?") == "1"
            for message in ("DATA:SOURCE CH1", "DATA:ENCDG RIBINARY", "DATA:WIDTH 1", "CURVE?"):
                scope.sendcmd(message)
            codes = scope.binblockread(1)
            scope.read()  # the line end after the block
            step = float(scope.query("WFMP:YMU?"))
            volts = (codes - scope.y_offset) * step + float(scope.query("WFMP:YZE?"))
        finally:
            scope._file._conn.close()
    check_square(np.asarray(volts, dtype=float), step=step)


def test_easy_scpi_reads_volts_and_ranges() -> None:
    """Its attributes become headers: measure.voltage.dc is MEASURE:VOLTAGE:DC."""
    easy = package("easy_scpi")
    ends = {"backend": "@py", "read_termination": "\n", "write_termination": "\n"}
    with on("meter") as address:
        meter = easy.Instrument(address, port_match=False, **ends)
        meter.connect()
        try:
            assert meter.id.startswith("HEWLETT-PACKARD,34401A,")
            assert float(meter.measure.voltage.dc()) == pytest.approx(LEVEL, abs=0.005)
            meter.voltage.dc.range(100)
            assert float(meter.voltage.dc.range()) == 100.0
        finally:
            meter.disconnect()


def check_square(volts: np.ndarray, step: float) -> None:
    """Two levels, each within two codes and some noise; high for its share of the time."""
    high = volts > (HIGH + LOW) / 2
    assert float(np.median(volts[high])) == pytest.approx(HIGH, abs=2 * step + 0.05)
    assert float(np.median(volts[~high])) == pytest.approx(LOW, abs=2 * step + 0.05)
    assert float(high.mean()) == pytest.approx(DUTY, abs=0.06)
