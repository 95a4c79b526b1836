"""A played-back dialogue is strict: it fails on anything that did not happen that way."""

import pytest

from benchrig.clock import SimClock
from benchrig.links.logged import WireLog
from benchrig.links.scpi_port import ScpiPort
from benchrig.testing import ReplayLink

TALK = [(b"*CLS\n", b""), (b"READ?\n", b"+1.25E+00\n")]


def test_a_dialogue_is_played_and_cut_anywhere():
    """Writes may come in pieces; what comes back is what was logged."""
    with ReplayLink(TALK) as link:
        link.write(b"*CL")
        link.write(b"S\n")
        assert link.read(0.0) == b""
        link.write(b"READ?\n")
        assert link.read(0.0) == b"+1.25E+00\n"


def test_a_port_can_talk_to_it():
    """The same seam as any link."""
    clock = SimClock()
    with ReplayLink(TALK) as link:
        port = ScpiPort(link, clock)
        port.send("*CLS")
        assert port.ask("READ?") == "+1.25E+00"


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ([b"*RST\n"], r"pair 1 begins with b'\*CLS"),
        ([b"*CLS\n", b"READ?\n", b"READ?\n"], "not read"),
        ([b"*CLS\n"], "1 pairs are left"),
        ([b"*CLS\n", b"READ?\n"], "never read"),
        ([b"*C"], "begun"),
    ],
)
def test_what_did_not_happen_that_way_fails_with_the_likely_cause(sent, words):
    def play():
        with ReplayLink(TALK) as link:
            for data in sent:
                link.write(data)

    with pytest.raises(AssertionError, match=words):
        play()


def test_sending_after_the_end_fails():
    link = ReplayLink([])
    with pytest.raises(AssertionError, match="after the end"):
        link.write(b"x")


def test_an_instrument_that_speaks_first_is_played_too():
    """A pair with nothing sent."""
    with ReplayLink([(b"", b"READY\n"), (b"A?\n", b"1\n")]) as link:
        assert link.read(0.0) == b"READY\n"
        link.write(b"A?\n")
        assert link.read(0.0) == b"1\n"


def test_a_wire_log_can_be_played():
    """What was logged in the field is what a test plays."""
    log = WireLog()
    for sent, data in ((True, b"READ?\n"), (False, b"1"), (False, b"\n")):
        log.add(0.0, sent, data)
    with ReplayLink(log.dialogue()) as link:
        link.write(b"READ?\n")
        assert link.read(0.0) == b"1\n"


def test_a_cut_log_is_refused():
    log = WireLog()
    log.add(0.0, True, b"CURV?\n")
    log.add(0.0, False, bytes(10_000))
    with pytest.raises(ValueError, match="cut in the log"):
        ReplayLink(log.dialogue())
