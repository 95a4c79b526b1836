"""A record of before is never taken for the one that was asked for. Real sockets; the scopes say what real ones may."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from far_ends import tcp_end

from benchrig.clock import RealClock
from benchrig.errors import InstrumentError
from benchrig.instruments import load_driver
from benchrig.links import open_link

CLOCK = RealClock()


@contextmanager
def scope_saying(identity: str, says: Callable[[str], bytes | None]) -> Iterator[Any]:
    """A ten-field scope; `says` answers what is its own, the rest is answered here."""
    usual = {
        "*IDN?": identity.encode(),
        "SYST:ERR?": b'0,"No error"',
        "*ESR?": b"0",
        ":TER?": b"1",
        ":OPER:COND?": b"0",
    }

    def answer(line: bytes) -> bytes | None:
        text = line.decode()
        found = says(text) or usual.get(text)
        return None if found is None else found + b"\n"

    with tcp_end(answer) as end:
        link = open_link(end.address, CLOCK)
        yield load_driver("scope-tenfield")(link, CLOCK, {})
        link.close()


def test_stop_is_not_believed_while_it_may_be_of_the_acquisition_before() -> None:
    """After :SING the state can be late: STOP once more, then WAIT, and STOP when the record is there."""
    states = [b"STOP", b"STOP", b"WAIT", b"WAIT", b"STOP"]
    with scope_saying(
        "RIGOL TECHNOLOGIES,DS1054Z,1,1", lambda text: states.pop(0) if text == ":TRIG:STAT?" else None
    ) as it:
        it.single()
        assert it.wait(CLOCK.now() + 5.0)
    assert states == []


def test_not_running_is_not_believed_while_it_may_be_of_the_acquisition_before() -> None:
    """The same of the family that tells it by a bit: idle once more, then running, then idle. No trigger came."""
    conditions = [b"0", b"+8", b"+8", b"0"]

    def says(text: str) -> bytes | None:
        return {":OPER:COND?": lambda: conditions.pop(0), ":TER?": lambda: b"0"}.get(text, lambda: None)()

    with scope_saying("AGILENT TECHNOLOGIES,DSO-X 2024A,1,1", says) as it:
        it.single()
        assert it.wait(CLOCK.now() + 5.0)
    assert conditions == []


def test_a_record_that_came_at_once_is_waited_for_no_longer_than_a_tenth() -> None:
    """A fast signal has triggered before anybody could ask: STOP is all that is ever seen."""
    with scope_saying("RIGOL TECHNOLOGIES,DS1054Z,1,1", lambda text: b"STOP" if text == ":TRIG:STAT?" else None) as it:
        it.single()
        assert it.wait(CLOCK.now() + 5.0)


def test_averages_are_no_record() -> None:
    """Left on by a hand: most of an average was acquired before the last turn of the trimmer."""
    kind = [b"2"]

    def says(text: str) -> bytes | None:
        if text == ":WAV:PRE?":
            return b"+0,+" + kind[0] + b",+4,+8,+1.0E-06,+0.0E+00,+0,+4.0E-02,+0.0E+00,+128"
        return b"#14" + bytes((128, 130, 132, 134)) if text == ":WAV:DATA?" else None

    with scope_saying("AGILENT TECHNOLOGIES,DSO-X 2024A,1,1", says) as scope:
        with pytest.raises(InstrumentError, match="averages"):
            scope.fresh_capture(1, CLOCK.now() + 2.0)
        kind[0] = b"0"
        assert len(scope.fresh_capture(1, CLOCK.now() + 2.0)) == 4


def test_a_scope_that_tells_the_end_of_a_record_by_an_event_is_asked_for_it_once() -> None:
    """The event clears on reading; one that is left of the record before is read away first. No codes are unsigned."""
    events = {":ADER?": [b"+1", b"0", b"0", b"+1"], ":TER?": [b"+1", b"+1"]}
    heard: list[str] = []

    def says(text: str) -> bytes | None:
        heard.append(text)
        if text in events:
            return events[text].pop(0)
        if text == ":WAV:PRE?":
            return b"0,1,4,1,1.0E-06,-2.0E-06,0,4.0E-02,3.0E+00,0,1,8,0"
        return b"#14" + bytes((25, 0, 0xFF, 26)) if text == ":WAV:DATA?" else None

    with scope_saying("KEYSIGHT TECHNOLOGIES,DSOS254A,1,1", says) as scope:
        scope.set_trigger(source=1, level=0.5, sweep="normal")
        record = scope.fresh_capture(1, CLOCK.now() + 5.0)
        assert record.triggered
        assert record.volts == pytest.approx([4.0, 3.0, 2.96, 4.04])
        assert events == {":ADER?": [], ":TER?": []}
        assert ":TRIG:LEV CHAN1,0.5" in heard
        assert ":TRIG:SWE TRIG" in heard
        assert not [text for text in heard if text.startswith((":WAV:UNS", ":WAV:POIN"))]
