"""A late answer never becomes the next one, on sockets and on serial lines; blocks arrive whole and once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest
from far_ends import HANG_UP, PtyEnd, TcpEnd, tcp_end

from benchrig.clock import RealClock
from benchrig.errors import FrameError, InstrumentError, LinkLost, LinkTimeout
from benchrig.links import open_link
from benchrig.links.scpi_port import ERROR_QUEUE_LIMIT, ScpiPort
from benchrig.wire.answers import Special

CLOCK = RealClock()
ENDING = b"\r\n"


class Meter:
    """A meter that answers READ? only when it is let: sooner or later, and in order."""

    def __init__(self) -> None:
        self.mask = 0
        self.count = 0
        self.knows_marks = True
        self.greeting = b""
        self.held = False  # READ? waits for `let_go`
        self.waiting: list[bytes] = []
        self.send: Callable[[bytes], None] = lambda data: None

    def __call__(self, line: bytes) -> bytes | None:
        answer = self.reply(line)
        if answer is None:
            return None
        greeting, self.greeting = self.greeting, b""
        answer = greeting + answer
        if self.held or self.waiting:
            self.waiting.append(answer)
            return None
        return answer

    def reply(self, line: bytes) -> bytes | None:
        if line.startswith(b"*ESE "):
            self.mask = int(line[5:])
            return None
        if line == b"READ?":
            self.count += 1
            return b"%d" % self.count + ENDING
        answers = {b"*ESE?": b"%d" % self.mask, b"*IDN?": b"LANTERN,M1,7,1.0", b"OVER?": b"+9.90000000E+37"}
        if line == b"*ESE?" and not self.knows_marks:
            return None
        if line == b"BYE":
            return HANG_UP
        return answers[line] + ENDING if line in answers else None

    def let_go(self) -> None:
        self.held = False
        for answer in self.waiting:
            self.send(answer)
        self.waiting = []


@pytest.fixture(params=["socket", "visa serial", "serial"])
def meter_port(request: pytest.FixtureRequest) -> Iterator[tuple[Meter, ScpiPort]]:
    meter = Meter()
    end: TcpEnd | PtyEnd = TcpEnd(meter) if request.param == "socket" else PtyEnd(meter)
    meter.send = end.push
    address = {
        "socket": lambda: end.address,  # type: ignore[union-attr]
        "visa serial": lambda: f"ASRL{end.path}::INSTR",  # type: ignore[union-attr]
        "serial": lambda: f"serial://{end.path}",  # type: ignore[union-attr]
    }[request.param]()
    port = ScpiPort(open_link(address, CLOCK), CLOCK, timeout=2.0)
    yield meter, port
    port.link.close()
    end.close() if isinstance(end, TcpEnd) else end.unplug()


Pair = tuple[Meter, ScpiPort]


def test_answers_follow_their_questions(meter_port: Pair) -> None:
    _, port = meter_port
    assert port.identify() == ("LANTERN", "M1", "7", "1.0")
    assert [port.ask_number("READ?").value for _ in range(20)] == list(range(1, 21))
    assert port.ask_number("OVER?").special is Special.ABOVE


def test_a_late_answer_never_becomes_the_next_one(meter_port: Pair) -> None:
    """The meter answers after we gave up; the answer is there, unread, when the next question is asked."""
    meter, port = meter_port
    for late in (1, 3, 5):
        meter.held = True
        with pytest.raises(LinkTimeout):
            port.ask("READ?", timeout=0.05)
        meter.let_go()
        assert port.ask("READ?") == str(late + 1)


def test_an_answer_that_comes_even_while_we_resync_is_dropped(meter_port: Pair) -> None:
    """The meter is busy all along: the late answer and the marks' answers come in one go, in order."""
    meter, port = meter_port
    meter.held = True
    with pytest.raises(LinkTimeout):
        port.ask("READ?", timeout=0.05)
    letting = threading.Timer(0.3, meter.let_go)
    letting.start()
    assert port.ask("READ?") == "2"
    letting.join()


def test_an_instrument_that_knows_no_marks_is_brought_back_by_its_identity(meter_port: Pair) -> None:
    meter, port = meter_port
    meter.knows_marks = False
    port.timeout = 0.1
    meter.held = True
    with pytest.raises(LinkTimeout):
        port.ask("READ?")
    meter.let_go()
    assert port.ask("READ?") == "2"


def test_an_answer_that_nobody_asked_for_is_not_the_next_answer(meter_port: Pair) -> None:
    meter, port = meter_port
    assert port.ask("READ?") == "1"
    meter.send(b"17\r\n")
    # A question of its own, so that the stray line has surely arrived before the next one is asked.
    assert port.link.read(CLOCK.now() + 5.0) == b"17\r\n"
    meter.send(b"18\r\n")
    while not port.link.read(CLOCK.now() + 5.0):
        pass
    assert port.ask("READ?") == "2"


def test_half_an_answer_before_silence_is_no_answer(meter_port: Pair) -> None:
    meter, port = meter_port
    meter.send(b"1.2")
    with pytest.raises(LinkTimeout):
        port.ask("NOTHING?", timeout=0.1)
    assert port.ask("READ?") == "1"


def test_a_lost_link_is_told_as_lost_and_the_port_asks_again_on_the_next_one() -> None:
    meter = Meter()
    end = TcpEnd(meter)
    meter.send = end.push
    port = ScpiPort(open_link(end.address, CLOCK), CLOCK)
    with pytest.raises(LinkLost):
        port.ask("BYE")
    port.link.close()
    port.link = open_link(end.address, CLOCK)
    assert port.ask("READ?") == "1"
    port.link.close()
    end.close()


def test_a_greeting_is_not_taken_for_an_identity(meter_port: Pair) -> None:
    """Some greet whoever connects: everything after would be one answer late."""
    meter, port = meter_port
    meter.greeting = b"Welcome to Lantern M1\r\n"
    assert port.identify() == ("LANTERN", "M1", "7", "1.0")
    assert port.ask("READ?") == "1"


def test_a_socket_for_people_is_named_as_the_likely_mistake() -> None:
    """Port 5024 of several makers: echo, prompt, then the answer on one line."""

    def telnet(line: bytes) -> bytes:
        answer = {b"*IDN?": b"LANTERN,M1,7,1.0\r\n", b"*ESE?": b"1\r\n"}.get(line, b"")
        return line + b"\r\n" + answer + b"SCPI> "

    with tcp_end(telnet) as end:
        port = ScpiPort(open_link(end.address, CLOCK), CLOCK, timeout=0.1)
        with pytest.raises(InstrumentError, match="raw socket"):
            port.identify()
        port.link.close()


def script(answers: dict[bytes, bytes]) -> Iterator[ScpiPort]:
    def answer(line: bytes) -> bytes | None:
        if line.startswith(b"*ESE "):
            answers[b"*ESE?"] = line[5:] + b"\n"
        return answers.get(line)

    end = TcpEnd(answer)
    port = ScpiPort(open_link(end.address, CLOCK), CLOCK, timeout=2.0)
    yield port
    port.link.close()
    end.close()


@pytest.fixture
def blocks() -> Iterator[ScpiPort]:
    yield from script(
        {
            b"A?": b"#6100000" + b"\n\r" * 50_000 + b"\n",
            b"B?": b"#15hello\r\n",
            b"C?": b":CURVE #15hello\n\n",
            b"LINE?": b"no block\n",
            b"Q?": b"42\n",
            b"LIES?": b"#3999abc",
        }
    )


def test_blocks_arrive_whole_with_progress_and_leave_nothing_behind(blocks: ScpiPort) -> None:
    steps: list[tuple[int, int]] = []
    block = blocks.ask_block("A?", progress=lambda done, total: steps.append((done, total)))
    assert block == b"\n\r" * 50_000
    assert steps[-1] == (100_000, 100_000)
    assert [done for done, _ in steps] == sorted(done for done, _ in steps)
    assert blocks.ask("Q?") == "42"
    assert blocks.ask_block("B?") == b"hello"
    assert blocks.ask("Q?") == "42"
    assert blocks.ask_headed_block("C?").header == ":CURVE"
    assert blocks.ask("Q?") == "42"
    with pytest.raises(FrameError):
        blocks.ask_block("LINE?")
    with pytest.raises(LinkTimeout):
        blocks.ask_block("LIES?", timeout=0.05)


def test_the_error_queue_is_read_to_its_end() -> None:
    queue = [b'-113,"Undefined header"\n', b'-222,"Data out of range"\n', b'+0,"No error"\n']
    end = TcpEnd(lambda line: queue.pop(0))
    port = ScpiPort(open_link(end.address, CLOCK), CLOCK)
    assert port.errors() == [(-113, "Undefined header"), (-222, "Data out of range")]
    port.link.close()
    end.close()


def test_an_error_queue_without_end_is_bounded() -> None:
    for port in script({b"SYST:ERR?": b'-350,"Queue overflow"\n'}):
        assert len(port.errors()) == ERROR_QUEUE_LIMIT


def test_what_is_no_number_is_refused() -> None:
    for port in script({b"READ?": b"1.5 VDC\n"}):
        with pytest.raises(InstrumentError, match=r"1\.5 VDC"):
            port.ask_number("READ?")
        assert port.ask_fields("READ?", " ") == ["1.5", "VDC"]
