"""`benchrig doubles`: any grammar on the bench, and the doubles of a bench file."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchrig import cli
from benchrig.bench import Station, load_bench
from benchrig.clock import RealClock, SimClock
from benchrig.commands.bench import act, grammar_of
from benchrig.instruments import driver_names, load_driver, load_world
from benchrig.links import LineSettings, open_link


@contextmanager
def doubles(*arguments: str, rows: int) -> Iterator[dict[str, dict[str, str]]]:
    """The first `rows` lines of the running command, by name; Ctrl-C at the end is no error."""
    command = [sys.executable, "-c", "from benchrig.cli import main; main()", "doubles", "--json", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        try:
            found = [json.loads(child.stdout.readline()) for _ in range(rows)]
            yield {row["name"]: row for row in found}
            child.send_signal(signal.SIGINT)
            assert child.stdout.read() == ""
            assert child.wait(10) == 0
        finally:
            child.kill()  # after a failure `Popen` would wait for ever


def test_the_doubles_of_a_bench_file_answer_to_its_drivers(tmp_path: Path) -> None:
    """Every driver there is, each to its own double, opened and identified through the bench."""
    bench = tmp_path / "bench.toml"
    names = [name for name in driver_names() if name != "supply-scpi"]
    tables = [f'[instrument.{name}]\ndriver = "{name}"\naddress = "sim://{name}"\n' for name in names]
    bench.write_text('mains = "50 Hz"\n' + "".join(tables))
    with doubles("--bench", str(bench), rows=len(tables)) as rows:
        text = bench.read_text()
        for name, row in rows.items():
            text = text.replace(f'"sim://{name}"', f'"{row["address"]}"')
        bench.write_text(text)
        station = Station(load_bench(bench), RealClock())
        for name in rows:
            station.attached(name).open()
        station.close()


def test_a_meter_on_a_serial_address_gets_a_serial_double(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        'mains = "50 Hz"\n[instrument.m]\ndriver = "meter-scpi"\naddress = "ASRL/dev/ttyS0::INSTR"\n'
        '[instrument.n]\ndriver = "meter-scpi"\naddress = "TCPIP::192.0.2.1::5025::SOCKET"\n'
    )
    instruments = load_bench(bench).instruments
    assert [grammar_of(spec) for spec in instruments.values()] == ["meter-scpi-serial", "meter-scpi"]


def test_typed_hands_move_a_lead_while_the_bench_is_served() -> None:
    """The next readings are of the new point; the bench outlives a line it does not understand, and the last one."""
    command = [sys.executable, "-c", "from benchrig.cli import main; main()", "doubles", "--json", "--hands"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stderr is not None
        rows = {row["name"]: row for row in (json.loads(child.stdout.readline()) for _ in range(4))}
        child.stdin.write(b"nonsense\nhandheld on A1 TP9\nhandheld on A1 TP2\n")
        child.stdin.close()
        heard = [child.stderr.readline().decode() for _ in range(3)]
        clock = RealClock()
        meter = load_driver("fs9721")(open_link(rows["handheld"]["address"], clock, LineSettings(baud=2400)), clock)
        values = [meter.read(clock.now() + 3.0).value for _ in range(4)]
        child.send_signal(signal.SIGINT)
        assert child.wait(10) == 0
    assert "Not understood" in heard[0]
    assert "There is no test point 'A1 TP9'" in heard[1]
    assert heard[2] == "handheld is on A1 TP2.\n"
    assert values[-1] == pytest.approx(4.96, abs=0.1)


def test_typed_hands_turn_switch_and_say_what_would_hurt() -> None:
    """Each line does one thing, on the demo unit as it arrives."""
    world = load_world("skerry14")(SimClock())
    said = [act(line, world.hands) for line in ("RV43 -10", "RV43 9999", "power off", "power on", "card grid", "?")]
    assert said[0] == "RV43 turned -10 degrees."
    assert said[1].endswith("at its end.")
    assert said[2:5] == ["The unit is off.", "The unit is on.", "Card: grid."]
    assert "RV43 (" in said[5]
    assert "handheld on A1 TP1" in said[5]
    assert "never directly" in act("meter on A4 TP40", world.hands)
    assert act("meter on A4 TP40 with eht_probe", world.hands).startswith("meter is on A4 TP40.")
    assert "would have hurt" in act("discharge", world.hands)
    assert act("meter off", world.hands).startswith("meter hangs free.")
    assert act("", world.hands) == ""
    assert "There is no" in act("RV99 5", world.hands)


@pytest.mark.parametrize(("fit", "words"), [("meter=sundial", "meter-scpi"), ("meter", "NAME=GRAMMAR")])
def test_what_cannot_be_fitted_says_what_can(fit: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["doubles", "--fit", fit]) == 2
    assert words in capsys.readouterr().err
