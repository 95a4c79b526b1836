"""Scope doubles: volts by each family's published formula agree with the test point."""

import struct

import numpy as np
import pytest
from bench_talk import Host, Point, sine, square, steady
from benchrig.sim_instruments.scope_curve import CurveScopeDouble
from benchrig.sim_instruments.scope_curve_series import DPO4000, TDS2000, CurveSeries
from benchrig.sim_instruments.scope_descriptor import SDS1000X, DescriptorScopeDouble
from benchrig.sim_instruments.scope_tenfield_a1 import TenFieldA1
from benchrig.sim_instruments.scope_tenfield_a2 import TenFieldA2

from benchrig.clock import SimClock

LEVEL = 2.36  # volts; a set-up with a non-zero offset tells the formulas apart


def host_of(kind: type, point: Point = steady(LEVEL), **options: object) -> Host:  # noqa: B008
    clock = SimClock(100.0)
    host = Host(kind(clock, {1: point}, **options), clock)
    clock.sleep_until(101.0)
    return host


def test_a2_volts_by_origin_in_codes() -> None:
    """DS1000Z programming guide: (code - yorigin - yreference) * yincrement."""
    host = host_of(TenFieldA2)
    host.send(":CHAN1:SCAL 1;OFFS -1.5;:STOP")
    host.send(":RUN")
    host.clock.sleep_until(103.0)
    p = [float(x) for x in host.ask(":WAV:PRE?").split(",")]
    codes = np.frombuffer(host.block(":WAV:DATA?"), np.uint8)
    assert len(codes) == p[2] == 1200
    assert ((codes - p[8] - p[9]) * p[7]).mean() == pytest.approx(LEVEL, abs=p[7])
    assert p[8] != 0


def test_a1_volts_by_origin_in_volts() -> None:
    """InfiniiVision programmer's guide: (code - yreference) * yincrement + yorigin, in bytes and in words."""
    host = host_of(TenFieldA1)
    host.send(":CHAN1:PROB 10;SCAL 1;OFFS 1.5;:DIG CHAN1")
    for form, dtype in (("BYTE", ">u1"), ("WORD", ">u2")):
        host.send(f":WAV:FORM {form}")
        p = [float(x) for x in host.ask(":WAV:PRE?").split(",")]
        codes = np.frombuffer(host.block(":WAV:DATA?"), dtype).astype(float)
        assert ((codes - p[9]) * p[7] + p[8]).mean() == pytest.approx(LEVEL, abs=0.04)


@pytest.mark.parametrize("series", [TDS2000, DPO4000])
@pytest.mark.parametrize(("encoding", "dtype"), [("RIB", ">i1"), ("RPB", ">u1")])
def test_curve_volts(series: CurveSeries, encoding: str, dtype: str) -> None:
    """TDS and DPO programmer manuals: (code - YOFf) * YMUlt + YZEro, fields asked one by one."""
    host = host_of(CurveScopeDouble, series=series)
    host.send(f"HEAD OFF;:CH1:SCA 1;POS -1.5;:DAT:ENC {encoding};:ACQ:STOPA SEQ;STATE RUN;*WAI")
    stem = "WFMP" if series is TDS2000 else "WFMO"
    mult, off, zero = (float(host.ask(f"{stem}:{name}?")) for name in ("YMU", "YOF", "YZE"))
    codes = np.frombuffer(host.block("CURV?"), dtype).astype(float)
    assert ((codes - off) * mult + zero).mean() == pytest.approx(LEVEL, abs=0.04)


def test_descriptor_volts_in_both_orders() -> None:
    """WAVEDESC template LECROY_2_3: code * gain - offset; COMM_ORDER orders the descriptor too."""
    host = host_of(DescriptorScopeDouble)
    host.send("CHDR OFF;C1:VDIV 1;:C1:OFST -1.5;:TRMD AUTO")
    host.clock.sleep_until(103.0)
    for order, mark in (("HI", ">"), ("LO", "<")):
        host.send(f"CORD {order};CFMT DEF9,WORD,BIN")
        block = host.block("C1:WF? DESC")
        gain, offset = struct.unpack_from(f"{mark}ff", block, 156)
        codes = np.frombuffer(host.block("C1:WF? DAT1"), f"{mark}i2").astype(float)
        assert len(block) == 346
        assert (codes * gain - offset).mean() == pytest.approx(LEVEL, abs=0.04)


def test_the_younger_descriptor_scope_scales_by_query() -> None:
    """SDS1000X programming guide: code * vdiv / 25 - offset."""
    host = host_of(DescriptorScopeDouble, series=SDS1000X)
    host.send("CHDR OFF;C1:VDIV 1;:C1:OFST -1.5")
    host.clock.sleep_until(103.0)
    scale, offset = float(host.ask("C1:VDIV?")), float(host.ask("C1:OFST?"))
    codes = np.frombuffer(host.block("C1:WF? DAT2"), np.int8).astype(float)
    assert (codes * scale / 25 - offset).mean() == pytest.approx(LEVEL, abs=0.04)


def test_beyond_the_screen_the_codes_stand_at_the_limits() -> None:
    host = host_of(TenFieldA2, steady(50.0))
    assert set(host.block(":WAV:DATA?")) == {255}
    assert float(host.ask(":MEAS:ITEM? VPP,CHAN1")) > 9.8e37


def test_a_wrong_probe_factor_reads_wrong_and_nothing_warns() -> None:
    """x1 set for a 10:1 probe reads ten times low."""
    host = host_of(TenFieldA2)
    host.send(":CHAN1:PROB 1;SCAL 0.1")
    host.clock.sleep_until(103.0)
    assert float(host.ask(":MEAS:ITEM? VAVG,CHAN1")) == pytest.approx(LEVEL / 10, abs=0.01)


def test_an_armed_scope_without_trigger_keeps_the_old_record_until_forced() -> None:
    host = host_of(TenFieldA2)
    old = host.ask(":STOP;:WAV:PRE?")
    host.send(":CHAN1:SCAL 2;:SING")
    host.clock.sleep_until(150.0)
    assert host.ask(":TRIG:STAT?;:WAV:PRE?") == f"WAIT;{old}"
    assert host.ask(":TFOR;*OPC?;:TRIG:STAT?") == "1;STOP"
    assert host.ask(":WAV:PRE?") != old


def test_a_single_acquisition_triggers_on_its_level_and_slope() -> None:
    """The signal passes the level at t = 0 within a sample or two of it."""
    host = host_of(TenFieldA2, sine(2.0, 1000.0))
    assert host.ask(":TIM:SCAL 1E-4;:TRIG:EDG:LEV 1;SLOP NEG;:SING;*OPC?") == "1"
    p = [float(x) for x in host.ask(":WAV:PRE?").split(",")]
    volts = (np.frombuffer(host.block(":WAV:DATA?"), np.uint8) - p[8] - p[9]) * p[7]
    at = round(-p[5] / p[4])
    assert volts[at] == pytest.approx(1.0, abs=0.15)
    assert volts[at - 40] > 1.2 > 0.8 > volts[at + 40]


def test_deep_memory_comes_in_pages_and_no_page_is_longer() -> None:
    """DS1000Z: 250000 bytes a page, STARt and STOP from 1 with both ends in."""
    host = host_of(TenFieldA2, square(0.0, 3.0, 1000.0))
    assert host.ask(":TIM:SCAL 1E-3;:ACQ:MDEP 1200000;:TRIG:EDG:LEV 1.5;:SING;*OPC?;:WAV:MODE RAW;POIN?") == "1;1200000"
    one = host.block(":WAV:STAR 1;STOP 1000;DATA?")
    assert len(one) == 1000
    assert host.block(":WAV:STAR 501;STOP 1000;DATA?") == one[500:]
    assert len(host.block(":WAV:STAR 1;STOP 1200000;DATA?")) == 250_000


def test_a_faulty_block_is_short_or_empty_once() -> None:
    host = host_of(TenFieldA2)
    for points in (7, 0):
        host.double.cut_block_to = points  # type: ignore[attr-defined]
        assert len(host.block(":WAV:DATA?")) == points
    assert len(host.block(":WAV:DATA?")) == 1200


def test_a_hidden_source_gives_an_event_and_no_curve() -> None:
    """TDS manual: event 2244; it can be read only after *ESR?."""
    host = host_of(CurveScopeDouble)
    host.ask("*ESR?")
    assert host.ask("HEAD OFF;:DAT:SOU CH2;:CURV?") == ""
    assert host.ask("EVM?").startswith("1,")
    assert host.ask("*ESR?") == "16"
    assert host.ask("EVM?").startswith("2244,")


def test_headers_come_long_or_short_until_switched_off() -> None:
    host = host_of(CurveScopeDouble)
    assert host.ask("CH1:SCA?") == ":CH1:SCALE 1.0E0"
    assert host.ask("VERB OFF;:CH1:SCA?") == ":CH1:SCA 1.0E0"
    assert host.ask("HEAD OFF;:CH1:SCA?") == "1.0E0"
