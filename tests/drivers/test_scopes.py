"""Oscilloscope drivers against doubles that acquire a known square wave."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from benchrig.drivers import scope_block, scope_curve, scope_descriptor, scope_tenfield, wavedesc
from benchrig.sim_instruments.world import World
from small_bench import DOUBLES, DUTY, HIGH, LOW, PERIOD, small_bench

from benchrig.clock import SimClock
from benchrig.errors import BenchrigError, FrameError, InstrumentError
from benchrig.instruments import Identity, load_driver
from benchrig.links import open_link
from benchrig.signals.waveform import Waveform

SCOPES = [name for name, (driver, _, _) in DOUBLES.items() if driver.startswith("scope")]


class Setting:
    """A scope driver on its double, with channel 1 on the square wave."""

    def __init__(self, name: str, **options: Any) -> None:
        self.name = name
        self.clock = SimClock()
        self.world: World = small_bench(self.clock, name)
        link = open_link(f"sim://{name}", self.clock, world=self.world)
        self.scope: Any = load_driver(DOUBLES[name][0])(link, self.clock, options)
        self.scope.identify()
        self.scope.set_channel(1, probe=10.0, scale=1.0, offset=3.5, coupling="dc", bandwidth_limit=False)
        self.scope.set_timebase(scale=2e-4, position=0.0)
        self.scope.set_trigger(source=1, level=3.5, slope="rising", sweep="normal")

    def capture(self) -> Waveform:
        found: Waveform = self.scope.fresh_capture(1, self.clock.now() + 3.0)
        return found

    def sent(self) -> list[bytes]:
        return [data for _, data in self.world.wire_log(self.name)]


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("offset", [3.5, 2.5, 4.6])
def test_volts_are_true_whatever_the_offset(name: str, offset: float) -> None:
    """The wrong rule of a family is right at offset 0 only; so it is never tried there alone."""
    bench = Setting(name)
    bench.scope.set_channel(1, offset=offset)
    record = bench.capture()
    volts = record.volts
    code = abs(record.scale) * (256 if record.samples.dtype.itemsize == 2 else 1)
    assert np.percentile(volts, 5) == pytest.approx(LOW, abs=3 * code)
    assert np.percentile(volts, 95) == pytest.approx(HIGH, abs=3 * code)
    assert record.triggered
    assert not record.clipped


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("position", [0.0, 2e-4, -3e-4])
def test_time_zero_is_the_trigger_and_the_centre_is_where_it_was_put(name: str, position: float) -> None:
    """A rising edge lies at time 0 and at whole periods from it."""
    bench = Setting(name)
    bench.scope.set_timebase(position=position)
    record = bench.capture()
    volts, times = record.volts, record.times
    middle = (LOW + HIGH) / 2
    edges = times[1:][(volts[:-1] < middle) & (volts[1:] >= middle)]
    assert len(edges)
    off = edges / PERIOD - np.round(edges / PERIOD)
    assert np.abs(off).max() * PERIOD <= 2 * record.interval + 2e-6
    assert (times[0] + times[-1]) / 2 == pytest.approx(position, abs=2 * record.interval)


@pytest.mark.parametrize("name", SCOPES)
def test_a_trigger_that_never_comes_is_said_in_the_record(name: str) -> None:
    """The level is above the signal: the forced record is marked, and the next triggered one is not."""
    bench = Setting(name)
    bench.scope.set_trigger(level=7.0)
    started = bench.clock.now()
    assert not bench.capture().triggered
    assert bench.clock.now() - started < 8.0
    bench.scope.set_trigger(level=3.5)
    assert bench.capture().triggered


@pytest.mark.parametrize("name", SCOPES)
def test_waiting_for_a_single_ends_at_its_deadline(name: str) -> None:
    """False, and no later than one question after it."""
    bench = Setting(name)
    bench.scope.set_trigger(level=7.0)
    bench.scope.single()
    deadline = bench.clock.now() + 0.5
    assert bench.scope.wait(deadline) is False
    assert bench.clock.now() < deadline + 0.1
    bench.scope.set_trigger(level=3.5)
    bench.scope.single()
    assert bench.scope.wait(bench.clock.now() + 0.5) is True


@pytest.mark.parametrize("name", SCOPES)
def test_a_signal_beyond_the_converter_is_seen_as_clipped(name: str) -> None:
    """Half a volt per division about a far centre: the record ends at a code that means 'more'."""
    bench = Setting(name)
    for centre in (2.0, 4.8):
        bench.scope.set_channel(1, scale=0.5, offset=centre)
        assert bench.capture().clipped
    bench.scope.set_channel(1, scale=1.0, offset=3.5)
    assert not bench.capture().clipped


@pytest.mark.parametrize("name", SCOPES)
def test_a_coupling_changed_by_hand_is_refused(name: str) -> None:
    """Coupled to AC any level reads 0 V: the perfect null."""
    bench = Setting(name)
    stranger = type(bench.scope)(open_link(f"sim://{name}", bench.clock, world=bench.world), bench.clock, {})
    stranger.set_channel(1, coupling="ac")
    with pytest.raises(InstrumentError, match="coupled A"):
        bench.capture()


INVERTERS = [name for name in SCOPES if DOUBLES[name][0] == "scope-tenfield"]


@pytest.mark.parametrize("name", INVERTERS)
def test_an_input_that_was_left_inverted_is_put_right(name: str) -> None:
    """Whoever used the scope last looked at the other side of a difference."""
    bench = Setting(name)
    bench.world.double(name).double.front.channels[1].inverted = True
    bench.scope.set_channel(1, probe=10.0, scale=1.0, offset=3.5, coupling="dc")
    assert np.percentile(bench.capture().volts, 95) == pytest.approx(HIGH, abs=0.2)


@pytest.mark.parametrize("name", [name for name in SCOPES if DOUBLES[name][0] == "scope-curve"])
def test_a_setting_that_a_model_has_not_is_tried_once(name: str) -> None:
    """Many scopes show each error on their screen, and beep; and what was refused is not sent after a loss either."""
    bench = Setting(name)
    for _ in range(3):
        bench.scope.set_channel(1, coupling="dc")
    bench.scope.restore()
    assert bench.sent().count(b"CH1:TERMINATION 1E6\n") == 1
    assert bench.sent().count(b"CH1:COUPLING DC\n") == 5


@pytest.mark.parametrize("name", SCOPES)
def test_a_probe_factor_changed_by_hand_is_refused(name: str) -> None:
    """Somebody sets x1 on the panel for the 10x probe: the volts would be ten times too low."""
    bench = Setting(name)
    stranger = type(bench.scope)(open_link(f"sim://{name}", bench.clock, world=bench.world), bench.clock, {})
    stranger.set_channel(1, probe=1.0)
    with pytest.raises(InstrumentError, match="probe factor"):
        bench.capture()


@pytest.mark.parametrize("name", SCOPES)
def test_after_a_brown_out_it_is_set_up_again_before_the_next_record_counts(name: str) -> None:
    """The record after it has the levels of the settings made before it."""
    bench = Setting(name)
    before = bench.capture()
    bench.world.double(name).brown_out(0.5)
    after = bench.capture()
    assert (after.scale, after.interval) == pytest.approx((before.scale, before.interval), rel=1e-3)
    assert np.percentile(after.volts, 95) == pytest.approx(HIGH, abs=0.15)


@pytest.mark.parametrize("name", SCOPES)
def test_a_record_lost_in_a_brown_out_is_not_made_up(name: str) -> None:
    """`capture` of an acquisition that the scope has forgotten is an error; the settings are back after it."""
    bench = Setting(name)
    bench.capture()
    bench.world.double(name).brown_out(0.5)
    with pytest.raises(InstrumentError, match="switched on again"):
        bench.scope.capture(1)
    assert bench.scope.view(1).scale == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("name", SCOPES)
def test_a_set_up_that_failed_is_tried_again(name: str) -> None:
    """A second dip in the middle of setting up does not leave a half-set scope that counts."""
    bench = Setting(name)
    bench.capture()
    cable = bench.world.double(name)
    cable.brown_out(0.5)
    cable.brown_out(8.0, at=bench.clock.now() + 0.6)
    for _ in range(12):
        try:
            record = bench.capture()
            break
        except BenchrigError:
            continue
    assert np.percentile(record.volts, 95) == pytest.approx(HIGH, abs=0.15)
    assert record.scale == pytest.approx(bench.capture().scale)


@pytest.mark.parametrize("name", SCOPES)
def test_a_late_answer_does_not_become_the_next_one(name: str) -> None:
    """The answer to a view question comes after its timeout; the next view is its own."""
    bench = Setting(name, timeout=0.3)
    bench.world.double(name).delay(1.0)
    with pytest.raises(BenchrigError):
        bench.scope.view(1)
    bench.scope.set_channel(1, scale=2.0)
    assert bench.scope.view(1).scale == pytest.approx(2.0)


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("fault", ["garble", "truncate", "drop"])
def test_a_spoiled_answer_is_an_error_or_a_true_record(name: str, fault: str) -> None:
    """Bits flipped, an answer cut or lost, at each place of a capture in turn: never wrong volts in silence.

    A flipped bit inside the samples cannot be seen by anyone; levels are judged by percentiles, which it cannot move.
    """
    bench = Setting(name, timeout=0.5)
    bench.capture()
    for place in range(16):
        for _ in range(place):
            bench.world.double(name).delay(0.0)
        getattr(bench.world.double(name), fault)(at=bench.clock.now() + 0.001 * place)
        try:
            record = bench.capture()
        except BenchrigError:
            continue
        assert np.percentile(record.volts, 95) == pytest.approx(HIGH, abs=0.2)


@pytest.mark.parametrize("name", ["tenfield-a2", "tenfield-a1"])
def test_a_deep_record_comes_with_progress(name: str) -> None:
    """A million points; progress rises to the end, and the duty factor is that of the signal."""
    bench = Setting(name)
    bench.capture()
    bench.scope.stop()
    seen: list[tuple[int, int]] = []
    record = bench.scope.capture(1, points=1_000_000, progress=lambda done, total: seen.append((done, total)))
    assert len(record) == 1_000_000
    assert seen == sorted(seen)
    assert seen[-1] == (1_000_000, 1_000_000)
    assert float((record.volts > 3.5).mean()) == pytest.approx(DUTY, abs=0.05)
    assert record.samples.dtype.itemsize == 1


def test_pages_are_as_the_model_gives_them() -> None:
    """No page of a DS1000Z is larger than 250 000 points (programming guide), first and last included."""
    bench = Setting("tenfield-a2")
    bench.capture()
    bench.scope.stop()
    before = len(bench.sent())
    bench.scope.capture(1, points=600_000)
    pages = [data for data in bench.sent()[before:] if b":WAV:ST" in data]
    assert pages == [
        b":WAV:STAR 1\n", b":WAV:STOP 250000\n", b":WAV:STAR 250001\n", b":WAV:STOP 500000\n",
        b":WAV:STAR 500001\n", b":WAV:STOP 600000\n",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("fields", "variant", "code", "volts"),
    [
        ("0,0,1200,1,2.000000e-05,-1.456000e-02,0,4.000000e-02,-75,127", "a2", 152, 4.00),
        ("+0,+0,+1000,+1,+1.0E-06,-5.0E-04,+0,+4.0E-02,+3.0E+00,+128", "a1", 153, 4.00),
        ('0,0,1000,1,1e-6,-5e-4,0,4e-2,3.0,0,1,8,0,8,"25 NOV 2026","12:00","DSOS"', "a1b", 25, 4.00),
    ],
)
def test_each_variant_has_its_own_rule_for_volts(fields: str, variant: str, code: int, volts: float) -> None:
    """The worked preambles of the programming guides; yorigin is in codes in one and in volts in the others."""
    scale, offset = scope_tenfield.volts_rule(scope_tenfield.VARIANTS[variant], scope_tenfield.preamble(fields))
    assert code * scale + offset == pytest.approx(volts)


@pytest.mark.parametrize("text", ["+0", "", "1,2,3", "0,0,1200,1,x,0,0,1,0,127", "0,0,1,1,9.9E37,0,0,1,0,127"])
def test_a_preamble_that_is_not_one_is_refused(text: str) -> None:
    """Too few fields, a word, a special in place of a number."""
    with pytest.raises((FrameError, InstrumentError)):
        scope_tenfield.preamble(text)


@pytest.mark.parametrize(
    ("maker", "model", "variant"),
    [
        ("RIGOL TECHNOLOGIES", "DS1054Z", "a2"),
        ("RIGOL TECHNOLOGIES", "MSO5074", "a2"),
        ("RIGOL TECHNOLOGIES", "DHO804", "a2"),
        ("RIGOL TECHNOLOGIES", "DS1052E", ""),
        ("Agilent Technologies", "DSO1024A", "a2"),
        ("AGILENT TECHNOLOGIES", "DSO-X 2024A", "a1"),
        ("KEYSIGHT TECHNOLOGIES", "MSO-X 3104T", "a1"),
        ("KEYSIGHT TECHNOLOGIES", "DSOX1204G", "a1"),
        ("AGILENT TECHNOLOGIES", "MSO6104A", "a1"),
        ("KEYSIGHT TECHNOLOGIES", "DSOS254A", "a1b"),
        ("Agilent Technologies", "DSO9254A", "a1b"),
        ("Agilent Technologies", "DSOX91604A", "a1b"),
        ("SOMEBODY", "SCOPE 1", ""),
    ],
)
def test_the_model_chooses_the_variant_or_is_refused(maker: str, model: str, variant: str) -> None:
    """Identity strings as the programming guides print them; inverted-code models and strangers have none."""
    assert scope_tenfield.TenFieldScope.variant_of(Identity(maker, model)) == variant


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.00GSa/s", 1e9),
        ("SARA 500MSa/s", 5e8),
        ("C1:VDIV 5.00E-01V", 0.5),
        ("TDIV 2.00E-04S", 2e-4),
        ("0.5", 0.5),
        ("500mV", 0.5),
        ("500MV", 0.5),
        ("20uS", 2e-5),
        ("-1.2E+00", -1.2),
    ],
)
def test_units_in_answers_are_read_with_their_letters(text: str, value: float) -> None:
    """Mega before samples, milli before volts and seconds."""
    assert scope_descriptor.si_number(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "ON", "1.0X", "1,0", "1.0GSa/s extra"])
def test_an_answer_with_a_foreign_unit_is_refused(text: str) -> None:
    """Never half of it."""
    with pytest.raises(FrameError):
        scope_descriptor.si_number(text)


def descriptor(byte_order: str, /, **changes: tuple[int, str, float]) -> bytes:
    """A descriptor block with numbers at their published offsets."""
    import struct

    block = bytearray(346)
    block[:8] = b"WAVEDESC"
    fields: dict[str, tuple[int, str, float]] = {
        "type": (32, "H", 1), "order": (34, "H", 0 if byte_order == ">" else 1), "length": (36, "i", 346),
        "bytes": (60, "i", 2000), "points": (116, "i", 1000), "last": (128, "i", 999), "segments": (144, "i", 1),
        "gain": (156, "f", 0.25), "offset": (160, "f", 1.5), "bits": (172, "h", 12), "interval": (176, "f", 2.0**-20),
        "start": (180, "d", -0.5), "probe": (328, "f", 10.0),
    } | changes  # fmt: skip
    for offset, code, value in fields.values():
        struct.pack_into(byte_order + code, block, offset, value if code in "fd" else int(value))
    return bytes(block)


@pytest.mark.parametrize("order", [">", "<"])
def test_the_descriptor_is_read_in_its_own_byte_order(order: str) -> None:
    """The order word also orders the descriptor's own numbers (published template)."""
    found = wavedesc.parse(descriptor(order))
    assert (found.points, found.gain, found.offset, found.interval, found.start) == (1000, 0.25, 1.5, 2.0**-20, -0.5)
    assert np.dtype(found.dtype) == np.dtype(f"{order}i2")


@pytest.mark.parametrize(
    ("changes", "padded"),
    [
        ({}, False),
        ({"first": (124, "i", 3)}, True),
        ({"last": (128, "i", 700)}, True),
        ({"last": (128, "i", 0)}, False),
    ],
)
def test_a_record_that_is_filled_up_is_known(changes: dict[str, tuple[int, str, float]], padded: bool) -> None:
    """An aborted acquisition ends before its array does (published template); a relative that says nothing has 0."""
    assert wavedesc.parse(descriptor(">", **changes)).padded is padded


@pytest.mark.parametrize(("bits", "limit"), [(12, 32752), (8, 32512), (0, 32512)])
def test_words_clip_where_the_converter_ends(bits: int, limit: int) -> None:
    """12 bits in a word end at 32752 (remote-control manual); 8 bits end lower, and what is unknown counts as 8."""
    assert wavedesc.parse(descriptor(">", bits=(172, "h", bits))).code_limits == (-limit, limit)


@pytest.mark.parametrize(
    "block",
    [
        b"", b"WAVEDESC", bytes(346), descriptor(">")[:345], descriptor(">", segments=(144, "i", 4)),
        descriptor(">", order=(34, "H", 7)), descriptor(">", type=(32, "H", 9)),
    ],
)  # fmt: skip
def test_what_is_no_descriptor_is_refused(block: bytes) -> None:
    """Short, unnamed, segmented, of no byte order, of no sample type."""
    with pytest.raises(FrameError):
        wavedesc.parse(block)


def test_curve_scopes_ask_for_every_field_by_name() -> None:
    """The preamble as a whole is never asked: its order differs between generations."""
    for name in ("curve-tds", "curve-dpo"):
        bench = Setting(name)
        bench.capture()
        asked = b"".join(bench.sent())
        assert b"YOFF?" in asked
        assert b"YZERO?" in asked
        assert b"WFMPRE?" not in asked
        assert b"WFMOUTPRE?" not in asked
        assert asked.index(b"HEADER OFF") < asked.index(b"CH1:")


def test_curve_codes_of_two_bytes_give_the_same_volts() -> None:
    """An 8-bit converter's codes lie in the high byte of a word."""
    for name in ("curve-tds", "curve-dpo"):
        wide = Setting(name, width=2).capture()
        assert wide.samples.dtype.itemsize == 2
        assert np.percentile(wide.volts, 95) == pytest.approx(HIGH, abs=0.15)
        assert np.percentile(wide.volts, 5) == pytest.approx(LOW, abs=0.15)


def test_a_channel_that_is_not_displayed_is_named() -> None:
    """The curve family answers with an event and no data: an error that says so, not a timeout alone."""
    bench = Setting("curve-tds", timeout=0.3)
    with pytest.raises(InstrumentError):
        bench.scope.capture(3)


@pytest.mark.parametrize("name", SCOPES)
def test_a_new_scale_keeps_the_centre_also_after_it_was_asked_who_it_is(name: str) -> None:
    """Identifying again, as after a reopened link, forgets nothing that was set."""
    bench = Setting(name)
    bench.scope.identify()
    bench.scope.set_channel(1, scale=0.8)
    assert bench.scope.view(1).centre == pytest.approx(3.5, abs=0.05)


def test_waiting_for_what_was_never_armed_is_an_answer() -> None:
    """The first call on a scope that runs: no attribute is missing."""
    for name in SCOPES:
        clock = SimClock()
        link = open_link(f"sim://{name}", clock, world=small_bench(clock, name))
        scope: Any = load_driver(DOUBLES[name][0])(link, clock, {})
        scope.identify()
        assert scope.wait(clock.now() + 0.2) in (True, False)


def test_a_block_that_ends_within_a_code_is_refused() -> None:
    """Three bytes are no record of two-byte codes."""
    assert scope_block.codes(b"\x01\x02\x03\x04", ">i2").tolist() == [0x0102, 0x0304]
    with pytest.raises(FrameError, match="3 bytes"):
        scope_block.codes(b"\x01\x02\x03", ">i2")


def test_generations_are_told_by_the_model() -> None:
    """Model names as the programmer manuals print them."""
    for model, generation in [
        ("TDS 2024B", "tds"), ("TPS2024", "tds"), ("TDS5054B", "dpo"), ("DPO4104", "dpo"), ("MSO4104", "dpo"),
        ("MDO3024", "dpo"), ("MSO44", "mso"), ("MSO58", "mso"),
    ]:  # fmt: skip
        assert scope_curve.CurveScope.variant_of(Identity("TEKTRONIX", model)) == generation, model


@pytest.mark.parametrize("name", SCOPES)
def test_another_familys_scope_is_refused(name: str) -> None:
    """Each driver knows its own models and says what to do about others."""
    for driver in ("scope-tenfield", "scope-curve", "scope-descriptor"):
        if driver == DOUBLES[name][0]:
            continue
        clock = SimClock()
        link = open_link(f"sim://{name}", clock, world=small_bench(clock, name))
        with pytest.raises(InstrumentError, match="bench file"):
            load_driver(driver)(link, clock, {}).identify()
