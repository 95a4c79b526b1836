"""Client libraries that know nothing of this project drive the doubles over real TCP, and read what the point has.

PyMeasure, QCoDeS, InstrumentKit and easy-scpi. Each has drivers of its own for the series that a double stands for, or
speaks plain SCPI; none shares a line with ours. Each test skips where its library is missing.
"""

import importlib
import os
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest
from bench_talk import Point, sine, square, steady
from benchrig.sim_instruments.interfaces import Double
from benchrig.sim_instruments.launch import launch
from benchrig.sim_instruments.meter_model import AGILENT34410A
from benchrig.sim_instruments.meter_scpi import BenchMeter
from benchrig.sim_instruments.scope_curve import CurveScopeDouble
from benchrig.sim_instruments.scope_curve_series import DPO4000
from benchrig.sim_instruments.scope_tenfield_a1 import TenFieldA1
from benchrig.sim_instruments.scope_tenfield_a2 import TenFieldA2
from benchrig.sim_instruments.serve import Server
from benchrig.sim_instruments.world import World

from benchrig.clock import RealClock

pytestmark = pytest.mark.filterwarnings("ignore")  # the libraries' own

ENDS = {"read_termination": "\n", "write_termination": "\n"}


def library(name: str) -> Any:
    """A module of a client library, or a skip that says how to get it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError as reason:
        pytest.skip(f"{name.partition('.')[0]} is not installed ({reason}); pip install it to run this test")


@contextmanager
def served(make: Callable[[RealClock], Double]) -> Iterator[str]:
    """The address of a double behind a real socket."""
    clock = RealClock()
    world = World(clock)
    world.connect("it", make(clock))
    server = Server(world)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield server.addresses()[0]["address"]
    finally:
        server.stop()
        thread.join(5.0)


@contextmanager
def pymeasured(module: str, name: str, address: str, **options: Any) -> Iterator[Any]:
    """A driver of PyMeasure."""
    kind = getattr(library(f"pymeasure.instruments.{module}"), name)
    instrument = kind(address, visa_library="@py", **ENDS, **options)
    try:
        yield instrument
    finally:
        instrument.adapter.close()


@contextmanager
def kit(module: str, name: str, address: str) -> Iterator[Any]:
    """A driver of InstrumentKit, on a plain socket."""
    kind = getattr(library(f"instruments.{module}"), name)
    _, host, port, _ = address.split("::")
    instrument = kind.open_tcpip(host, int(port))
    try:
        yield instrument
    finally:
        instrument._file.close()


# meters


def test_pymeasure_reads_the_34401a() -> None:
    """PyMeasure HP34401A: identity, DC volts, range, aperture, AC volts, errors."""
    point = Point(lambda t: 4.2 + sine(1.0, 1000.0).volts(t), across=470.0)
    with (
        served(lambda clock: BenchMeter(clock, {1: point}, mains=50.0)) as address,
        pymeasured("hp", "HP34401A", address, timeout=10_000) as meter,
    ):
        assert meter.id.startswith("HEWLETT-PACKARD,34401A,")
        meter.function_ = "DCV"
        meter.range_, meter.nplc = 10, 1
        assert (meter.range_, meter.nplc) == (10, 1)
        assert meter.reading == pytest.approx(4.2, abs=1e-3)
        meter.autorange = True
        assert meter.autorange
        assert meter.reading == pytest.approx(4.2, abs=1e-3)
        meter.function_ = "ACV"
        assert meter.reading == pytest.approx(2**-0.5, rel=1e-3)
        assert meter.check_errors() == []


def test_pymeasure_reads_a_rail_of_the_simulated_unit() -> None:
    """The same driver on the demo bench in a process of its own, against the chassis's own truth at A1 TP1."""
    library("pymeasure.instruments.hp")
    with (
        launch("skerry14", 3) as doubles,
        pymeasured("hp", "HP34401A", doubles.addresses["meter"], timeout=10_000) as meter,
    ):
        meter.function_ = "DCV"
        meter.autorange = True
        # The probe may load the rail by microvolts; the meter's data sheet allows half a millivolt here.
        assert meter.reading == pytest.approx(doubles.hands.truth("A1 TP1"), abs=2e-3)


def test_pymeasure_reads_the_34410a() -> None:
    """PyMeasure Agilent34410A: the one-shot properties."""
    with (
        served(lambda clock: BenchMeter(clock, {1: steady(-3.3)}, model=AGILENT34410A)) as address,
        pymeasured("agilent", "Agilent34410A", address, timeout=10_000) as meter,
    ):
        assert "34410A" in meter.id
        assert meter.voltage_dc == pytest.approx(-3.3, abs=1e-3)


def test_instrumentkit_reads_the_34410a() -> None:
    """InstrumentKit Agilent34410a: identity by its generic SCPI meter, DC volts, a range of its own choice."""
    with (
        served(lambda clock: BenchMeter(clock, {1: steady(7.25)}, model=AGILENT34410A)) as address,
        kit("agilent", "Agilent34410a", address) as meter,
    ):
        assert "34410A" in meter.name
        assert float(meter.measure(meter.Mode.voltage_dc).magnitude) == pytest.approx(7.25, abs=1e-3)


def test_easy_scpi_reads_volts_and_ranges() -> None:
    """Its attributes become headers: measure.voltage.dc is MEASURE:VOLTAGE:DC."""
    easy = library("easy_scpi")
    with served(lambda clock: BenchMeter(clock, {1: steady(4.712)})) as address:
        meter = easy.Instrument(address, port_match=False, backend="@py", **ENDS)
        meter.connect()
        try:
            assert meter.id.startswith("HEWLETT-PACKARD,34401A,")
            assert float(meter.measure.voltage.dc()) == pytest.approx(4.712, abs=1e-3)
            meter.voltage.dc.range(100)
            assert float(meter.voltage.dc.range()) == 100.0
        finally:
            meter.disconnect()


# scopes


def check_square(volts: Any) -> None:
    """A square wave from 0.5 V to 2.5 V, high for half of its time."""
    found = np.asarray(volts, dtype=float)
    assert np.percentile(found, [10, 90]) == pytest.approx([0.5, 2.5], abs=0.05)
    assert float(np.mean(found > 1.5)) == pytest.approx(0.5, abs=0.06)


SQUARE = square(0.5, 2.5, 1000.0)


@contextmanager
def second_sort() -> Iterator[Any]:
    """PyMeasure's driver on the sort with its origin in volts, the signal on its screen."""
    with (
        served(lambda clock: TenFieldA1(clock, {1: SQUARE})) as address,
        pymeasured("keysight", "KeysightDSOX1102G", address) as scope,
    ):
        assert "DSO-X 2024A" in scope.id
        scope.ch1.probe_attenuation = 10  # what hangs on the input
        scope.ch1.scale, scope.ch1.offset = 0.5, 1.5
        scope.timebase_scale = 2e-4
        assert scope.ch1.scale == 0.5
        yield scope


def test_pymeasure_reads_a_waveform_of_the_second_sort_as_text() -> None:
    """Digitised, in volts."""
    with second_sort() as scope:
        scope.digitize("channel1")
        scope.waveform_source, scope.waveform_points_mode = "channel1", "normal"
        scope.waveform_format = "ascii"
        check_square(scope.waveform_data)


def test_pymeasure_reads_a_waveform_of_the_second_sort_as_codes() -> None:
    """A single shot; it makes volts of the codes by its own reading of the preamble."""
    with second_sort() as scope:
        scope.write(":TRIG:LEV 1.5")
        scope.single()
        assert int(scope.ask("*OPC?")) == 1
        volts, preamble = scope.download_data("channel1", 1000)
        assert len(volts) == preamble["points"] == 1000
        check_square(volts)


def test_qcodes_reads_a_waveform_of_the_first_sort() -> None:
    """QCoDeS RigolDS1074Z: codes, origin in codes, words of 16 bits, all by its own formula."""
    kind = library("qcodes.instrument_drivers.rigol").RigolDS1074Z
    with served(lambda clock: TenFieldA2(clock, {1: SQUARE})) as address:
        os.environ.setdefault("QCODES_USER_PATH", os.devnull)
        scope = kind("strange_scope", address, visalib="@py", terminator="\n", timeout=10)
        try:
            scope.channels.ch1.vertical_scale(0.5)
            scope.write(":CHAN1:OFFS -1.5;:TIM:SCAL 2E-4;:TRIG:EDG:LEV 1.5;:SING;*WAI")
            check_square(scope.channels.ch1.trace())
        finally:
            scope.close()


def test_instrumentkit_reads_a_curve() -> None:
    """InstrumentKit TekDPO4104: its blocks, its offset. Headers are off first, as it expects them.

    Step by step, because its `read_waveform` leaves the line end after a block unread: right on GPIB, not on a socket.
    """
    with (
        served(lambda clock: CurveScopeDouble(clock, {1: SQUARE}, series=DPO4000)) as address,
        kit("tektronix", "TekDPO4104", address) as scope,
    ):
        assert scope.name.startswith("TEKTRONIX,DPO4104,")
        for message in ("HEADER OFF", "CH1:SCALE 0.5", "CH1:OFFSET 1.5", "HORIZONTAL:SCALE 2E-4"):
            scope.sendcmd(message)
        scope.sendcmd("ACQUIRE:STOPAFTER SEQUENCE")
        scope.sendcmd("ACQUIRE:STATE ON")
        assert scope.query("*OPC?") == "1"
        for message in ("DATA:SOURCE CH1", "DATA:ENCDG RIBINARY", "DATA:WIDTH 1", "CURVE?"):
            scope.sendcmd(message)
        codes = scope.binblockread(1)
        scope.read()  # the line end after the block
        step = float(scope.query("WFMP:YMU?"))
        check_square((codes - scope.y_offset) * step + float(scope.query("WFMP:YZE?")))
