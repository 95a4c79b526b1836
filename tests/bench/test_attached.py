"""An instrument that was lost comes back as the same unit, set up again, with its gap told; or the end is told."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from far_ends import HANG_UP, TcpEnd, tcp_end

from benchrig.bench import Attached, InstrumentSpec, Patience, readings
from benchrig.bench.source import Event, Source, ThreadedSource
from benchrig.clock import RealClock
from benchrig.errors import BenchrigError, InstrumentError, LinkError, LinkLost, Refused, WrongInstrument
from benchrig.events import LinkDown, LinkUp
from benchrig.instruments import Identity
from benchrig.links.scpi_port import ScpiPort
from benchrig.readings import Flag, Reading

CLOCK = RealClock()
QUICK = Patience(answer=0.5, timeouts=2, first=0.02, longest=0.1, tries=3, limit=0.3)


class Bench:
    """A meter behind a socket: it knows its function, and loses it with its power."""

    def __init__(self) -> None:
        self.serial = b"LL-0034"
        self.function = b"none"
        self.asked: list[bytes] = []
        self.mask = b"0"
        self.hang_up_after: int | None = None
        self.silent = False
        self.number = 0

    def __call__(self, line: bytes) -> bytes | None:
        self.asked.append(line)
        if self.silent:
            return None
        if line.startswith(b"*ESE "):
            self.mask = line[5:]
        if line.startswith(b"FUNC "):
            self.function = line[5:]
        if line == b"READ?":
            return self.read()
        answers = {b"*IDN?": b"LANTERN,M1," + self.serial + b",1.0\n", b"*ESE?": self.mask + b"\n"}
        return answers.get(line)

    def read(self) -> bytes:
        self.number += 1
        if self.number == self.hang_up_after:
            self.function = b"none"
            return HANG_UP
        return b"%d;%b\n" % (self.number, self.function)


class Meter:
    """The least a driver can be."""

    def __init__(self, link: Any, clock: Any, options: Any) -> None:
        self.port = ScpiPort(link, clock, timeout=0.3)
        self.released = False

    def identify(self) -> Identity:
        return Identity(*self.port.identify())

    def select(self) -> None:
        self.port.send("FUNC VOLT")

    def restore(self) -> None:
        self.select()

    def release(self) -> None:
        self.released = True

    def read(self, deadline: float) -> Reading:
        number, function = self.port.ask_fields("READ?", ";")
        assert function == "VOLT", "a reading with the settings gone"
        return Reading(float(number), "V", CLOCK.now())


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def end(bench: Bench) -> Iterator[TcpEnd]:
    with tcp_end(bench) as server:
        yield server


def attach(end: TcpEnd, serial: str = "") -> Attached:
    return Attached(InstrumentSpec("meter", "-", end.address, serial=serial), CLOCK, factory=Meter, patience=QUICK)


@pytest.fixture
def attached(end: TcpEnd) -> Iterator[Attached]:
    meter = attach(end)
    yield meter
    meter.close()


def until(source: Source, wanted: Callable[[Event], bool]) -> list[Event]:
    """Events up to the first wanted one."""
    seen: list[Event] = []
    give_up = CLOCK.now() + 10.0
    while CLOCK.now() < give_up:
        event = source.next(give_up)
        if event is not None:
            seen.append(event)
            if wanted(event):
                return seen
    raise AssertionError(f"never came; saw {seen}")


def select(meter: Meter) -> None:
    meter.select()


def test_nothing_is_opened_or_asked_before_open(bench: Bench, end: TcpEnd) -> None:
    attached = attach(end)
    assert (end.connections, attached.is_open, attached.identity) == (0, False, None)
    assert attached.open().serial == "LL-0034"
    attached.open()
    assert (end.connections, bench.asked) == (1, [b"*IDN?"])
    attached.close()
    attached.close()


def test_another_serial_number_than_the_bench_names_is_refused_and_closed(end: TcpEnd) -> None:
    attached = attach(end, serial="LL-0035")
    with pytest.raises(WrongInstrument, match="LL-0035"):
        attached.open()
    assert not attached.is_open


def test_the_front_panel_is_handed_back(attached: Attached) -> None:
    attached.open()
    driver = attached.driver
    attached.close()
    assert driver.released


def test_a_source_goes_on_after_a_loss_with_the_settings_sent_again(bench: Bench, attached: Attached) -> None:
    attached.use(select)
    bench.hang_up_after = 5
    source = readings(attached)
    seen = until(source, lambda event: isinstance(event, Reading) and event.value is not None and event.value > 8)
    source.close()
    opened = [e for e in seen if isinstance(e, LinkDown)]
    closed = [e for e in seen if isinstance(e, LinkUp)]
    assert len(opened) == len(closed) == 1
    assert "lost" in opened[0].reason
    assert closed[0].seconds == pytest.approx(closed[0].now - opened[0].now)
    values = [e.value for e in seen if isinstance(e, Reading)]
    assert values == sorted(values)


def test_silence_counts_as_loss_after_some_timeouts(bench: Bench, attached: Attached) -> None:
    """A pulled network cable raises no error: nothing comes, that is all."""
    attached.use(select)
    source = readings(attached)
    until(source, lambda event: isinstance(event, Reading))
    bench.silent = True
    assert isinstance(until(source, lambda event: isinstance(event, LinkDown))[-1], LinkDown)
    bench.silent = False
    until(source, lambda event: isinstance(event, LinkUp))
    until(source, lambda event: isinstance(event, Reading))
    source.close()


def test_another_unit_after_reopening_ends_it_at_once(bench: Bench, attached: Attached) -> None:
    attached.use(select)
    source = readings(attached)
    until(source, lambda event: isinstance(event, Reading))
    bench.serial = b"LL-9999"  # before the link is cut, or the same unit comes back
    bench.hang_up_after = bench.number + 50
    with pytest.raises(WrongInstrument, match="LL-9999"):
        until(source, lambda event: False)
    with pytest.raises(WrongInstrument):
        source.next(CLOCK.now())
    source.close()


def test_coming_back_is_bounded(bench: Bench, end: TcpEnd, attached: Attached) -> None:
    attached.use(select)
    source = readings(attached)
    until(source, lambda event: isinstance(event, Reading))
    end.close()
    with pytest.raises(LinkLost, match="did not come back") as caught:
        until(source, lambda event: False)
    assert caught.value.next_step
    source.close()


def test_a_guard_that_refuses_keeps_every_question_from_the_instrument(bench: Bench, attached: Attached) -> None:
    """After the acknowledgement has lapsed nothing is asked, not even to come back."""
    attached.use(select)
    live = threading.Event()
    live.set()

    def guard() -> None:
        if not live.is_set():
            raise Refused("no longer")

    bench.hang_up_after = 4
    source = readings(attached, guard=guard)
    until(source, lambda event: isinstance(event, LinkUp))
    live.clear()
    with pytest.raises(Refused):
        until(source, lambda event: False)
    source.close()
    asked = len(bench.asked)
    with pytest.raises(Refused):
        attached.use(select, guard=guard)
    assert len(bench.asked) == asked


def test_work_is_done_again_from_its_beginning_after_a_loss(bench: Bench, attached: Attached) -> None:
    attached.use(select)
    bench.hang_up_after = 2
    gaps: list[object] = []
    values = attached.use(lambda meter: [meter.read(0.0).value for _ in range(3)], gaps.append)
    assert values == [3.0, 4.0, 5.0]
    assert [type(gap) for gap in gaps] == [LinkDown, LinkUp]


def test_what_the_instrument_refuses_is_told_and_loses_nothing(end: TcpEnd, attached: Attached) -> None:
    def refuse(meter: Meter) -> None:
        raise InstrumentError("it said no")

    with pytest.raises(InstrumentError, match="it said no"):
        attached.use(refuse)
    attached.use(select)
    assert end.connections == 1


def test_one_thread_at_a_time_owns_the_instrument(attached: Attached) -> None:
    attached.use(select)
    source = readings(attached)
    with pytest.raises(RuntimeError, match="close that source first"):
        attached.use(select)
    source.close()
    attached.use(select)


def test_a_reader_that_lags_gets_the_newest_reading_only(bench: Bench, attached: Attached) -> None:
    attached.use(select)
    source = readings(attached)
    assert isinstance(source, ThreadedSource)
    give_up = CLOCK.now() + 10.0
    while bench.number < 200 and CLOCK.now() < give_up:
        CLOCK.sleep_until(CLOCK.now() + 0.001)
    event = source.next(give_up)
    assert isinstance(event, Reading)
    assert event.value is not None
    assert event.value > 150
    assert source.skipped > 100
    source.close()


def test_a_reading_that_waited_too_long_is_flagged_stale(attached: Attached) -> None:
    attached.use(select)
    let = threading.Event()
    made = iter(range(3))

    def one_then_wait(meter: Meter, deadline: float) -> Reading:
        if next(made) == 2:
            let.wait(10)
        return Reading(1.0, "V", CLOCK.now())

    source = readings(attached, one_then_wait)
    CLOCK.sleep_until(CLOCK.now() + 0.15)
    event = source.next(CLOCK.now() + 5.0)
    let.set()
    source.close()
    assert isinstance(event, Reading)
    assert Flag.STALE in event.flags
    assert not event.usable


def test_the_log_shows_both_sides_of_a_gap(bench: Bench, attached: Attached) -> None:
    attached.use(select)
    bench.hang_up_after = 1
    attached.use(lambda meter: meter.read(0.0))
    sent = [piece.data for piece in attached.log.pieces() if piece.sent]
    assert sent.count(b"*IDN?\n") == 2
    assert sent.count(b"FUNC VOLT\n") == 2


def test_an_adapter_that_is_not_plugged_in_is_named() -> None:
    attached = Attached(InstrumentSpec("handheld", "-", "", usb="dead:beef"), CLOCK, factory=Meter)
    with pytest.raises(LinkError, match="dead:beef is not plugged in"):
        attached.open()


def test_every_error_of_opening_is_one_of_ours() -> None:
    attached = Attached(InstrumentSpec("meter", "no-such-driver", "sim://meter"), CLOCK)
    with pytest.raises(BenchrigError, match="no-such-driver"):
        attached.open()
