"""Meters that talk by themselves, against their doubles: fresh, in order, and honest about what they cannot read."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

import pytest
from small_bench import DOUBLES, LEVEL, small_bench

from benchrig.clock import SimClock
from benchrig.errors import BenchrigError, FileError, InstrumentError, LinkLost, LinkTimeout
from benchrig.instruments import FUNCTION_UNIT, Function, LineSettings, load_driver
from benchrig.links import open_link
from benchrig.readings import Flag, Reading

STREAMED = ["fs9721", "fs9922", "es51922", "es51986"]


class Setting:
    """A meter driver on its double, with the leads on a steady level."""

    def __init__(self, name: str, **options: Any) -> None:
        self.name = name
        self.clock = SimClock()
        self.world = small_bench(self.clock, name)
        self.cable = self.world.double(name)
        link = open_link(f"sim://{name}", self.clock, world=self.world)
        self.meter: Any = load_driver(DOUBLES[name][0])(link, self.clock, options)

    def read(self, patience: float = 3.0) -> Reading:
        found: Reading = self.meter.read(self.clock.now() + patience)
        return found

    def settled(self) -> Reading:
        """A reading after autorange has found its place."""
        for _ in range(3):
            reading = self.read()
        return reading

    def change(self, volts: float) -> None:
        """The level at the leads from now on."""
        self.world.node("level").changes.append((self.clock.now(), volts))


@pytest.mark.parametrize("name", STREAMED)
def test_the_value_is_what_stands_at_the_leads(name: str) -> None:
    """Within two counts, marked DC, with its resolution."""
    reading = Setting(name).settled()
    assert reading.value == pytest.approx(LEVEL, abs=0.02)
    assert reading.unit == "V"
    assert reading.flags == Flag.DC | Flag.AUTORANGE
    assert reading.resolution is not None


class Talking:
    """A lead on which one frame comes again and again, 0.4 s apart."""

    address = "talking"

    def __init__(self, clock: SimClock, frame: str) -> None:
        self.clock, self.frame, self.next = clock, bytes.fromhex(frame), 0.4

    def read(self, deadline: float) -> bytes:
        self.clock.sleep_until(min(max(deadline, self.clock.now()), max(self.next, self.clock.now())))
        if self.clock.now() < self.next:
            return b""
        self.next += 0.4
        return self.frame


@pytest.mark.parametrize(
    ("name", "frame"),
    [
        ("fs9721", "13 20 30 42 57 63 7F 8F 9F A0 B4 C0 D0 E0"),
        ("es51922", "30 30 30 34 39 38 32 38 30 30 32 30 0D 0A"),
    ],
)
def test_a_duty_factor_shown_in_percent_is_judged_as_the_fraction_that_it_is(name: str, frame: str) -> None:
    """49.8 % beside a target of "50 %", which is 0.5: not a hundred times too much."""
    clock = SimClock()
    meter: Any = load_driver(name)(Talking(clock, frame), clock, {})
    meter.select(Function.DUTY_FACTOR)
    reading = meter.read(clock.now() + 5.0)
    assert (reading.value, reading.unit) == (pytest.approx(0.498), FUNCTION_UNIT[Function.DUTY_FACTOR])
    assert reading.resolution == pytest.approx(0.001)
    assert reading.text.endswith("49.8 %")


@pytest.mark.parametrize("name", STREAMED)
def test_no_reading_is_handed_out_twice(name: str) -> None:
    """Times rise, one conversion apart, also where the chip sends each conversion twice."""
    bench = Setting(name)
    bench.settled()
    times = [bench.read().time for _ in range(10)]
    steps = [b - a for a, b in pairwise(times)]
    assert min(steps) > 0.2
    assert max(steps) < 0.8


@pytest.mark.parametrize("name", STREAMED)
@pytest.mark.parametrize("pause", [0.1, 0.4, 1.0, 60.0, 3600.0])
def test_a_backlog_never_delays_what_is_shown(name: str, pause: float) -> None:
    """However long nobody read, the next reading is no older than one interval and comes within two."""
    bench = Setting(name)
    bench.settled()
    bench.clock.sleep_until(bench.clock.now() + pause)
    asked = bench.clock.now()
    reading = bench.read()
    assert asked - reading.time < 0.6
    assert bench.clock.now() - asked < 1.1


@pytest.mark.parametrize("name", STREAMED)
def test_a_change_is_seen_in_a_reading_that_says_it_began_after_it(name: str) -> None:
    """A reading whose aperture lies wholly after the change shows none of the old value."""
    bench = Setting(name)
    bench.settled()
    bench.clock.sleep_until(bench.clock.now() + 17.3)
    bench.change(3.0)
    changed = bench.clock.now()
    for _ in range(8):
        reading = bench.read()
        if reading.time - reading.aperture >= changed:
            break
    assert reading.value == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize("name", STREAMED)
def test_another_range_is_marked_once(name: str) -> None:
    """The resolution steps, so the reading says so; the one after it does not."""
    bench = Setting(name)
    bench.settled()
    bench.change(47.12)
    readings = [bench.read() for _ in range(8)]
    marked = [reading for reading in readings if reading.flags & Flag.RANGE_CHANGED]
    assert len(marked) == 1
    assert not readings[-1].flags & Flag.RANGE_CHANGED
    assert readings[-1].value == pytest.approx(47.12, abs=0.05)


@pytest.mark.parametrize("name", STREAMED)
def test_overload_is_no_number(name: str) -> None:
    """Beyond the highest range there is nothing to judge."""
    bench = Setting(name)
    bench.settled()
    bench.change(50_000.0)
    readings = [bench.read() for _ in range(8)]
    assert readings[-1].value is None
    assert readings[-1].flags & Flag.OVERLOAD
    assert not readings[-1].usable


@pytest.mark.parametrize("name", STREAMED)
def test_hold_and_low_battery_reach_the_reading(name: str) -> None:
    """A held display is unusable; a low battery only says so."""
    bench = Setting(name)
    bench.settled()
    bench.cable.double.low_battery(True)
    bench.settled()
    assert bench.read().flags & Flag.LOW_BATTERY
    assert bench.read().usable
    bench.cable.double.hold()
    bench.settled()
    held = bench.read()
    assert held.flags & Flag.HOLD
    assert not held.usable


@pytest.mark.parametrize("name", STREAMED)
def test_a_knob_that_stands_elsewhere_is_named_at_the_next_reading(name: str) -> None:
    """Nothing can turn it but a hand; the message says which way."""
    bench = Setting(name)
    bench.settled()
    bench.meter.select(Function.RESISTANCE)
    with pytest.raises(InstrumentError, match="Turn its knob to resistance"):
        bench.read()
    bench.meter.select(Function.DC_VOLTAGE)
    assert bench.read().value == pytest.approx(LEVEL, abs=0.02)


@pytest.mark.parametrize("name", STREAMED)
def test_silence_is_a_timeout_that_says_what_to_look_at(name: str) -> None:
    """At the deadline, not later; a meter that talks again is read again."""
    bench = Setting(name)
    bench.settled()
    bench.cable.freeze(20.0)
    started = bench.clock.now()
    with pytest.raises(LinkTimeout, match="Check that the meter is on"):
        bench.read(2.0)
    assert bench.clock.now() - started == pytest.approx(2.0, abs=0.1)
    bench.clock.sleep_until(started + 21.0)
    assert bench.settled().value == pytest.approx(LEVEL, abs=0.02)


@pytest.mark.parametrize("name", STREAMED)
def test_an_unplugged_lead_is_a_lost_link(name: str) -> None:
    """Not a timeout, and never the last value again."""
    bench = Setting(name)
    bench.settled()
    bench.cable.unplug()
    with pytest.raises(LinkLost):
        bench.read()


@pytest.mark.parametrize("name", STREAMED)
@pytest.mark.parametrize("fault", ["garble", "truncate", "drop"])
def test_a_spoiled_frame_costs_one_reading_and_gives_no_wild_number(name: str, fault: str) -> None:
    """Cut and lost frames leave nothing; flipped bits are refused wherever the grammar can see them."""
    bench = Setting(name)
    bench.settled()
    wild = 0
    for _ in range(40):
        getattr(bench.cable, fault)()
        for _ in range(2):
            try:
                reading = bench.read()
            except BenchrigError:
                continue
            wild += reading.usable and abs((reading.value or 0.0) - LEVEL) > 0.02
    # One flipped segment or digit bit can make another legal frame, and no grammar here has a checksum: the ports'
    # parity catches it on two of them, on real lines. Cut and lost frames never do.
    assert wild <= (20 if fault == "garble" else 0)
    assert bench.settled().value == pytest.approx(LEVEL, abs=0.02)


@pytest.mark.parametrize("name", STREAMED)
def test_bytes_of_another_grammar_are_named_with_the_line_settings(name: str) -> None:
    """The wrong meter, or the wrong baud rate: an error that says how the line is set."""
    clock = SimClock()
    noise = random.Random(1)

    class Noise:
        plugged = True

        def receive(self, data: bytes) -> None: ...

        sent = 0

        def due(self) -> float:
            return self.sent / 1000.0

        def take(self) -> bytes:
            """A thousand bytes a second."""
            count, self.sent = int(clock.now() * 1000.0) - self.sent + 1, int(clock.now() * 1000.0) + 1
            return noise.randbytes(max(0, count))

    world = small_bench(clock, name)
    world.connect("noise", Noise())
    meter = load_driver(DOUBLES[name][0])(open_link("sim://noise", clock, world=world), clock, {})
    with pytest.raises(InstrumentError, match=r"the line is \d+"):
        meter.read(clock.now() + 2.0)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", [*STREAMED, "polled14", "prompt"])
def test_line_settings_come_with_the_driver(name: str) -> None:
    """The bench sets the port before a byte is believed; the leads that feed from the port need DTR on and RTS off."""
    line = load_driver(DOUBLES[name][0]).LINE  # type: ignore[attr-defined]
    assert isinstance(line, LineSettings)
    if name != "prompt":
        assert (line.dtr, line.rts) == (True, False)
    expected = {
        "fs9721": (2400, 8, "N", 1), "fs9922": (2400, 8, "N", 1), "es51922": (19200, 7, "O", 1),
        "es51986": (19200, 7, "O", 1), "polled14": (9600, 7, "N", 2), "prompt": (9600, 8, "N", 1),
    }  # fmt: skip
    assert (line.baud, line.data_bits, line.parity, line.stop_bits) == expected[name]


def test_an_unknown_option_or_series_is_refused() -> None:
    """A misspelt option in the bench file must not be ignored."""
    with pytest.raises(FileError, match="no option 'serie'"):
        Setting("fs9721", serie="VA18B")
    with pytest.raises(FileError, match="no series"):
        Setting("fs9721", series="VA99")
    with pytest.raises(FileError, match="'interval'"):
        Setting("fs9922", interval="fast")
    for never in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(FileError, match="more than 0"):
            Setting("fs9922", interval=never)
    with pytest.raises(FileError, match="one of: auto, yes, no"):
        Setting("meter", remote="on")


def test_restore_forgets_what_came_before_the_gap() -> None:
    """Half a frame from before and half from after must not make one."""
    bench = Setting("fs9721")
    bench.settled()
    bench.clock.sleep_until(bench.clock.now() + 5.0)
    bench.meter.restore()
    now = bench.clock.now()
    assert bench.read().time >= now - 0.4
