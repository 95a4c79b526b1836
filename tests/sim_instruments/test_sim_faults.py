"""Bad cables: every fault a call, every fault on the clock, every byte in the log."""

from collections import deque

import pytest
from benchrig.sim_instruments.faults import Cable

from benchrig.clock import SimClock


class Echo:
    """Answers each message with itself in brackets, a tenth of a second later; forgets `state` when reset."""

    plugged = True

    def __init__(self, clock: SimClock) -> None:
        self.clock = clock
        self.identity = "ECHO"
        self.state = "set up"
        self.out: deque[tuple[float, bytes]] = deque()

    def receive(self, data: bytes) -> None:
        answer = self.identity.encode() if data == b"*IDN?\n" else b"[" + data.strip() + b"]"
        self.out.append((self.clock.now() + 0.1, answer + b"\n"))

    def due(self) -> float | None:
        return self.out[0][0] if self.out else None

    def take(self) -> bytes:
        ready = []
        while self.out and self.out[0][0] <= self.clock.now():
            ready.append(self.out.popleft()[1])
        return b"".join(ready)

    def reset(self) -> None:
        self.state = "fresh"
        self.out.clear()


def make() -> tuple[SimClock, Echo, Cable]:
    clock = SimClock(10.0)
    echo = Echo(clock)
    return clock, echo, Cable(echo, clock, seed=5)


def ask(clock: SimClock, cable: Cable, text: bytes, patience: float = 1.0) -> bytes:
    """Send, then follow `due` as a server does, until something comes or patience ends."""
    cable.receive(text)
    end = clock.now() + patience
    while clock.now() < end:
        if data := cable.take():
            return data
        due = cable.due()
        clock.sleep_until(end if due is None else min(end, max(due, clock.now() + 1e-6)))
    return cable.take()


def test_a_good_cable_passes_everything() -> None:
    """At the double's own pace."""
    clock, _, cable = make()
    assert ask(clock, cable, b"one\n") == b"[one]\n"
    assert clock.now() == pytest.approx(10.1)


def test_log_has_every_received_byte_with_its_moment() -> None:
    """Also what a frozen instrument will read only later; nothing of what went into an open cable."""
    clock, _, cable = make()
    cable.receive(b"a\n")
    clock.sleep_until(11.0)
    cable.freeze(5.0)
    cable.receive(b"b\n")
    cable.unplug()
    cable.receive(b"c\n")
    assert list(cable.received) == [(10.0, b"a\n"), (11.0, b"b\n")]


def test_unplugged_for_a_while_at_a_given_moment() -> None:
    """Out at 12 s, in again 3 s later; what was under way is lost."""
    clock, _, cable = make()
    cable.unplug(at=12.0, seconds=3.0)
    assert cable.plugged
    clock.sleep_until(11.95)
    cable.receive(b"lost\n")
    assert cable.due() == 12.0
    clock.sleep_until(12.1)
    assert not cable.plugged
    assert cable.take() == b""
    clock.sleep_until(15.0)
    assert cable.plugged
    assert cable.take() == b""
    assert ask(clock, cable, b"again\n") == b"[again]\n"


def test_garbled_answer_differs_and_the_next_one_is_good() -> None:
    """Same length, other bits, once."""
    clock, _, cable = make()
    cable.garble()
    spoiled = ask(clock, cable, b"hello\n")
    assert spoiled != b"[hello]\n"
    assert len(spoiled) == len(b"[hello]\n")
    assert ask(clock, cable, b"hello\n") == b"[hello]\n"


def test_same_seed_spoils_the_same_bits() -> None:
    """A failing run can be run again."""
    spoiled = []
    for _ in range(2):
        clock, _, cable = make()
        cable.garble(2)
        spoiled.append([ask(clock, cable, b"hello\n") for _ in range(2)])
    assert spoiled[0] == spoiled[1]


def test_truncated_dropped_and_late_answers() -> None:
    """Each once, then all is well."""
    clock, _, cable = make()
    cable.truncate(keep=2)
    assert ask(clock, cable, b"one\n") == b"[o"
    cable.drop()
    assert ask(clock, cable, b"two\n") == b""
    cable.delay(5.0)
    assert ask(clock, cable, b"three\n") == b""
    assert ask(clock, cable, b"four\n", patience=10.0) == b"[three]\n[four]\n"


def test_late_answers_never_overtake() -> None:
    """A stream keeps its order, whatever is late in it."""
    clock, _, cable = make()
    cable.delay(2.0)
    first = ask(clock, cable, b"a\n", patience=0.5)
    second = ask(clock, cable, b"b\n", patience=0.5)
    clock.sleep_until(20.0)
    assert first + second + cable.take() == b"[a]\n[b]\n"


def test_frozen_instrument_answers_after_it_wakes() -> None:
    """What was sent meanwhile waited in the port's buffer."""
    clock, _, cable = make()
    cable.freeze(2.0)
    assert ask(clock, cable, b"a\n", patience=1.9) == b""
    assert ask(clock, cable, b"b\n", patience=1.0) == b"[a]\n[b]\n"


def test_brown_out_forgets_settings_and_boots() -> None:
    """Silent for the boot time; what came before the dip is gone."""
    clock, echo, cable = make()
    cable.receive(b"before\n")
    cable.brown_out(1.5)
    assert echo.state == "fresh"
    assert ask(clock, cable, b"during\n", patience=1.4) == b""
    assert ask(clock, cable, b"after\n", patience=1.0) == b"[during]\n[after]\n"


def test_another_instrument_after_the_cable_was_moved() -> None:
    """Unplugged, an impostor put there, plugged in again."""
    clock, _, cable = make()
    cable.unplug(at=11.0, seconds=1.0)
    cable.impostor("SOMEBODY,ELSE,1,2", at=11.5)
    assert ask(clock, cable, b"*IDN?\n") == b"ECHO\n"
    clock.sleep_until(13.0)
    assert ask(clock, cable, b"*IDN?\n") == b"SOMEBODY,ELSE,1,2\n"


def test_faults_planned_out_of_order_happen_in_order() -> None:
    """A look long after both finds them done one after the other."""
    clock, echo, cable = make()
    cable.at(20.0, lambda moment: setattr(echo, "state", echo.state + " second"))
    cable.at(15.0, lambda moment: setattr(echo, "state", echo.state + " first"))
    clock.sleep_until(100.0)
    cable.take()
    assert echo.state == "set up first second"
