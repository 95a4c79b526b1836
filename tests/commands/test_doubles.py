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
from benchrig.clock import RealClock
from benchrig.commands.doubles import grammar_of
from benchrig.instruments import driver_names


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


@pytest.mark.parametrize(("fit", "words"), [("meter=sundial", "meter-scpi"), ("meter", "NAME=GRAMMAR")])
def test_what_cannot_be_fitted_says_what_can(fit: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["doubles", "--fit", fit]) == 2
    assert words in capsys.readouterr().err
