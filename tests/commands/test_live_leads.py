"""`watch` and `find --try` ask where the lead of an instrument is that a hazardous step beside its bench file uses."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig import cli
from benchrig.bench import InstrumentSpec, load_bench
from benchrig.commands import find
from benchrig.commands.find import hazardous_uses, require_lead_off
from benchrig.errors import Refused

BENCH = """
mains = "50 Hz"
[instrument.meter]
driver = "meter-scpi"
address = "TCPIP::127.0.0.1::9::SOCKET"
[instrument.second]
driver = "meter-scpi"
address = "TCPIP::127.0.0.1::19::SOCKET"
[instrument.handheld]
driver = "fs9721"
address = "serial:///dev/null"
"""
PROCEDURE = """
[[step]]
kind = "trim"
hazard = "eht"
instrument = "meter"
point = "A4 TP40"
[[step]]
kind = "soak"
hazard = "eht"
[[step.channels]]
instrument = "second"
point = "A4 TP41"
[[step]]
instrument = "handheld"
point = "A1 TP1"
"""


@pytest.fixture
def bench(tmp_path: Path):
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "adjust.toml").write_text(PROCEDURE)
    (tmp_path / "broken.toml").write_text("[[step\n")
    return load_bench(tmp_path / "bench.toml")


class Keyboard:
    def __init__(self, *lines: str) -> None:
        self.lines, self.prompts = list(lines), []

    def line(self, prompt: str) -> str | None:
        self.prompts.append(prompt)
        return self.lines.pop(0) if self.lines else None

    def __enter__(self):
        return self

    def __exit__(self, *_: object) -> None: ...


def asked(monkeypatch, bench, spec, *lines: str) -> Keyboard:
    keyboard = Keyboard(*lines)
    monkeypatch.setattr(find, "open_keys", lambda: keyboard)
    require_lead_off(bench, spec)
    return keyboard


def test_an_instrument_of_a_hazardous_step_is_asked_for(bench, monkeypatch) -> None:
    """With the point and the file; yes in full, and Enter is no answer."""
    keyboard = asked(monkeypatch, bench, bench.instrument("meter"), "", "y", "yes")
    assert len(keyboard.prompts) == 3
    assert "A4 TP40 (adjust.toml)" in keyboard.prompts[0]
    assert asked(monkeypatch, bench, bench.instrument("second"), "yes").prompts
    assert asked(monkeypatch, bench, bench.instrument("handheld")).prompts == []
    assert asked(monkeypatch, None, bench.instrument("meter")).prompts == []


def test_so_is_one_that_is_named_by_its_address(bench) -> None:
    for address in ("TCPIP0::localhost::9::SOCKET", "tcpip::127.0.0.1::9::socket"):
        assert list(hazardous_uses(bench, InstrumentSpec(address, "meter-scpi", address)))
    other = InstrumentSpec("x", "meter-scpi", "TCPIP::127.0.0.1::10::SOCKET")
    assert not list(hazardous_uses(bench, other))


@pytest.mark.parametrize("lines", [["no"], ["stop"], []])
def test_who_does_not_say_so_reads_nothing(bench, monkeypatch, lines: list[str]) -> None:
    with pytest.raises(Refused, match="its lead may still be there"):
        asked(monkeypatch, bench, bench.instrument("meter"), *lines)


@pytest.mark.parametrize("command", [["watch", "meter"], ["find", "--try", "meter"]])
def test_without_a_terminal_it_is_refused_before_anything_is_opened(bench, capsys, command: list[str]) -> None:
    """Exit code 5; nothing listens at that address, so that an open would have been exit code 4."""
    assert cli.run([*command, "--bench", bench.file]) == 5
    assert "its lead may still be there" in capsys.readouterr().err


def test_who_names_the_probe_is_not_asked(bench, capsys) -> None:
    assert cli.run(["watch", "meter", "--probe", "1000", "--bench", bench.file]) == 4


def test_the_shipped_bench_knows_its_meter() -> None:
    """`adjust`, `restore` and `soak` read the EHT with it."""
    from benchrig.commands.options import locate

    shipped = load_bench(locate("skerry14/bench"))
    assert {file for _, file in hazardous_uses(shipped, shipped.instrument("meter"))} == {
        "adjust.toml", "restore.toml", "soak.toml",
    }  # fmt: skip
