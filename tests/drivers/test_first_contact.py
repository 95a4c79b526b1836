"""Instruments as they are found: old errors in the queue, still in local, one client too many. Real sockets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from far_ends import HANG_UP, tcp_end

from benchrig.clock import RealClock
from benchrig.errors import InstrumentError, LinkLost
from benchrig.instruments import Function, load_driver
from benchrig.links import open_link

CLOCK = RealClock()
OLD = [(-113, "Undefined header"), (-410, "Query INTERRUPTED")]


class Found:
    """An instrument with an error queue; `says` answers what is its own."""

    def __init__(self, identity: str, says: Callable[[str], str | None], errors: list[tuple[int, str]]) -> None:
        self.identity = identity
        self.says = says
        self.errors = errors
        self.mask = "0"
        self.heard: list[str] = []

    def __call__(self, line: bytes) -> bytes | None:
        text = line.decode()
        self.heard.append(text)
        answer = self.answer(text)
        return None if answer is None else answer.encode() + b"\n"

    def answer(self, text: str) -> str | None:
        if text.startswith("*ESE "):
            self.mask = text[5:]
            return None
        if text == "*CLS":
            self.errors.clear()
            return None
        if text == "SYST:ERR?":
            code, words = self.errors.pop(0) if self.errors else (0, "No error")
            return f'{code},"{words}"'
        return {"*IDN?": self.identity, "*ESE?": self.mask, "*ESR?": "0"}.get(text) or self.says(text)


@contextmanager
def driven(name: str, found: Found, **options: Any) -> Iterator[Any]:
    with tcp_end(found) as end:
        link = open_link(end.address, CLOCK)
        yield load_driver(name)(link, CLOCK, options)
        link.close()


class Output:
    """A supply with one output."""

    def __init__(self) -> None:
        self.on, self.volts, self.stuck = True, "5.0", False

    def __call__(self, text: str) -> str | None:
        if text.startswith("OUTP ") and not self.stuck:
            self.on = text == "OUTP ON"
        if text.startswith("VOLT ") and float(text[5:]) <= 30.0:
            self.volts = text[5:]
        return {"OUTP?": str(int(self.on)), "VOLT?": self.volts}.get(text)


def test_old_errors_do_not_stand_between_a_hand_and_off() -> None:
    """Whoever used the supply last left its queue full; what counts is what OUTP? says."""
    output = Output()
    with driven("supply-scpi", Found("LANTERN,S1,1,1", output, list(OLD))) as supply:
        supply.set_output(False)
        assert not output.on
        supply.set_level(volts=12.0)
        assert output.volts == "12"


def test_a_supply_that_does_not_switch_says_why() -> None:
    """The queue explains a switch or a level that was not taken; without a word there the state alone is told."""
    output = Output()
    output.stuck = True
    found = Found("LANTERN,S1,1,1", output, [(-221, "Settings conflict")])
    with driven("supply-scpi", found) as supply:
        with pytest.raises(InstrumentError, match="Settings conflict"):
            supply.set_output(False)
        with pytest.raises(InstrumentError, match="treat the unit as live"):
            supply.set_output(False)
        found.errors.append((-222, "Data out of range"))
        with pytest.raises(InstrumentError, match="Data out of range"):
            supply.set_level(volts=99.0)


def test_old_errors_do_not_refuse_a_choice_among_outputs() -> None:
    output = Output()
    with driven("supply-scpi", Found("LANTERN,S2,1,1", output, list(OLD)), channels=2) as supply:
        supply.set_output(False, 2)
        assert not output.on


def scope_talk(text: str) -> str | None:
    return {":CHAN1:PROB?": "10"}.get(text)


def test_a_scope_that_comes_back_is_not_blamed_for_what_broke() -> None:
    """After a cable was pulled in mid-answer the queue holds the query error of that; the settings are sent all the
    same. A setting that is refused is still told.
    """
    found = Found("RIGOL TECHNOLOGIES,DS1054Z,1,1", scope_talk, [])
    with driven("scope-tenfield", found) as scope:
        scope.set_channel(1, probe=10.0)
        found.errors += [(-113, "Undefined header"), (-410, "Query INTERRUPTED")]
        scope.restore()
        found.errors.append((-420, "Query UNTERMINATED"))
        scope.set_channel(1, coupling="dc")
        found.errors.append((-222, "Data out of range"))
        with pytest.raises(InstrumentError, match="Data out of range"):
            scope.set_channel(1, scale=1000.0)


@pytest.mark.parametrize("error", [(550, "Command not allowed in local"), (-201, "Invalid while in local")])
def test_a_meter_left_in_local_names_the_option(error: tuple[int, str]) -> None:
    """A serial port shared over the network looks like a LAN instrument, and the meter wants SYST:REM first."""
    found = Found("HEWLETT-PACKARD,34401A,0,11-5-2", lambda text: None, [])
    talk = found.says
    found.says = lambda text: found.errors.append(error) if text.startswith("CONF") else talk(text)
    with driven("meter-scpi", found) as meter, pytest.raises(InstrumentError, match='remote = "yes"'):
        meter.select(Function.DC_VOLTAGE)


class PlainMeter:
    """A meter of a model that no pattern names; `compound` is what it makes of several questions in one message."""

    def __init__(self, compound: Callable[[list[str]], str | None]) -> None:
        self.compound = compound
        self.found = Found("LANTERN,DM5,1,1", self.says, [])

    def __call__(self, line: bytes) -> bytes | None:
        parts = line.decode().split(";")
        if len(parts) == 1:
            return self.found(line)
        whole = self.compound([self.found.answer(part.lstrip(":")) or "" for part in parts])
        return None if whole is None else whole.encode() + b"\n"

    def says(self, text: str) -> str | None:
        if text.startswith(("CALC", "VOLT:DC:NULL", "INP:IMP", "VOLT:DC:IMP", "ROUT")):
            self.found.errors.append((-113, "Undefined header"))
            return None
        return {"READ?": "+1.50000E+02", "VOLT:DC:RANG?": "+2.0E+02", "FUNC?": '"VOLT"'}.get(text)


@pytest.mark.parametrize(
    "compound",
    [";".join, "\n".join, lambda answers: answers[0], lambda answers: None],
    ids=["one line", "a line each", "the first only", "nothing"],
)
def test_a_meter_is_asked_as_it_can_answer(compound: Callable[[list[str]], str | None]) -> None:
    """150 V taken for the event register would have bit 7 set: switched on again, for ever."""
    meter_end = PlainMeter(compound)
    with tcp_end(meter_end) as end:
        link = open_link(end.address, CLOCK)
        meter: Any = load_driver("meter-scpi")(link, CLOCK, {"terminals": "any", "timeout": 0.2})
        meter.select(Function.DC_VOLTAGE)
        readings = [meter.read(CLOCK.now() + 2.0) for _ in range(3)]
        assert [reading.value for reading in readings] == [150.0] * 3
        assert meter_end.found.heard.count("CONF:VOLT:DC") == 1
        link.close()


def test_an_instrument_that_hangs_up_on_a_second_client_is_told_so() -> None:
    """It accepts and closes at once: cable and power are not all that can be wrong."""
    with tcp_end(lambda line: HANG_UP) as end:
        link = open_link(end.address, CLOCK)
        with pytest.raises(LinkLost) as caught:
            load_driver("meter-scpi")(link, CLOCK).identify()
        assert "one client only" in caught.value.next_step
        link.close()
