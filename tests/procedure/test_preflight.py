"""Before anything is touched: what would hurt is refused, what decides nothing is warned of, with the numbers."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from benchrig.bench import load_bench
from benchrig.commands.bench import EXIT_CODE, table
from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.procedure.preflight import check

HAZARD = """
[hazard.eht]
title = "EHT"
test_point = "A4 TP40"
expected = "9.40 kV"
cautions = ["It can kill."]
in_place = ["Probe ground first"]
make_safe = ["Switch off and discharge"]
"""
BENCH = """
mains = "50 Hz"
[instrument.meter]
driver = "meter-scpi"
address = "sim://meter"
input_resistance = "{resistance}"
maximum_input = "1000 V"
calibration_due = 2027-01-31
[[instrument.meter.accuracy]]
function = "dc voltage"
range = "{range}"
reading = "0.5 %"
counts = 2
resolution = "{count}"
[instrument.scope]
driver = "scope-tenfield"
address = "sim://scope"
maximum_input = "300 V"
[instrument.scope.waveforms]
bandwidth = "{bandwidth}"
sample_rate = "{rate}"
vertical = "3 %"
timebase = "25 ppm"
[probe.hv]
ratio = 1000
resistance = "1 Gohm"
made_for = "10 Mohm"
tolerance = "1 %"
maximum = "{probe}"
"""
USUAL = {
    "resistance": "10 Mohm", "range": "40 V", "count": "10 mV", "bandwidth": "100 MHz", "rate": "1 GSa/s",
    "probe": "40 kV",
}  # fmt: skip


def step(id="one", **fields):
    settings = {
        "kind": "measure", "title": "T", "instrument": "meter", "function": "dc voltage", "point": "P",
        "window": ["11.4 V", "12.6 V"],
    } | fields  # fmt: skip
    lines = [f"{key} = {value!r}".replace("'", '"') for key, value in settings.items() if value is not None]
    return "\n".join(["[[step]]", f'id = "{id}"', *lines]) + "\n"


EHT = {"hazard": "eht", "point": "A4 TP40", "window": ["9.25 kV", "9.55 kV"], "expected": "9.40 kV"}
TIMER = {"instrument": "scope", "channel": 1, "function": None, "measurement": "high time", "swing": "12 V"}


@pytest.fixture
def looked_at(tmp_path: Path):
    def look(*steps: str, today=None, **bench):
        procedure = tmp_path / "p.toml"
        hazard = HAZARD if any("hazard" in one for one in steps) else ""
        head = '[procedure]\nid = "p"\ntitle = "P"\nunit = "Skerry 14"\n'
        procedure.write_text(head + hazard + "".join(steps))
        file = tmp_path / "b.toml"
        file.write_text(BENCH.format(**(USUAL | bench)))
        return check(load_procedure(procedure), load_bench(file), today)

    return look


def found(report, what):
    """The one row about `what`."""
    rows = [row for row in report.rows if row.what == what]
    assert len(rows) == 1, report.rows
    return rows[0]


@pytest.mark.parametrize("name", ["adjust", "restore"])
def test_the_shipped_procedures_can_be_done_on_the_demo_bench(name):
    from benchrig.commands.options import locate

    report = check(load_procedure(locate(f"skerry14/{name}")), load_bench(locate("skerry14/bench")))
    assert report.worst != "refuse", table(report)


def test_a_rail_on_a_handheld_decides_with_room(looked_at):
    """0.5 % of 12 V + 2 counts of 10 mV: limit 0.08 V, u = 0.0462 V, TUR = 1.2 / (4 u) = 6.5, by hand."""
    row = found(looked_at(step()), "decides")
    assert row.level == "ok"
    assert "TUR 6.5" in row.words


def test_kilovolts_without_a_probe_are_refused(looked_at):
    """Whatever the input is said to bear."""
    report = looked_at(step(**EHT))
    assert found(report, "probe").level == "refuse"
    assert EXIT_CODE[report.worst] == 2


def test_kilovolts_through_a_probe_that_bears_less_are_refused(looked_at):
    row = found(looked_at(step(**EHT, probe="hv"), probe="6 kV"), "probe")
    assert row.level == "refuse"
    assert row.words.startswith("11.75 kV")  # 1.25 times the 9.40 kV that are expected: up to there it is read


def test_an_input_that_bears_less_than_what_comes_through_is_refused(looked_at):
    """400 V swing at a scope input of 300 V, with no probe."""
    row = found(looked_at(step(**(TIMER | {"swing": "400 V"}), hazard="eht", window=["13 us", "15 us"])),
                "maximum input")  # fmt: skip
    assert row.level == "refuse"


@pytest.mark.parametrize(("resistance", "factor"), [("11 Mohm", "990.9"), ("1 Mohm", "1899.1"), ("10 Gohm", "900.2")])
def test_a_probe_on_another_input_is_corrected_and_shown(looked_at, resistance, factor):
    """K = 1000 + 999 Mohm (1/R - 1/10 Mohm); Kirchhoff for a 999 Mohm probe over 1.1111 Mohm with R across it."""
    row = found(looked_at(step(**EHT, probe="hv"), resistance=resistance), "probe factor")
    assert row.level == "note"
    assert factor in row.words


LEVEL = {"instrument": "scope", "channel": 1, "function": None, "measurement": "rms", "window": ["0 V", "20 V"]}


@pytest.fixture
def held_against(tmp_path: Path):
    """Steps against the usual bench with its scope, meter and probe changed."""

    def look(text, *, scope=None, meter=None, probe=None):
        (tmp_path / "p.toml").write_text('[procedure]\nid = "p"\ntitle = "P"\nunit = "Skerry 14"\n' + HAZARD + text)
        (tmp_path / "b.toml").write_text(BENCH.format(**USUAL))
        bench = load_bench(tmp_path / "b.toml")
        changes = {"scope": scope or {}, "meter": meter or {}}
        specs = {name: replace(spec, **changes[name]) for name, spec in bench.instruments.items()}
        probes = {name: replace(one, **(probe or {})) for name, one in bench.probes.items()}
        return check(load_procedure(tmp_path / "p.toml"), replace(bench, instruments=specs, probes=probes))

    return look


def test_volts_through_a_probe_for_another_input_are_refused_on_a_scope(held_against):
    """1000:1 into 10 Mohm, on 1 Mohm: K = 1000 + 999 Mohm (1/1 Mohm - 1/10 Mohm) = 1899; kilovolts would read half."""
    row = found(held_against(step(**LEVEL, probe="hv"), scope={"input_resistance": 1e6}), "probe factor")
    assert row.level == "refuse"
    assert "1899" in row.words


def test_volts_through_a_probe_on_an_unknown_input_are_refused_on_a_scope(held_against):
    row = found(held_against(step(**LEVEL, probe="hv")), "probe")
    assert row.level == "refuse"
    assert "input resistance" in row.words


@pytest.mark.parametrize("resistance", [None, 1e6, 10e6])
def test_times_do_not_depend_on_the_ratio(held_against, resistance):
    """A pulse through the wrong divider is as long as through the right one."""
    timer = step(**TIMER, probe="hv", window=["13 us", "15 us"])
    assert held_against(timer, scope={"input_resistance": resistance}).worst == "ok"


def test_the_right_input_lets_a_scope_read_volts(held_against):
    report = held_against(step(**LEVEL, probe="hv"), scope={"input_resistance": 10e6})
    assert {row.what for row in report.rows} == {"decides"}


def test_a_null_that_lies_within_the_scopes_own_zero_is_warned_of():
    """1 mV at the input are 10 mV at the tip of a 10x probe: more than a window of 5 mV."""
    from benchrig.commands.options import locate

    bench = load_bench(locate("skerry14/bench"))
    off = replace(bench.instruments["scope"], waveforms=replace(bench.instruments["scope"].waveforms, zero=1e-3))
    procedure = load_procedure(locate("skerry14/adjust"))

    def level(bench):
        rows = check(procedure, bench).rows
        return next(row.level for row in rows if (row.step, row.what) == ("x-zero", "decides"))

    assert level(replace(bench, instruments=bench.instruments | {"scope": off})) == "warn"
    assert level(bench) != "warn"


@pytest.mark.parametrize(("volts", "level"), [("55 V", None), ("200 V", "warn")])
def test_what_an_input_bears_must_be_known_where_it_can_hurt(held_against, volts, level):
    """Above 60 V DC an input of which the bench file says nothing is warned of; below, it goes without saying."""
    fields = {"hazard": "eht", "point": "A4 TP40", "probe": "hv", "window": ["0 V", volts]}
    tenth = {"ratio": 100.0, "made_for": None} if level else {"ratio": 1000.0}
    report = held_against(step(**fields), meter={"maximum_input": None}, probe=tenth)
    assert [row.level for row in report.rows if row.what == "maximum input"] == ([level] if level else [])


def test_kilovolts_through_a_probe_that_says_nothing_are_warned_of(held_against):
    row = found(held_against(step(**EHT, probe="hv"), probe={"maximum": None}), "probe")
    assert row.level == "warn"
    assert row.words.startswith("11.75 kV")


@pytest.mark.parametrize(("bandwidth", "warned"), [(None, True), (1e3, False)])
def test_a_bare_divider_is_for_direct_voltage_only(held_against, bandwidth, warned):
    """Common practice, no source: an uncompensated high-voltage probe is good to 5 % or worse at 50 Hz."""
    ac = step(function="ac voltage", probe="hv", window=["0 V", "20 V"])
    report = held_against(ac, probe={"bandwidth": bandwidth})
    assert any(row.what == "probe bandwidth" and row.level == "warn" for row in report.rows) is warned


def test_a_probe_on_its_own_input_needs_no_words(looked_at):
    assert not [row for row in looked_at(step(**EHT, probe="hv")).rows if row.what == "probe factor"]


def test_a_value_beyond_every_range_is_refused(looked_at):
    assert found(looked_at(step(), range="4 V"), "range").level == "refuse"


@pytest.mark.parametrize(("count", "level"), [("200 mV", "note"), ("1 V", "warn")])
def test_counts_coarser_than_the_window_are_said(looked_at, count, level):
    """A tenth of the window is worth a word, half of it a warning."""
    assert found(looked_at(step(), count=count), "resolution").level == level


def test_a_window_filled_by_the_uncertainty_is_a_warning(looked_at):
    """+-50 mV on a meter of +-80 mV decides nothing: exit code 1."""
    report = looked_at(step(window=["11.95 V", "12.05 V"]))
    assert found(report, "decides").level == "warn"
    assert EXIT_CODE[report.worst] == 1


def test_slow_scope_and_few_samples_are_warnings(looked_at):
    """A 1 us pulse at 500 kHz and 2 MSa/s."""
    report = looked_at(step(**TIMER, window=["0.9 us", "1.1 us"]), bandwidth="500 kHz", rate="2 MSa/s")
    assert found(report, "bandwidth").level == "warn"
    assert found(report, "sample rate").level == "warn"


def test_an_unknown_instrument_is_refused_with_its_line(looked_at):
    report = looked_at(step(), step("two", instrument="metre"))
    row = found(report, "names")
    assert (row.step, row.level) == ("two", "refuse")
    assert row.line > 1
    assert "Did you mean 'meter'" in row.words
    assert any(f":{row.line}:" in line for line in table(report))


def test_steps_that_wait_for_each_other_do_not_load(looked_at):
    """An order that cannot be followed is a mistake of the file, with its line."""
    with pytest.raises(FileError, match=r"p.toml:\d+: .*'b' is not an earlier step"):
        looked_at(step("a", needs=["b"]), step("b", needs=["a"]), step("c"))


def test_a_calibration_that_has_run_out_is_a_warning(looked_at):
    assert found(looked_at(step(), today=date(2027, 2, 1)), "calibration").level == "warn"
    assert not [row for row in looked_at(step(), today=date(2027, 1, 31)).rows if row.what == "calibration"]


def test_a_probe_has_a_calibration_too(looked_at, tmp_path):
    """It makes as much of a kilovolt as the meter behind it; one that no step uses does not matter."""
    looked_at(step("eht", **EHT, probe="hv"))
    file = tmp_path / "b.toml"
    file.write_text(file.read_text() + "calibration_due = 2026-06-30\n")
    bench, used = load_bench(file), load_procedure(tmp_path / "p.toml")
    assert "hv was due" in found(check(used, bench, date(2026, 7, 1)), "calibration").words
    looked_at(step())
    file.write_text(file.read_text() + "calibration_due = 2026-06-30\n")
    unused = check(load_procedure(tmp_path / "p.toml"), load_bench(file), date(2026, 7, 1))
    assert not [row for row in unused.rows if row.what == "calibration"]


def test_a_scope_corrects_direct_volts_through_a_probe_for_another_input(held_against):
    """1000:1 into 10 Mohm, on 11 Mohm: K = 990.9; a mean is corrected, an RMS refused."""
    mean = LEVEL | {"measurement": "mean"}
    row = found(held_against(step(**mean, probe="hv"), scope={"input_resistance": 11e6}), "probe factor")
    assert row.level == "note"
    assert "990.9" in row.words


def test_the_uncertainty_of_a_scopes_volts_has_the_probe_in_it(held_against):
    """3 % of a 40 V screen and a probe of 30 % at 10 V: U = 2 hypot(1.2, 3) / sqrt 3 = 3.7 V, by hand."""
    report = held_against(step(**LEVEL, probe="hv"), scope={"input_resistance": 10e6}, probe={"tolerance": 0.3})
    assert "U 3.7 V" in found(report, "decides").words


def test_an_instrument_that_also_reads_harmless_points_is_named(looked_at):
    """It will have been spoken to before the hold point."""
    assert found(looked_at(step(), step("eht", **EHT, probe="hv")), "hold point").level == "note"


def test_the_risks_are_those_of_the_procedures_rule(looked_at, tmp_path):
    """TUR 6.5: simple acceptance is wrong about 1.4 % of all units, a guard band leaves 8 % open instead."""
    guarded = found(looked_at(step()), "decides").words
    file = tmp_path / "p.toml"
    file.write_text(file.read_text().replace('unit = "Skerry 14"', 'unit = "Skerry 14"\nrule = "simple"'))
    simple = found(check(load_procedure(file), load_bench(tmp_path / "b.toml")), "decides").words
    assert "guarded: false accept 0.01%, false reject 0.02%, undecided 8%." in guarded
    assert "undecided" in guarded
    assert "simple: false accept 0.59%, false reject 0.85%." in simple


def test_one_limit_has_a_risk_too(looked_at):
    """No window, no ratio; the worst value that passes lies 2 u inside: Phi(-2) = 2.3 % (normal tables)."""
    row = found(looked_at(step(window=["11.4 V", "open"])), "decides")
    assert "wrong in 2.3%" in row.words


def test_the_table_fits_eighty_columns(looked_at):
    """All but a path that is longer than a line."""
    report = looked_at(step(), step("eht", **EHT), step("a-step-with-a-long-name", **EHT, probe="hv"))
    assert max(len(line) for line in table(report) if "/" not in line) <= 80
