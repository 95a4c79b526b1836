"""Meters that are asked (SCPI, polled, prompt) and the supply, against their doubles."""

from __future__ import annotations

from typing import Any

import pytest
from benchrig.sim_instruments.meter_scpi import BenchMeter
from benchrig.sim_instruments.supply_scpi import BenchSupply
from small_bench import DOUBLES, LEVEL, small_bench

from benchrig.clock import SimClock
from benchrig.errors import BenchrigError, InstrumentError, LinkTimeout
from benchrig.instruments import Function, load_driver
from benchrig.links import open_link
from benchrig.readings import Flag, Reading


class Setting:
    """A driver on its double; double options go in `double`."""

    def __init__(self, name: str, double: dict[str, Any] | None = None, **options: Any) -> None:
        self.name = name
        self.clock = SimClock()
        self.world = small_bench(self.clock, name, **(double or {}))
        self.cable = self.world.double(name)
        link = open_link(f"sim://{name}", self.clock, world=self.world)
        self.driver: Any = load_driver(DOUBLES[name][0])(link, self.clock, options)

    def read(self, patience: float = 3.0) -> Reading:
        found: Reading = self.driver.read(self.clock.now() + patience)
        return found

    def settled(self) -> Reading:
        for _ in range(3):
            reading = self.read()
        return reading

    def change(self, volts: float) -> None:
        self.world.node("level").changes.append((self.clock.now(), volts))

    def sent(self) -> bytes:
        return b"".join(data for _, data in self.world.wire_log(self.name))


ASKED = ["meter", "polled14", "prompt"]


@pytest.mark.parametrize("name", ASKED)
def test_the_value_is_what_stands_at_the_leads(name: str) -> None:
    """In volts, marked DC."""
    reading = Setting(name).settled()
    assert reading.value == pytest.approx(LEVEL, abs=0.011)
    assert reading.unit == "V"
    assert Flag.DC in reading.flags


@pytest.mark.parametrize("name", ASKED)
@pytest.mark.parametrize("late", [0.4, 1.5, 2.9])
def test_a_late_answer_never_becomes_the_next_reading(name: str, late: float) -> None:
    """The answer comes after its timeout, and the level has changed meanwhile: the next reading is of the new level."""
    bench = Setting(name)
    bench.settled()
    bench.cable.delay(late)
    with pytest.raises(LinkTimeout):
        bench.read(0.3 if name == "meter" else 0.05)
    bench.clock.sleep_until(bench.clock.now() + 0.05)
    bench.change(1.25)
    changed = bench.clock.now()
    for _ in range(12):
        try:
            reading = bench.read()
        except BenchrigError:
            continue
        if reading.time - reading.aperture >= changed:
            assert reading.value == pytest.approx(1.25, abs=0.011)
            return
        # A reading that may have begun before the change says so; the old value in it is no lie.
    pytest.fail("no reading that began after the change")


class SlowOnce:
    """A link on which the first answer to one question takes 0.8 s."""

    def __init__(self, link: Any, clock: SimClock, question: bytes) -> None:
        self.link, self.clock, self.question, self.until = link, clock, question, 0.0
        self.address = link.address

    def write(self, data: bytes) -> None:
        if self.question in data and not self.until:
            self.until = self.clock.now() + 0.8
        self.link.write(data)

    def read(self, deadline: float) -> bytes:
        if self.clock.now() < self.until:
            self.clock.sleep_until(min(deadline, self.until))
        found: bytes = b"" if self.clock.now() < self.until else self.link.read(deadline)
        return found


def test_one_slow_answer_about_the_terminals_does_not_end_the_look_at_them() -> None:
    """Only a model that complains of the question has none; who merely was slow is asked again."""
    bench = Setting("meter")
    link = open_link("sim://meter", bench.clock, world=bench.world)
    meter: Any = load_driver("meter-scpi")(SlowOnce(link, bench.clock, b"ROUT:TERM?"), bench.clock, {})
    meter.read(bench.clock.now() + 5.0)
    bench.cable.double.terminals = "REAR"
    bench.clock.sleep_until(bench.clock.now() + 2.0)
    with pytest.raises(InstrumentError, match="rear terminals"):
        meter.read(bench.clock.now() + 5.0)


class OnePromptMore:
    """A link that brings one prompt too many once it is told to: noise on the line, or a meter that echoes."""

    def __init__(self, link: Any) -> None:
        self.link, self.address, self.armed = link, link.address, False

    def write(self, data: bytes) -> None:
        self.link.write(data)

    def read(self, deadline: float) -> bytes:
        data: bytes = self.link.read(deadline)
        if self.armed and data.endswith(b"=>\r\n"):
            self.armed = False
            return data + b"=>\r\n"
        return data


def test_a_prompt_too_many_does_not_shift_the_readings_after_it() -> None:
    """Each answer would be taken for the next question's from then on: an old value with a new time."""
    bench = Setting("prompt")
    link = OnePromptMore(open_link("sim://prompt", bench.clock, world=bench.world))
    meter: Any = load_driver("prompt")(link, bench.clock, {})
    meter.read(bench.clock.now() + 5.0)
    bench.change(1.0)
    bench.clock.sleep_until(bench.clock.now() + 3.0)
    meter.read(bench.clock.now() + 3.0)  # autorange has found its place
    link.armed = True
    for step in range(12):
        bench.change(1.0 + step / 10.0)
        bench.clock.sleep_until(bench.clock.now() + 0.5)
        reading = meter.read(bench.clock.now() + 3.0)
        assert reading.value == pytest.approx(1.0 + step / 10.0, abs=0.011)
    assert not link.armed


@pytest.mark.parametrize("name", ASKED)
@pytest.mark.parametrize("fault", ["truncate", "drop"])
def test_a_cut_or_lost_answer_gives_no_number(name: str, fault: str) -> None:
    """An error now, the true value after."""
    bench = Setting(name)
    bench.settled()
    for _ in range(10):
        getattr(bench.cable, fault)()
        for _ in range(3):
            try:
                reading = bench.read(0.5)
            except BenchrigError:
                continue
            assert reading.value == pytest.approx(LEVEL, abs=0.011)


def test_the_bench_meter_is_set_up_again_after_a_brown_out() -> None:
    """Its presets would be autorange and 10 power line cycles; the next reading has the settings of before."""
    bench = Setting("meter")
    bench.driver.select(Function.DC_VOLTAGE, expected=5.0, power_line_cycles=1.0)
    before = bench.settled()
    bench.cable.brown_out(0.3)
    after = bench.read()
    assert after.value == pytest.approx(LEVEL, abs=0.001)
    assert after.resolution == before.resolution
    assert bench.sent().count(b"CONF:VOLT:DC 5\n") == 2


def test_a_function_is_configured_once_and_never_measured_with_measure() -> None:
    """MEASure? would put aperture and input resistance back to the presets at each reading."""
    bench = Setting("meter")
    bench.driver.select(Function.DC_VOLTAGE, expected=5.0, power_line_cycles=10.0)
    for _ in range(20):
        bench.read()
    sent = bench.sent()
    assert sent.count(b"CONF") == 1
    assert b"MEAS" not in sent
    assert b"FETC" not in sent


def test_a_reading_spans_the_time_in_which_it_was_taken() -> None:
    """It began after the question and ended with the answer; ten power line cycles take at least 0.2 s at 50 Hz."""
    bench = Setting("meter")
    bench.driver.select(Function.DC_VOLTAGE, expected=5.0, power_line_cycles=10.0)
    asked = bench.clock.now()
    reading = bench.read()
    assert reading.time - reading.aperture >= asked
    assert reading.aperture >= 0.2


def test_the_rear_terminals_are_noticed() -> None:
    """They would read near 0 and look like a good null."""
    bench = Setting("meter", {"terminals": "REAR"})
    with pytest.raises(InstrumentError, match="rear terminals"):
        bench.driver.select(Function.DC_VOLTAGE)


def test_remote_is_taken_and_given_back_on_serial_lines() -> None:
    """Without SYST:REM measuring is refused; with `release` the panel is the person's again."""
    bench = Setting("meter", {"serial": True}, remote="yes")
    assert bench.settled().value == pytest.approx(LEVEL, abs=0.001)
    bench.cable.brown_out(0.3)
    for _ in range(3):
        try:
            reading = bench.read()
            break
        except LinkTimeout:
            continue
    assert reading.value == pytest.approx(LEVEL, abs=0.001)
    bench.driver.release()
    assert bench.sent().rstrip().split(b"\n")[-2:] == [b"SYST:LOC", b"SYST:ERR?"]


def test_overload_is_no_number() -> None:
    """9.9E37 never reaches a verdict."""
    bench = Setting("meter")
    bench.driver.select(Function.DC_VOLTAGE, expected=1.0)
    reading = bench.read()
    assert reading.value is None
    assert reading.flags & Flag.OVERLOAD
    assert reading.resolution is None


def test_an_impossible_function_is_refused_in_words() -> None:
    """The meter's own error text stands in the message."""
    bench = Setting("meter")
    with pytest.raises(InstrumentError, match="Undefined header"):
        bench.driver.select(Function.CAPACITANCE)
    with pytest.raises(InstrumentError, match="cannot measure duty factor"):
        bench.driver.select(Function.DUTY_FACTOR)
    assert bench.settled().value == pytest.approx(LEVEL, abs=0.001)


def test_a_release_on_a_lost_link_is_silent() -> None:
    """Every exit goes through it."""
    for name in (*ASKED, "supply", "fs9721"):
        bench = Setting(name)
        bench.cable.unplug()
        bench.driver.release()


def test_prompt_meter_with_echo_is_read_alike() -> None:
    """Some are set to echo each line."""
    assert Setting("prompt", {"echo": True}).settled().value == pytest.approx(LEVEL, abs=0.001)


def test_prompt_meter_is_set_up_again_after_a_brown_out() -> None:
    """Its power-on format has no unit; a number without one is not handed out."""
    bench = Setting("prompt")
    bench.settled()
    bench.cable.brown_out(0.3)
    for _ in range(4):
        try:
            reading = bench.read()
        except BenchrigError:
            continue
    assert (reading.unit, reading.value) == ("V", pytest.approx(LEVEL, abs=0.001))


def test_prompt_meter_shows_hold() -> None:
    """A held display is unusable."""
    bench = Setting("prompt")
    bench.settled()
    bench.cable.double.hold()
    bench.clock.sleep_until(bench.clock.now() + 2.0)
    held = [bench.read() for _ in range(3)]
    assert any(reading.flags & Flag.HOLD for reading in held)


def test_the_supply_switches_and_says_so() -> None:
    """On, off, levels and what it measures; the double reports every real switching."""
    switched: list[bool] = []
    bench = Setting("supply", {"switch": switched.append, "load": lambda volts: volts / 10.0})
    bench.driver.identify()
    bench.driver.set_level(volts=12.0, amps=2.0)
    assert bench.driver.output_is_on() is False
    bench.driver.set_output(True)
    assert bench.driver.output_is_on() is True
    bench.clock.sleep_until(bench.clock.now() + 0.3)  # terminals follow within some 20 ms
    volts = bench.driver.measure(Function.DC_VOLTAGE, bench.clock.now() + 2.0)
    amps = bench.driver.measure(Function.DC_CURRENT, bench.clock.now() + 2.0)
    assert volts.value == pytest.approx(12.0, abs=0.05)
    assert amps.value == pytest.approx(1.2, abs=0.02)
    bench.driver.set_output(False)
    assert switched == [True, False]


class TwoOutputs:
    """A link to a supply with two outputs, of which a finger on its panel may choose one."""

    address = "two outputs"

    def __init__(self) -> None:
        self.chosen, self.on, self.said = 1, {1: True, 2: True}, b""

    def write(self, data: bytes) -> None:
        for line in data.decode().splitlines():
            word, _, value = line.partition(" ")
            if word == "INST:NSEL":
                self.chosen = int(value)
            elif word == "OUTP":
                self.on[self.chosen] = value == "ON"
            elif word == "OUTP?":
                self.said += b"%d\n" % self.on[self.chosen]
            elif word == "SYST:ERR?":
                self.said += b'0,"No error"\n'

    def read(self, deadline: float) -> bytes:
        said, self.said = self.said, b""
        return said


def test_an_output_is_chosen_before_each_switching_because_a_finger_may_have_chosen_another() -> None:
    """Off is told to the output that was meant, and asked of it."""
    link = TwoOutputs()
    supply: Any = load_driver("supply-scpi")(link, SimClock(), {"channels": 2})
    assert supply.output_is_on(2)
    link.chosen = 1  # the key on the panel, or a reboot
    supply.set_output(False, 2)
    assert link.on == {1: True, 2: False}
    link.chosen = 1
    assert not supply.output_is_on(2)


def test_the_supply_refuses_what_it_cannot() -> None:
    """Beyond its ranges; a channel it has not; another quantity."""
    bench = Setting("supply")
    with pytest.raises(InstrumentError):
        bench.driver.set_level(volts=1000.0)
    with pytest.raises(InstrumentError, match="no channel 2"):
        bench.driver.set_output(True, channel=2)
    with pytest.raises(InstrumentError, match="does not measure"):
        bench.driver.measure(Function.RESISTANCE, bench.clock.now() + 1.0)


def test_restoring_a_supply_switches_nothing_on() -> None:
    """Somebody may have hands in the unit: levels come back, power does not."""
    bench = Setting("supply")
    bench.driver.set_level(volts=5.0)
    bench.driver.set_output(True)
    bench.cable.brown_out(0.3)
    bench.driver.restore()
    assert bench.driver.output_is_on() is False
    assert b"VOLT 5\n" in bench.sent()


def test_the_doubles_of_this_file_are_the_benchs_own() -> None:
    """A rename of a double must not leave a test running on nothing."""
    assert DOUBLES["meter"][1] is BenchMeter
    assert DOUBLES["supply"][1] is BenchSupply
