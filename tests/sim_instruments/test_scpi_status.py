"""Registers, the error queue, completion and unread answers (IEEE 488.2 chapters 6, 11, 12; SCPI-1999 volume 2, 21)."""

from collections.abc import Iterable

import pytest
from bench_talk import Host
from benchrig.sim_instruments.scpi import PendingOperation, ScpiInstrument, Steps, WaitToContinue
from benchrig.sim_instruments.scpi_tree import ScpiCommand

from benchrig.clock import SimClock


class Slow(ScpiInstrument):
    """An instrument with overlapped work of two seconds, and a query that takes one."""

    def __init__(self, clock: SimClock, unread: str = "late") -> None:
        self.work: PendingOperation | None = None
        super().__init__(clock, ("A", "B", "0", "1"), queue_depth=4, unread=unread)  # type: ignore[arg-type]

    def commands(self) -> Iterable[ScpiCommand]:
        yield from self.error_commands()
        yield ScpiCommand("WORK", lambda c: self._begin())
        yield ScpiCommand("SLOW?", lambda c: WaitToContinue(lambda: "slow", until=self.time + 1.0))
        yield ScpiCommand("NEVer?", lambda c: WaitToContinue(lambda: "never", until=float("inf")))

    def _begin(self) -> None:
        self.work = PendingOperation(self._steps(self.time))

    def _steps(self, start: float) -> Steps:
        now = start
        while now < start + 2.0:
            now = yield start + 2.0
        return start + 2.0

    def operations(self) -> tuple[PendingOperation, ...]:
        return (self.work,) if self.work else ()


@pytest.fixture
def clock() -> SimClock:
    return SimClock(10.0)


@pytest.fixture
def host(clock: SimClock) -> Host:
    return Host(Slow(clock), clock)


def test_power_on_shows_once(host: Host) -> None:
    """IEEE 488.2 11.5.1.1.1: PON is bit 7; 10.12: *ESR? clears."""
    assert host.ask("*ESR?") == "128"
    assert host.ask("*ESR?") == "0"


@pytest.mark.parametrize(("sent", "bit"), [("BOGUS", 0x20), ("*ESE 999", 0x10)])
def test_each_class_of_error_sets_its_bit_at_once(host: Host, sent: str, bit: int) -> None:
    """IEEE 488.2 11.5.1.1: CME 5, EXE 4; reading the queue does not clear them."""
    host.ask("*ESR?")
    host.send(sent)
    host.errors()
    assert host.ask("*ESR?") == str(bit)


def test_summary_bits_of_the_status_byte(host: Host) -> None:
    """IEEE 488.2 11.2: ESB 5, MSS 6; SCPI-1999 volume 2: bit 2 error queue. *STB? clears nothing."""
    host.send("*CLS;*ESE 32;*SRE 36;BOGUS")
    assert host.ask("*STB?") == str(0x40 | 0x20 | 0x04)
    assert host.ask("*STB?") == str(0x40 | 0x20 | 0x04)


def test_message_available_while_an_answer_waits_before_it(host: Host) -> None:
    """IEEE 488.2 11.2.1.2: MAV."""
    host.ask("*CLS;*ESR?")
    assert host.ask("*ESE?;*STB?") == "0;16"


def test_bit_6_of_the_service_mask_is_ignored(host: Host) -> None:
    """IEEE 488.2 10.34."""
    host.send("*SRE 255")
    assert host.ask("*SRE?") == "191"


def test_cls_clears_events_and_queue_but_no_mask_and_rst_clears_neither(host: Host) -> None:
    """IEEE 488.2 10.3 and 10.32."""
    host.send("*ESE 60;*SRE 8;STAT:QUES:ENAB 5;BOGUS")
    host.send("*RST")
    assert host.ask("*ESE?;*SRE?;:STAT:QUES:ENAB?") == "60;8;5"
    assert host.errors() == [-113]
    host.send("BOGUS;*CLS")
    host.send("*CLS")
    assert host.errors() == []
    assert host.ask("*ESE?;*SRE?;*ESR?") == "60;8;0"


def test_errors_come_out_oldest_first_and_overflow_replaces_the_newest(host: Host) -> None:
    """SCPI-1999 volume 2, 21.8.1: -350 in place of the last entry; earlier ones stay, later ones are lost."""
    for sent in ("BOGUS", "*ESE 999", "*ESE", "*CLS 1", "*RST 1", "*ESE X"):
        host.send(sent)
    assert host.errors() == [-113, -222, -109, -350]
    assert host.ask("SYST:ERR:NEXT?") == '0,"No error"'


def test_opc_sets_its_bit_when_the_work_is_done(host: Host, clock: SimClock) -> None:
    """IEEE 488.2 12.5.2."""
    host.ask("*ESR?")
    host.send("WORK;*OPC")
    assert host.ask("*ESR?") == "0"
    clock.sleep_until(12.01)
    assert host.ask("*ESR?") == "1"


def test_opc_query_answers_when_the_work_is_done_and_sets_no_bit(host: Host, clock: SimClock) -> None:
    """IEEE 488.2 12.5.3."""
    host.ask("*ESR?")
    assert host.ask("WORK;*OPC?;*ESR?") == "1;0"
    assert clock.now() == pytest.approx(12.0)


def test_wai_holds_back_what_follows(host: Host, clock: SimClock) -> None:
    """IEEE 488.2 12.5.1."""
    assert host.ask("WORK;*WAI;*ESE?") == "0"
    assert clock.now() == pytest.approx(12.0)


def test_rst_and_cls_forget_a_completion_that_was_asked_for(host: Host, clock: SimClock) -> None:
    """IEEE 488.2 12.5.2: *CLS puts the device in the operation complete idle state."""
    host.send("*CLS;WORK;*OPC;*CLS")
    clock.sleep_until(20.0)
    assert host.ask("*ESR?") == "0"


def test_late_answers_come_in_order_as_on_a_raw_socket(host: Host, clock: SimClock) -> None:
    """Common behaviour of raw sockets and serial ports: a client that gave up gets the old answer next."""
    host.send("SLOW?")
    host.send("*ESE?")
    clock.sleep_until(11.5)
    assert host.double.take() == b"slow\n0\n"


def test_an_interrupted_query_is_dropped_with_410(clock: SimClock) -> None:
    """IEEE 488.2 6.3.2.3: query error, the unread answer is lost."""
    host = Host(Slow(clock, "drop"), clock)
    host.ask("*ESR?")
    host.send("SLOW?")
    assert host.ask("*ESE?") == "0"
    assert host.errors() == [-410]
    assert host.ask("*ESR?") == "4"


def test_device_clear_gives_up_waiting_and_keeps_settings(host: Host) -> None:
    """IEEE 488.2 5.8: dcas empties the buffers."""
    host.send("*ESE 7;:NEV?")
    assert host.double.due() is None
    assert isinstance(host.double, Slow)
    host.double.device_clear()
    assert host.ask("*ESE?") == "7"


def test_a_brown_out_loses_masks_and_shows_power_on(host: Host) -> None:
    """IEEE 488.2 11.5.1.1.1."""
    host.send("*ESE 7;BOGUS;SLOW?")
    assert isinstance(host.double, Slow)
    host.double.reset()
    assert host.ask("*ESR?;*ESE?") == "128;0"
    assert host.errors() == []


def test_condition_stays_and_event_clears(host: Host) -> None:
    """SCPI-1999 volume 1, 9: transition filters, CONDition? and EVENt?."""
    assert isinstance(host.double, Slow)
    register = host.double.status.operation
    register.set_condition(0x10)
    assert host.ask("STAT:OPER:COND?;EVEN?;EVEN?") == "16;16;0"
    host.send("STAT:OPER:PTR 0;NTR 16")
    register.set_condition(0)
    assert host.ask("STAT:OPER?") == "16"
    host.send("STAT:OPER:ENAB 16;:STAT:PRES")
    assert host.ask("STAT:OPER:ENAB?;NTR?;PTR?") == "0;0;32767"


def test_a_message_in_pieces_is_one_message(host: Host) -> None:
    for byte in b"*ESE 12;*ESE?\r\n":
        host.double.receive(bytes([byte]))
    assert host.answer() == b"12\n"


def test_identity_may_change_under_the_host(host: Host) -> None:
    """Another instrument on the same address."""
    assert isinstance(host.double, Slow)
    host.double.identity = "C,D,1,2"
    assert host.ask("*IDN?") == "C,D,1,2"
