"""An instrument that nothing holds bytes back for gets no more than it can keep."""

from typing import Any

from small_bench import small_bench

from benchrig.clock import SimClock
from benchrig.instruments import Function, load_driver
from benchrig.links import Link, open_link

# The 34401A drops DTR at about 100 characters; Linux and pyserial do not look at that line.
BUFFER = 100


class Counted:
    """A link that remembers the most bytes that were ever sent before an answer came."""

    address = "serial:///counted"

    def __init__(self, link: Link) -> None:
        self.link, self.since, self.most = link, 0, 0

    def write(self, data: bytes) -> None:
        self.since += len(data)
        self.most = max(self.most, self.since)
        self.link.write(data)

    def read(self, deadline: float) -> bytes:
        data = self.link.read(deadline)
        self.since = 0 if data else self.since
        return data

    def close(self) -> None:
        self.link.close()


def test_a_bench_meter_on_a_serial_line_is_never_sent_more_than_its_buffer_holds() -> None:
    """Set up with the longest numbers, read, set up again after a loss, handed back."""
    clock = SimClock()
    link = Counted(open_link("sim://meter", clock, world=small_bench(clock, "meter")))
    meter: Any = load_driver("meter-scpi")(link, clock, {})
    for function in (Function.DC_VOLTAGE, Function.RESISTANCE):
        meter.select(function, expected=123.456789, power_line_cycles=10.0)
        meter.read(clock.now() + 5.0)
    meter.restore()
    meter.release()
    assert 30 < link.most < BUFFER, link.most
