"""Client libraries that know nothing of this project drive the doubles over real TCP, and read what the point has.

PyMeasure (several instrument classes, by several authors), QCoDeS and InstrumentKit; each test skips where its
library is missing.
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
from benchrig.sim_instruments.meter_model import AGILENT34410A
from benchrig.sim_instruments.meter_scpi import BenchMeter
from benchrig.sim_instruments.ports import Double
from benchrig.sim_instruments.scope_tenfield_a1 import TenFieldA1
from benchrig.sim_instruments.scope_tenfield_a2 import TenFieldA2
from benchrig.sim_instruments.serve import Server
from benchrig.sim_instruments.world import World

from benchrig.clock import RealClock

pytestmark = pytest.mark.filterwarnings("ignore")  # the libraries' own


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


def pymeasured(module: str, name: str, address: str, **options: Any) -> Any:
    kind = getattr(library(f"pymeasure.instruments.{module}"), name)
    return kind(address, visa_library="@py", read_termination="\n", write_termination="\n", **options)


def test_pymeasure_reads_the_34401a() -> None:
    """PyMeasure HP34401A: identity, DC volts, range, aperture, AC volts, resistance, errors."""
    point = Point(lambda t: 4.2 + sine(1.0, 1000.0).volts(t), across=470.0)
    with served(lambda clock: BenchMeter(clock, {1: point}, mains=50.0)) as address:
        meter = pymeasured("hp", "HP34401A", address, timeout=10_000)
        assert "34401A" in meter.id
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
        meter.adapter.close()


def test_pymeasure_reads_the_34410a() -> None:
    """PyMeasure Agilent34410A: the one-shot properties."""
    with served(lambda clock: BenchMeter(clock, {1: steady(-3.3)}, model=AGILENT34410A)) as address:
        meter = pymeasured("agilent", "Agilent34410A", address, timeout=10_000)
        assert "34410A" in meter.id
        assert meter.voltage_dc == pytest.approx(-3.3, abs=1e-3)
        meter.adapter.close()


def test_pymeasure_reads_a_waveform_of_the_second_sort() -> None:
    """PyMeasure KeysightDSOX1102G: preamble and data of the sort with its origin in volts."""
    with served(lambda clock: TenFieldA1(clock, {1: square(0.5, 2.5, 1000.0)}, probes={1: 1.0})) as address:
        scope = pymeasured("keysight", "KeysightDSOX1102G", address)
        scope.ch1.scale, scope.ch1.offset = 0.5, 1.5
        scope.timebase_scale = 2e-4
        scope.digitize("channel1")
        scope.waveform_source, scope.waveform_points_mode = "channel1", "normal"
        scope.waveform_format = "ascii"
        data = scope.waveform_data
        assert np.percentile(data, [10, 90]) == pytest.approx([0.5, 2.5], abs=0.05)
        scope.adapter.close()


def test_qcodes_reads_a_waveform_of_the_first_sort() -> None:
    """QCoDeS RigolDS1074Z: codes, origin in codes, words of 16 bits, all by its own formula."""
    kind = library("qcodes.instrument_drivers.rigol").RigolDS1074Z
    with served(lambda clock: TenFieldA2(clock, {1: square(0.5, 2.5, 1000.0)})) as address:
        os.environ.setdefault("QCODES_USER_PATH", os.devnull)
        scope = kind("strange_scope", address, visalib="@py", terminator="\n", timeout=10)
        try:
            scope.channels.ch1.vertical_scale(0.5)
            scope.write(":CHAN1:OFFS -1.5;:TIM:SCAL 2E-4;:TRIG:EDG:LEV 1.5;:SING;*WAI")
            trace = np.asarray(scope.channels.ch1.trace())
            assert np.percentile(trace, [10, 90]) == pytest.approx([0.5, 2.5], abs=0.05)
        finally:
            scope.close()


def place(address: str) -> tuple[str, int]:
    """Host and port of a socket address."""
    _, host, port, _ = address.split("::")
    return host, int(port)


def test_instrumentkit_reads_the_34410a() -> None:
    """InstrumentKit Agilent34410a: identity by the generic SCPI class, DC volts, a range of its own choice."""
    agilent = library("instruments.agilent")
    with served(lambda clock: BenchMeter(clock, {1: steady(7.25)}, model=AGILENT34410A)) as address:
        meter = agilent.Agilent34410a.open_tcpip(*place(address))
        assert "34410A" in meter.name
        assert float(meter.measure(meter.Mode.voltage_dc).magnitude) == pytest.approx(7.25, abs=1e-3)
        meter._file.close()
