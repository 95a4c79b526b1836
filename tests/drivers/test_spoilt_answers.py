"""A number on the wire that is not the number meant never becomes a reading.

The forms of numbers: SCPI-1999 vol. 1, 7.2 (NRf); the bits of the event register: IEEE 488.2, 11.5.1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from benchrig.drivers.scpi_common import Forms
from benchrig.sim_instruments.meter_scpi import BenchMeter

from benchrig.bench import Station, load_bench
from benchrig.bench.source import readings
from benchrig.clock import SimClock
from benchrig.errors import InstrumentError, LinkError
from benchrig.instruments import Function, load_driver
from benchrig.links.inprocess import InProcessLink
from benchrig.links.scpi_port import ScpiPort
from benchrig.readings import Flag, Reading
from benchrig.testing import ReplayLink, SimBench

VOLTS = 7.25


class Node:
    resistance = 0.0

    def average(self, start: float, stop: float) -> float:
        return VOLTS

    def rms(self, start: float, stop: float) -> float:
        return 0.0

    def samples(self, start: float, interval: float, count: int) -> Any:
        raise NotImplementedError


class Spoilt(BenchMeter):
    """A bench meter on a bad line: `spoil` changes what comes out."""

    spoil: Callable[[bytes], bytes] = staticmethod(lambda data: data)

    def take(self) -> bytes:
        data = super().take()
        return self.spoil(data) if data else data


def drain(source: Any, clock: SimClock) -> None:
    for _ in range(100):
        source.next(clock.now() + 1.0)


def meter() -> tuple[Any, Spoilt, SimClock]:
    clock = SimClock(100.0)
    double = Spoilt(clock, {1: Node()})
    driver = load_driver("meter-scpi")(InProcessLink("sim://meter", clock, double), clock, {})
    driver.select(Function.DC_VOLTAGE, expected=10.0)
    for _ in range(3):
        assert driver.read(clock.now() + 5.0).value == pytest.approx(VOLTS, abs=0.01)
    return driver, double, clock


def once(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    """Changes the first message in which `old` stands."""
    left = [True]

    def change(data: bytes) -> bytes:
        if left[0] and old in data:
            left[0] = False
            return data.replace(old, new, 1)
        return data

    return change


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"+7.2", b"+.2"),  # a byte lost: reads as 0.25
        (b"+7.2", b"7.2"),  # the sign lost
        (b"+7.2", b"+72"),  # the point lost
        (b"E+00", b"E+0"),
        (b"E+00", b"E+01"),  # beyond the range that is set
        (b"+7.2", b"+7,2"),  # a decimal comma
        (b"E+00", b"E+00,+7.25000000E+00"),  # a list
        (b"E+00", b"E+00 V"),
    ],
)
def test_an_answer_in_another_form_is_not_believed(old: bytes, new: bytes) -> None:
    """It costs the reading, or raises; nothing else than the voltage ever comes out, and the next one is right."""
    driver, double, clock = meter()
    double.spoil = once(old, new)
    seen: list[Reading] = []
    for _ in range(4):
        try:
            seen.append(driver.read(clock.now() + 5.0))
        except (InstrumentError, LinkError):
            driver.restore()
    values = [reading.value for reading in seen if reading.value is not None]
    assert values
    assert all(abs(value - VOLTS) < 0.01 for value in values)


def test_two_answers_to_one_question_are_none() -> None:
    """Nobody knows which of them is its own; the port proves that it is in step before the next."""
    clock = SimClock(100.0)
    double = Spoilt(clock, {1: Node()})
    port = ScpiPort(InProcessLink("sim://meter", clock, double), clock)
    port.identify()
    double.spoil = lambda data: data + b"+1.00000000E+00\n"
    with pytest.raises(InstrumentError, match="more than one answer"):
        port.ask("READ?")
    double.spoil = lambda data: data
    assert port.ask_number("*ESE?").value == 0


def test_a_complaint_beside_a_reading_costs_it() -> None:
    """An error bit in the register says that something in the message was not carried out; its words are kept."""
    driver, double, clock = meter()
    double.receive(b"BAD:HEADER\n")
    reading = driver.read(clock.now() + 5.0)
    assert reading.value is None
    assert reading.flags & Flag.INVALID
    assert "-113" in reading.text
    assert driver.read(clock.now() + 5.0).value == pytest.approx(VOLTS, abs=0.01)


def test_forms_count_from_their_second_time() -> None:
    """Digits may be any; their number, signs, point and exponent may not."""
    forms = Forms()
    assert not forms.known("+7.25E+00")
    assert forms.known("+1.99E+00")
    assert not forms.known("+.25E+00")
    assert forms.known("-1.00E+00") is False
    assert forms.known("+9.00E-01") is False
    assert forms.known("+3.10E+00")


@pytest.mark.parametrize("answer", [b"OVLD\n", b"7.25 VDC\n", b"\n", b"7.25,7.25\n"])
def test_answers_that_are_no_numbers_end_with_what_came(answer: bytes) -> None:
    """After four tries, each after the instrument was opened again, it is said what came and what was expected."""

    def no_number(driver: Any, deadline: float) -> Reading:
        raise InstrumentError(f"{answer.decode().strip()!r} is not a number.")

    with SimBench() as bench:
        station = Station(load_bench(bench.bench.file), bench.clock, world=bench.world)
        attached = station.attached("meter")
        attached.open()
        source = readings(attached, no_number)
        with pytest.raises(InstrumentError, match="no reading in 4 tries") as raised:
            drain(source, bench.clock)
        assert answer.decode().strip() in str(raised.value)
        assert "number was expected" in str(raised.value)
        source.close()
        station.close()


def test_a_meter_that_takes_long_to_answer_is_read() -> None:
    """Answers after 1.5 s, every question of a look too: readings come, and no look is left out."""
    clock = SimClock(100.0)

    class Slow(BenchMeter):
        since = 0.0

        def receive(self, data: bytes) -> None:
            self.since = clock.now() + 1.5
            super().receive(data)

        def due(self) -> float | None:
            due = super().due()
            return None if due is None else max(due, self.since)

        def take(self) -> bytes:
            return super().take() if clock.now() >= self.since else b""

    driver = load_driver("meter-scpi")(InProcessLink("sim://meter", clock, Slow(clock, {1: Node()})), clock, {})
    driver.select(Function.DC_VOLTAGE, expected=10.0)
    seen = [driver.read(clock.now() + 20.0) for _ in range(4)]
    assert all(reading.value == pytest.approx(VOLTS, abs=0.01) for reading in seen)


class SlowEnd:
    """The far end of a link that answers each question 0.8 s after it came."""

    address = "slow"

    def __init__(self, clock: SimClock) -> None:
        self.clock = clock
        self.mask = b"0"
        self.coming: list[tuple[float, bytes]] = []

    def write(self, data: bytes) -> None:
        for line in data.splitlines():
            if line.startswith(b"*ESE "):
                self.mask = line[5:]
            else:
                answer = self.mask if line == b"*ESE?" else b"+7.25"
                self.coming.append((self.clock.now() + 0.8, answer + b"\n"))

    def read(self, deadline: float) -> bytes:
        until = min(deadline, self.coming[0][0] if self.coming else deadline)
        if until > self.clock.now():
            self.clock.sleep_until(until)
        if self.coming and self.coming[0][0] <= self.clock.now():
            return self.coming.pop(0)[1]
        return b""

    def close(self) -> None: ...


def test_a_port_learns_that_its_instrument_is_slow() -> None:
    """With half a second for an answer that takes 0.8 s, each question would be lost for ever."""
    clock = SimClock(100.0)
    port = ScpiPort(SlowEnd(clock), clock, timeout=0.5)
    with pytest.raises(LinkError):
        port.ask("READ?")
    assert [port.ask("READ?") for _ in range(3)] == ["+7.25"] * 3
    assert 0.8 < port.timeout < 2.5


def test_a_block_with_another_answer_behind_it_is_refused() -> None:
    clock = SimClock(100.0)
    port = ScpiPort(ReplayLink([(b"CURV?\n", b"#13abc\n+1.0\n")]), clock)
    with pytest.raises(InstrumentError, match="more than one answer"):
        port.ask_block("CURV?")


def supply(*answers: bytes) -> Reading:
    """What a supply driver makes of `answers` to MEAS:VOLT?, one after the other."""
    marks = [(b"*ESE 1\n*ESE?\n", b"1\n"), (b"*ESE 2\n*ESE?\n", b"2\n"), (b"*ESE 0\n", b"")]
    link = ReplayLink([*((b"MEAS:VOLT?\n", answer) for answer in answers), *marks])
    clock = SimClock(100.0)
    driver = load_driver("supply-scpi")(link, clock, {})
    for _ in range(2):
        found: Reading = driver.measure(Function.DC_VOLTAGE, clock.now() + 2.0)
    return found


def test_a_supply_is_believed_in_a_form_that_came_before() -> None:
    """Twelve volts with a digit lost is 2.00 V; with the point lost, or a digit behind it, it is asked again."""
    assert supply(b"12.00\n", b"12.00\n", b"9.99\n").value == 9.99
    assert supply(b"12.00\n", b"12.00\n", b"1200\n", b"12.00\n").value == 12.0
    assert supply(b"12.00\n", b"12.00\n", b"12.0\n", b"12.00\n").value == 12.0
    spoilt = supply(b"+1.20E+01\n", b"+1.20E+01\n", b".20E+01\n", b"1.20E+01\n", b"+1.2E+01\n")
    assert spoilt.value is None
    assert spoilt.flags & Flag.INVALID
