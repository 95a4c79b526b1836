"""Whatever a host sends, a SCPI double neither raises, hangs nor grows, and answers the next good question.

BENCHRIG_HEAVY=1 sends the full count: a million random bytes and a hundred thousand mutated messages to each double.
"""

import gc
import os
import random
import tracemalloc
from collections.abc import Callable

import pytest
from bench_talk import Host, sine, square
from benchrig.sim_instruments.interfaces import Double
from benchrig.sim_instruments.meter_model import AGILENT34410A
from benchrig.sim_instruments.meter_scpi import BenchMeter
from benchrig.sim_instruments.scope_curve import CurveScopeDouble
from benchrig.sim_instruments.scope_descriptor import DescriptorScopeDouble
from benchrig.sim_instruments.scope_tenfield_a1 import TenFieldA1
from benchrig.sim_instruments.scope_tenfield_a2 import TenFieldA2
from benchrig.sim_instruments.serial_polled import PolledHandheld
from benchrig.sim_instruments.serial_prompt import PromptMeterDouble
from benchrig.sim_instruments.supply_scpi import BenchSupply
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.clock import SimClock

HEAVY = os.environ.get("BENCHRIG_HEAVY") == "1"
BYTES = 1_000_000 if HEAVY else 30_000
MESSAGES = 100_000 if HEAVY else 1_500

Maker = Callable[[SimClock], Double]
Recorder = Callable[[str, object], None]
POINTS = {1: sine(1.0, 1000.0), 2: square(0.0, 5.0, 1000.0)}
DOUBLES: dict[str, Maker] = {
    "meter": lambda clock: BenchMeter(clock, POINTS),
    "newer meter": lambda clock: BenchMeter(clock, POINTS, model=AGILENT34410A, unread="drop"),
    "serial meter": lambda clock: BenchMeter(clock, POINTS, serial=True),
    "scope a1": lambda clock: TenFieldA1(clock, POINTS),
    "scope a2": lambda clock: TenFieldA2(clock, POINTS),
    "curve scope": lambda clock: CurveScopeDouble(clock, POINTS),
    "descriptor scope": lambda clock: DescriptorScopeDouble(clock, POINTS),
    "supply": lambda clock: BenchSupply(clock),
    "prompt meter": lambda clock: PromptMeterDouble(clock, POINTS),
    "polled handheld": lambda clock: PolledHandheld(clock, POINTS),
}
GOOD = (
    b"*IDN?", b"*RST", b"*CLS", b"*OPC?", b"*WAI", b"*TRG", b"*ESE 255;*SRE 255", b"CONF:VOLT:DC 10,1e-5", b"READ?",
    b"INIT", b"FETC?", b"SAMP:COUN 3", b"TRIG:SOUR BUS", b"VOLT:RANG:AUTO ONCE", b"FUNC 'VOLT:AC'", b"VOLT:NPLC MAX",
    b":CHAN1:SCAL 500MV;OFFS -1;:CHAN1:SCAL?", b"SING", b":WAV:PRE?", b":WAV:DATA?", b"TIM:SCAL 1E-3", b"CURV?",
    b"DAT:SOU CH2;ENC RPB;WID 2", b"WFMP?", b"HEAD OFF", b"C1:VDIV 1V", b"C1:WF? DESC", b"WFSU SP,10,NP,100,FP,0",
    b"VOLT 5;:OUTP ON;:MEAS:VOLT?", b"SYST:ERR?", b"SYST:REM", b"STAT:OPER:ENAB 255", b"LOAD #15\nabcd", b"VAL1?",
    b"D", b"MEAS?", b"(@1,2:3)", b"'a;b'", b"#H7F", b"9.9E37", b"DIG CHAN1", b"ACQ:STATE ON", b"TRMD SINGLE", b"TFOR",
)  # fmt: skip


def mutated(source: random.Random) -> bytes:
    """One message or a few, with bytes changed, cut, doubled or put in."""
    text = bytearray(b";".join(source.choice(GOOD) for _ in range(source.choice((1, 1, 2, 4)))))
    for _ in range(source.choice((0, 1, 1, 2, 8))):
        at = source.randrange(len(text) + 1)
        deed = source.randrange(4)
        if deed == 0 and text:
            text[at % len(text)] = source.randrange(256)
        elif deed == 1:
            text[at:at] = bytes(source.randrange(256) for _ in range(source.randrange(1, 6)))
        elif deed == 2:
            del text[at : at + source.randrange(4)]
        else:
            text[at:at] = text[at : at + 20]
    return bytes(text) + b"\n"


def still_answers(double: Double, clock: SimClock) -> bool:
    """A good question after the noise is answered, once what was running has been given up."""
    host = Host(double, clock)
    for clear in ("device_clear", "_clear"):
        getattr(double, clear, lambda: None)()
    if isinstance(double, BenchMeter):
        double.external_trigger()
    host.send(b"\n")
    clock.sleep_until(clock.now() + 1.0)
    double.take()
    host.send(b"SYST:REM\n")
    clock.sleep_until(clock.now() + 1.0)
    double.take()
    if isinstance(double, PolledHandheld):
        return len(host.ask(b"D")) == 13
    return "," in host.ask("*IDN?")


def pour(double: Double, clock: SimClock, pieces: list[bytes]) -> None:
    for piece in pieces:
        double.receive(piece)
        clock.sleep_until(clock.now() + 0.001)
        double.take()
        double.due()


@pytest.mark.parametrize("name", DOUBLES)
def test_random_bytes_do_no_harm(name: str, record_property: Recorder) -> None:
    record_property("random bytes", BYTES)
    clock, source = SimClock(10.0), random.Random(1)
    double = DOUBLES[name](clock)
    for _ in range(BYTES // 1000):
        pour(double, clock, [source.randbytes(1000)])
    assert still_answers(double, clock)


@pytest.mark.parametrize("name", DOUBLES)
def test_mutated_messages_do_no_harm_and_memory_stays_flat(name: str, record_property: Recorder) -> None:
    """The second half of the messages takes no more memory than the first left behind, give or take one record."""
    record_property("mutated messages", MESSAGES)
    clock, source = SimClock(10.0), random.Random(2)
    double = DOUBLES[name](clock)
    pour(double, clock, [mutated(source) for _ in range(MESSAGES // 2)])
    gc.collect()
    tracemalloc.start()
    pour(double, clock, [mutated(source) for _ in range(MESSAGES // 2)])
    gc.collect()
    left, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert left < 30e6
    assert still_answers(double, clock)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(GOOD), max_size=6), st.lists(st.integers(1, 12), min_size=1, max_size=40))
def test_where_a_message_is_cut_makes_no_difference(messages: list[bytes], cuts: list[int]) -> None:
    """Byte by byte, whole or in random pieces: the same answers."""
    stream = b"\n".join(messages) + b"\n"
    answers = []
    for pieces in ([stream], [bytes([b]) for b in stream], list(_cut(stream, cuts))):
        clock = SimClock(10.0)
        host = Host(BenchMeter(clock, POINTS), clock)
        for piece in pieces:
            host.double.receive(piece)
        collected = b""
        while found := host.answer():
            collected += found
        answers.append(collected)
    assert answers[0] == answers[1] == answers[2]


def _cut(stream: bytes, cuts: list[int]) -> list[bytes]:
    pieces, at = [], 0
    while at < len(stream):
        step = cuts[len(pieces) % len(cuts)]
        pieces.append(stream[at : at + step])
        at += step
    return pieces
