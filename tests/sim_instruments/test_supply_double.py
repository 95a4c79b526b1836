"""The supply double: what its terminals show while it says on, off, and anything between."""

from __future__ import annotations

from math import exp

import pytest
from bench_talk import Host
from benchrig.sim_instruments.supply_scpi import BenchSupply

from benchrig.clock import SimClock
from benchrig.instruments import Function
from benchrig.readings import Reading
from benchrig.session.switching import switched


@pytest.fixture
def host() -> Host:
    clock = SimClock(100.0)
    return Host(BenchSupply(clock, load=lambda volts: volts / 10.0), clock)


def test_the_terminals_follow_as_a_capacitor_does(host: Host) -> None:
    """Up with 20 ms, down with 150 ms; "off" is said long before nothing is there."""
    host.send("APPL 12,2;:OUTP ON")
    host.clock.sleep_until(101.0)
    assert float(host.ask("MEAS:VOLT?")) == pytest.approx(12.0, abs=2e-3)
    host.send("OUTP OFF")
    assert host.ask("OUTP?") == "0"
    off = host.clock.now()
    host.clock.sleep_until(off + 0.15)
    assert float(host.ask("MEAS:VOLT?")) == pytest.approx(12.0 * exp(-1.0), abs=0.1)
    host.clock.sleep_until(off + 3.0)
    assert float(host.ask("MEAS:VOLT?")) == pytest.approx(0.0, abs=2e-3)


class Terminals:
    """What a session needs of a supply, asked of the double."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self.looks: list[float] = []

    def set_output(self, on: bool) -> None:
        self._host.send(f"OUTP {'ON' if on else 'OFF'}")

    def output_is_on(self) -> bool:
        return self._host.ask("OUTP?") == "1"

    def measure(self, function: Function, deadline: float) -> Reading:
        self.looks.append(float(self._host.ask("MEAS:VOLT?")))
        return Reading(self.looks[-1], "V", self._host.clock.now())


def test_off_is_believed_only_once_the_terminals_show_it(host: Host) -> None:
    """The first look after switching off still finds volts, so a session that looked but once would call it live."""
    host.send("APPL 24,2")
    terminals = Terminals(host)
    assert switched(terminals, True, host.clock).sure
    terminals.looks.clear()
    assert switched(terminals, False, host.clock).sure
    assert terminals.looks[0] > 10.0
    assert terminals.looks[-1] < 1.0
