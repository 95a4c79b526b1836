"""The bench meter double: aperture, loading, autorange, pace and the measure verbs (34401A user's guide)."""

import pytest
from bench_talk import Host, Point, sine, steady
from benchrig.sim_instruments.meter_scpi import BenchMeter

from benchrig.clock import SimClock


def host_of(point: Point, **options: object) -> Host:
    clock = SimClock(100.0)
    return Host(BenchMeter(clock, {1: point}, **options), clock)  # type: ignore[arg-type]


def test_only_whole_line_periods_reject_hum() -> None:
    hum = Point(lambda t: 5.0 + sine(1.0, 50.0).volts(t))
    host = host_of(hum)
    host.send("CONF:VOLT:DC 10;:VOLT:NPLC 1")
    assert float(host.ask("READ?")) == pytest.approx(5.0, abs=1e-3)
    host.send("VOLT:NPLC 0.2")
    spread = {round(float(host.ask("READ?")), 2) for _ in range(9)}
    assert max(spread) - min(spread) > 0.2


@pytest.mark.parametrize(("zero", "seconds"), [("ON", 0.4), ("OFF", 0.2)])
def test_auto_zero_halves_the_pace(zero: str, seconds: float) -> None:
    """10 PLC at 50 Hz: 2.5 readings a second, 5 without auto-zero."""
    host = host_of(steady(1.0))
    host.send(f"CONF:VOLT:DC 10;:ZERO:AUTO {zero};:TRIG:DEL 0;:SAMP:COUN 5")
    begun = host.clock.now()
    assert host.ask("READ?").count(",") == 4
    assert host.clock.now() - begun == pytest.approx(5 * seconds, rel=0.01)


def test_loading_follows_the_input_resistance_and_conf_resets_it() -> None:
    """Behind 1 Mohm: 10/11 into 10 Mohm; unloaded into over 10 Gohm, which CONFigure switches off again."""
    host = host_of(steady(9.0, 1e6))
    host.send("CONF:VOLT:DC 10")
    assert float(host.ask("READ?")) == pytest.approx(9.0 / 1.1, rel=1e-4)
    host.send("INP:IMP:AUTO ON")
    assert float(host.ask("READ?")) == pytest.approx(9.0 / 1.0001, rel=1e-4)
    assert host.ask("CONF:VOLT:DC 10;:INP:IMP:AUTO?;:VOLT:NPLC?") == "0;+1.00000000E+01"


def test_autorange_finds_the_range_and_a_fixed_one_overloads_with_sign() -> None:
    host = host_of(steady(-47.0))
    assert float(host.ask("MEAS:VOLT:DC?")) == pytest.approx(-47.0, rel=1e-4)
    assert float(host.ask("VOLT:RANG?")) == 100.0
    assert float(host.ask("VOLT:RANG 10;:READ?")) == -9.9e37
    assert host.ask("VOLT:RANG:AUTO?") == "0"


def test_fetch_repeats_the_old_reading_and_trg_takes_a_new_one() -> None:
    now = Point(lambda t: t * 0.01)
    host = host_of(now)
    assert host.ask("FETC?") == ""
    assert host.errors() == [-230]
    host.send("CONF:VOLT:DC 10;:TRIG:SOUR BUS;:INIT;*TRG")
    first = host.ask("FETC?")
    host.clock.sleep_until(200.0)
    assert host.ask("FETC?") == first
    host.send("READ?;*TRG")
    assert host.errors() == [-214, -211]


def test_null_subtracts_the_first_reading() -> None:
    host = host_of(steady(3.0))
    host.send("CONF:VOLT:DC 10;:CALC:FUNC NULL;STAT ON")
    assert float(host.ask("READ?")) == pytest.approx(0.0, abs=1e-4)
    assert host.ask("CALC:STAT?") == "1"


def test_ac_ohms_and_continuity() -> None:
    host = host_of(sine(1.0, 1000.0, offset=5.0))
    assert float(host.ask("MEAS:VOLT:AC?")) == pytest.approx(2**-0.5, rel=1e-3)
    fuse = host_of(steady(0.0, across=0.4))
    assert float(fuse.ask("MEAS:RES?")) == pytest.approx(0.4, abs=1e-3)
    assert float(host_of(steady(0.0)).ask("MEAS:CONT?")) == 9.9e37


def test_over_serial_nothing_is_measured_before_remote() -> None:
    """34401A: error 550, answers end CR LF, Ctrl-C is device clear."""
    host = host_of(steady(1.0), serial=True)
    assert host.ask("READ?") == ""
    assert host.errors() == [550]
    host.send("SYST:REM")
    host.send("READ?")
    assert host.answer().endswith(b"\r\n")
    host.send(b"TRIG:SOUR EXT;:READ?\n")
    assert host.answer() == b""
    assert host.ask(b"\x03*ESE?\n") == "+0"
