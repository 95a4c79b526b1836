"""The log, the slot and the in-process link."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.clock import RealClock, SimClock
from benchrig.errors import FileError, LinkLost
from benchrig.links import open_link
from benchrig.links.inprocess import InProcessLink
from benchrig.links.logged import PIECE_BYTES, Exchange, LinkSlot, LoggedLink, WireLog


class Echo:
    """A double that gives each message back `delay` later."""

    def __init__(self, clock: SimClock | RealClock, delay: float = 0.0) -> None:
        self.clock = clock
        self.delay = delay
        self.plugged = True
        self.planned: list[tuple[float, bytes]] = []

    def receive(self, data: bytes) -> None:
        self.planned.append((self.clock.now() + self.delay, data))

    def due(self) -> float | None:
        return self.planned[0][0] if self.planned else None

    def take(self) -> bytes:
        ready = [data for due, data in self.planned if due <= self.clock.now()]
        del self.planned[: len(ready)]
        return b"".join(ready)


class World:
    def __init__(self, **doubles: Echo) -> None:
        self.doubles = doubles

    def double(self, name: str) -> Echo:
        return self.doubles[name]


def test_a_double_answers_at_its_own_moment_on_a_simulated_clock() -> None:
    clock = SimClock()
    link = open_link("sim://meter", clock, world=World(meter=Echo(clock, 0.33)))
    link.write(b"hello")
    assert link.read(0.1) == b""
    assert clock.now() == 0.1
    assert link.read(9.0) == b"hello"
    assert clock.now() == pytest.approx(0.33)
    link.close()


def test_a_double_answers_on_the_real_clock_too() -> None:
    clock = RealClock()
    link = InProcessLink("sim://meter", clock, Echo(clock, 0.02))
    link.write(b"x")
    assert link.read(clock.now() + 5.0) == b"x"


def test_a_cable_pulled_while_we_wait_is_noticed_soon() -> None:
    clock = SimClock()
    double = Echo(clock)
    link = InProcessLink("sim://meter", clock, double)
    clock.at(1.0, lambda: setattr(double, "plugged", False))
    with pytest.raises(LinkLost):
        link.read(60.0)
    assert clock.now() < 1.1
    with pytest.raises(LinkLost):
        link.write(b"x")


def test_an_unplugged_double_cannot_be_opened_and_an_unknown_one_is_named() -> None:
    clock = SimClock()
    double = Echo(clock)
    double.plugged = False
    with pytest.raises(LinkLost):
        open_link("sim://meter", clock, world=World(meter=double))
    with pytest.raises(FileError, match="scope"):
        open_link("sim://scope", clock, world=World())
    with pytest.raises(FileError, match="no simulated bench"):
        open_link("sim://scope", clock)


def test_the_log_keeps_every_byte_with_its_time_and_becomes_a_dialogue() -> None:
    clock = SimClock()
    link = LoggedLink(InProcessLink("sim://m", clock, Echo(clock, 0.5)), clock)
    for message in (b"A?\n", b"B?\n"):
        link.write(message)
        assert link.read(clock.now() + 1.0) == message
    assert [(p.time, p.sent, p.data) for p in link.log.pieces()] == [
        (0.0, True, b"A?\n"),
        (0.5, False, b"A?\n"),
        (0.5, True, b"B?\n"),
        (1.0, False, b"B?\n"),
    ]
    assert link.log.dialogue() == [Exchange(b"A?\n", b"A?\n"), Exchange(b"B?\n", b"B?\n")]
    assert link.log.text().splitlines()[0].endswith("> b'A?\\n'")


@given(st.lists(st.binary(min_size=1, max_size=9000), max_size=60))
def test_the_log_is_bounded_whatever_passes(pieces: list[bytes]) -> None:
    log = WireLog(limit=20_000)
    for number, piece in enumerate(pieces):
        log.add(float(number), number % 2 == 0, piece)
    kept = log.pieces()
    assert sum(len(piece.data) for piece in kept) <= 20_000
    assert all(len(piece.data) <= PIECE_BYTES for piece in kept)
    assert log.forgotten + len(kept) == len(pieces)
    if pieces:
        assert kept[-1].data + b"" == pieces[-1][:PIECE_BYTES]
        assert kept[-1].left_out == max(0, len(pieces[-1]) - PIECE_BYTES)


def test_an_exchange_of_which_bytes_were_left_out_says_so() -> None:
    log = WireLog()
    log.add(0.0, True, b"CURV?\n")
    log.add(0.1, False, bytes(PIECE_BYTES + 1))
    assert not log.dialogue()[0].whole


def test_an_empty_slot_is_a_lost_link_and_a_filled_one_passes_everything_on() -> None:
    clock = SimClock()
    slot = LinkSlot("sim://m")
    with pytest.raises(LinkLost):
        slot.read(0.0)
    slot.put(InProcessLink("sim://m", clock, Echo(clock)))
    slot.write(b"x")
    assert slot.read(0.0) == b"x"
    slot.close()
    slot.close()
    assert not slot.filled
    with pytest.raises(LinkLost):
        slot.write(b"x")
