"""A bench file becomes a bench, or every mistake in it is told with its line."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from benchrig.bench import load_bench
from benchrig.bench.model import Accuracy, Bench
from benchrig.errors import FileError, Mistake
from benchrig.instruments import Function
from benchrig.links import LineSettings

DEMO = Path(__file__).parents[2] / "procedures" / "skerry14" / "bench.toml"

GOOD = """\
mains = "60 Hz"

[instrument.meter]
driver = "meter-scpi"
address = "TCPIP::192.168.1.20::5025::SOCKET"
serial = "LL-0034"
input_resistance = "10 Mohm"
maximum_input = "1000 V"
calibration_due = 2027-01-31

[instrument.meter.line]
baud = 19200
parity = "E"

[[instrument.meter.accuracy]]
function = "dc voltage"
range = "10 V"
reading = "0.0035 %"
of_range = "0.0005 %"

[[instrument.meter.accuracy]]
function = "dc voltage"
range = "1 V"
reading = "0.5 %"
counts = 2
resolution = "1 mV"

[instrument.handheld]
driver = "fs9721"
usb = "1A86:E008"

[probe.eht_probe]
ratio = 1000
resistance = "1 Gohm"
made_for = "10 Mohm"
tolerance = "1 %"
maximum = "40 kV"
"""


def read(folder: Path, text: str) -> Bench:
    path = folder / "bench.toml"
    path.write_text(text)
    return load_bench(path)


def mistakes(folder: Path, text: str) -> tuple[Mistake, ...]:
    with pytest.raises(FileError) as caught:
        read(folder, text)
    return caught.value.mistakes


def test_everything_a_file_says_arrives_in_base_units(tmp_path: Path) -> None:
    bench = read(tmp_path, GOOD)
    meter, handheld, probe = bench.instrument("meter"), bench.instrument("handheld"), bench.probe("eht_probe")
    assert bench.mains == 60.0
    assert (meter.serial, meter.input_resistance, meter.maximum_input) == ("LL-0034", 10e6, 1000.0)
    assert meter.calibration_due == date(2027, 1, 31)
    assert meter.line_settings(LineSettings(2400, stop_bits=2)) == LineSettings(19200, 8, "E", 2)
    assert (handheld.usb, handheld.address) == ("1a86:e008", "")
    assert (probe.ratio, probe.resistance, probe.made_for, probe.tolerance, probe.maximum) == (1e3, 1e9, 1e7, 0.01, 4e4)


def test_a_specification_gives_the_error_limit_in_the_range_that_holds_the_value(tmp_path: Path) -> None:
    """5 V in the 10 V range of a 6.5-digit meter: 0.0035 % of reading and 0.0005 % of range are 225 uV (by hand)."""
    meter = read(tmp_path, GOOD).instrument("meter")
    row = meter.accuracy_at(Function.DC_VOLTAGE, -5.0)
    assert row is not None
    assert (row.range, row.limit(-5.0)) == (10.0, pytest.approx(225e-6))
    small = meter.accuracy_at(Function.DC_VOLTAGE, 0.4)
    assert small is not None
    assert small.limit(0.4) == pytest.approx(0.4 * 0.005 + 2 * 0.001)
    assert meter.accuracy_at(Function.DC_VOLTAGE, 11.0) is None
    assert meter.accuracy_at(Function.AC_VOLTAGE, 1.0) is None
    assert Accuracy(Function.RESISTANCE, 100.0, of_range=0.01).limit(0.0) == 1.0


CASES = [
    ('mains = "60 Hz"', 'mains = "55 Hz"', 1, "mains", "not known"),
    ('driver = "meter-scpi"', 'driver = "meter-spci"', 4, "instrument.meter.driver", "no driver 'meter-spci'"),
    ("TCPIP::192.168.1.20::5025::SOCKET", "GPIB::7::INSTR", 5, "instrument.meter.address", "known form"),
    ("TCPIP::192.168.1.20::5025::SOCKET", "TCPIP::h::99999::SOCKET", 5, "instrument.meter.address", "99999"),
    ('"10 Mohm"\nmaximum_input', '"10 MV"\nmaximum_input', 7, "instrument.meter.input_resistance", "ohm is needed"),
    ('"1000 V"', '"-1 V"', 8, "instrument.meter.maximum_input", "not more than 0"),
    ("baud = 19200", "baud = 10", 12, "instrument.meter.line.baud", "at least 50"),
    ('range = "10 V"', 'range = "10 A"', 15, "instrument.meter.accuracy[1]", "range is in A"),
    ('resolution = "1 mV"\n', "", 21, "instrument.meter.accuracy[2]", "what one count is"),
    ('reading = "0.0035 %"\nof_range = "0.0005 %"', "", 15, "instrument.meter.accuracy[1]", "no error at all"),
    ('usb = "1A86:E008"', 'usb = "1A86"', 30, "instrument.handheld.usb", "not spelt"),
    ('usb = "1A86:E008"', "", 28, "instrument.handheld", "no address"),
    ('usb = "1A86:E008"', 'usb = "1a86:e008"\naddress = "sim://x"', 28, "instrument.handheld", "both"),
    ("ratio = 1000", "ratio = 0", 33, "probe.eht_probe.ratio", "not more than 0"),
    ("[probe.eht_probe]", "[probe.EHT]", 32, "probe.EHT", "not spelt"),
]


@pytest.mark.parametrize(("old", "new", "line", "path", "words"), CASES, ids=[f"{c[3]}: {c[4]}" for c in CASES])
def test_each_mistake_has_its_line_and_its_words(
    tmp_path: Path, old: str, new: str, line: int, path: str, words: str
) -> None:
    assert old in GOOD
    found = mistakes(tmp_path, GOOD.replace(old, new, 1))
    assert [(m.line, m.path) for m in found] == [(line, path)]
    assert words in found[0].problem


def test_two_instruments_at_one_address_are_a_mistake(tmp_path: Path) -> None:
    text = GOOD.replace('usb = "1A86:E008"', 'address = "tcpip::192.168.1.20::5025::socket"')
    found = mistakes(tmp_path, text)
    assert [(m.line, m.path) for m in found] == [(30, "instrument.handheld.address")]
    assert "'meter'" in found[0].problem


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = GOOD
    for old, new in (('"60 Hz"', '"61 Hz"'), ("ratio = 1000", "ration = 1000"), ('"1000 V"', "1000")):
        text = text.replace(old, new, 1)
    assert [m.line for m in mistakes(tmp_path, text)] == [1, 8, 32, 33]


def test_a_name_that_is_not_on_the_bench_is_refused_with_the_nearest(tmp_path: Path) -> None:
    bench = read(tmp_path, GOOD)
    with pytest.raises(FileError, match="Did you mean 'meter'"):
        bench.instrument("metre")
    with pytest.raises(FileError, match="eht_probe"):
        bench.probe("x10")


def test_the_demo_bench_has_what_the_scenario_names() -> None:
    """Scope, meter, handheld, supply; a 1000:1 probe of 1 Gohm made for a 10 Mohm meter, within 1 %."""
    bench = load_bench(DEMO)
    assert {"scope", "meter", "handheld", "supply"} <= set(bench.instruments)
    probe = bench.probe("eht_probe")
    assert (probe.ratio, probe.resistance, probe.made_for, probe.tolerance) == (1000.0, 1e9, 1e7, 0.01)
    assert bench.instrument("meter").input_resistance == probe.made_for


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("TCPIP::192.168.1.20::5025::SOCKET", "tcpip0::192.168.1.20::5025::socket"),
        ("TCPIP::localhost::5025::SOCKET", "TCPIP::127.0.0.1::5025::SOCKET"),
        ("serial:///dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
        ("serial:///dev/ttyUSB0", "serial:///dev/ttyUSB0?baud=9600"),
        ("serial://{port}", "serial://{lasting}"),
    ],
)
def test_one_place_spelt_in_two_ways_is_one_instrument(first: str, second: str, tmp_path: Path) -> None:
    """Two would answer each other's questions."""
    port, lasting = tmp_path / "ttyUSB0", tmp_path / "usb-A-if00"
    lasting.symlink_to(port)
    file = tmp_path / "bench.toml"
    two = (
        f'[instrument.{name}]\ndriver = "meter-scpi"\naddress = "{address.format(port=port, lasting=lasting)}"\n'
        for name, address in (("one", first), ("two", second))
    )
    file.write_text('mains = "50 Hz"\n' + "".join(two))
    with pytest.raises(FileError, match="'one' is at this address already"):
        load_bench(file)
