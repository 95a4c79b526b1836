"""`benchrig find` against doubles on real sockets and pseudo-terminals, and against what is not there."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from far_ends import tcp_end

from benchrig import cli
from benchrig.bench.find import look
from benchrig.bench.probe import Place, drivers_for
from benchrig.clock import RealClock
from benchrig.instruments import Identity, load_stand_in

FITTED = {"meter": "prompt", "scope": "scope-curve", "handheld": "es51922", "counter": "polled14", "second": "es51986"}
TAKEN_BY = {**FITTED, "supply": None}


@pytest.fixture(scope="module")
def addresses() -> Iterator[Mapping[str, str]]:
    """A child process that serves one double of each kind of grammar."""
    with load_stand_in("launch")("skerry14", fit=FITTED) as doubles:
        yield doubles.addresses


def test_each_grammar_is_recognised_by_what_it_says(addresses: Mapping[str, str]) -> None:
    """Frames, prompts, polled text and `*IDN?`, side by side."""
    names = {address: name for name, address in addresses.items()}
    found = {names[it.place.address]: it for it in look([Place(a) for a in addresses.values()], RealClock())}
    assert {name: it.state for name, it in found.items()} == dict.fromkeys(TAKEN_BY, "answers")
    for name, driver in TAKEN_BY.items():
        assert found[name].drivers == ((driver,) if driver else ()), name
    assert found["scope"].identity.model == "TDS 2024B"
    assert "No installed driver" in found["supply"].words


def test_what_does_not_open_is_told_with_its_cure() -> None:
    """Nobody listening, no such port: each its own cure."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        free = server.getsockname()[1]
    places = [Place(f"TCPIP::127.0.0.1::{free}::SOCKET"), Place("serial:///dev/no-such-port"), Place("nonsense")]
    found = {it.place.address: it for it in look(places, RealClock())}
    assert {it.state for it in found.values()} == {"closed"}
    assert "switched on" in found[places[0].address].cure
    assert "no such port" in found[places[1].address].words
    assert "Known forms" in found[places[2].address].cure


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may open everything")
def test_a_forbidden_port_names_the_group(tmp_path: Path) -> None:
    """The commonest trouble on a new machine."""
    port = tmp_path / "port"
    port.touch(mode=0)
    found = next(look([Place(f"serial://{port}")], RealClock()))
    assert "dialout" in found.cure


def test_an_open_port_where_nobody_speaks_is_silent(addresses: Mapping[str, str]) -> None:
    """Not closed, not an answer."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        found = next(look([Place(f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET")], RealClock()))
    assert (found.state, found.identity) == ("silent", None)


def test_a_second_program_is_told_that_the_port_is_held(addresses: Mapping[str, str], capsys) -> None:
    """Two programs at one serial port would share its bytes out between them."""
    import serial

    path = addresses["handheld"].removeprefix("serial://")
    with serial.Serial(path, exclusive=True):
        assert cli.run(["find", "--address", addresses["handheld"], "--json"]) == 4
    assert "another program" in json.loads(capsys.readouterr().out)["words"]


@pytest.mark.parametrize(
    ("maker", "model", "driver"),
    [
        ("HEWLETT-PACKARD", "34401A", "meter-scpi"),  # the manuals' own examples of an answer to *IDN?
        ("Keysight Technologies", "34461A", "meter-scpi"),
        ("RIGOL TECHNOLOGIES", "DS1054Z", "scope-tenfield"),
        ("AGILENT TECHNOLOGIES", "DSO-X 2024A", "scope-tenfield"),
        ("TEKTRONIX", "TDS 2024B", "scope-curve"),
        ("LECROY", "WR64XI-A", "scope-descriptor"),
        ("Siglent Technologies", "SDS1204X-E", "scope-descriptor"),
        ("FLUKE", "45", "prompt"),
        ("Agilent Technologies", "E3631A", "supply-scpi"),
    ],
)
def test_the_identity_chooses_one_driver(maker: str, model: str, driver: str) -> None:
    assert drivers_for(Identity(maker, model, "1", "1")) == (driver,)


def test_an_unknown_model_is_given_to_no_driver() -> None:
    """A guess would turn codes into wrong volts."""
    assert drivers_for(Identity("LANTERN", "L-1", "1", "1")) == ()


def test_a_host_tells_of_the_ports_that_open(addresses: Mapping[str, str]) -> None:
    """That nobody listens at the three other usual ports is no news beside an instrument that answers."""
    with tcp_end(lambda line: b"LANTERN,L-1,7,1\n" if line == b"*IDN?" else None, 5025, host="127.0.0.77"):
        (found,) = look([], RealClock(), hosts=["127.0.0.77"])
    assert (found.place.address, found.state) == ("TCPIP::127.0.0.77::5025::SOCKET", "answers")


def test_a_host_where_nobody_listens_is_told_once() -> None:
    (found,) = look([], RealClock(), hosts=["127.0.0.78"])
    assert (found.place, found.state) == (Place("127.0.0.78", "ports 5025, 5555, 4000, 3000"), "closed")
    assert "nothing listens" in found.words


def test_a_meter_behind_a_raw_serial_server_is_recognised() -> None:
    """A serial port shared over the network: it talks by itself there too."""
    # 1.234 V dc, auto: the 14 bytes of an FS9721_LP3 in the order of its segment table.
    frame = bytes([0x17, 0x20, 0x35, 0x4D, 0x5B, 0x61, 0x7F, 0x82, 0x97, 0xA0, 0xB0, 0xC0, 0xD4, 0xE0])
    with tcp_end(lambda line: 3 * frame) as end:
        (found,) = look([Place(end.address)], RealClock())
    assert (found.state, found.drivers) == ("answers", ("fs9721",))


def test_a_port_that_never_stops_pouring_is_given_up() -> None:
    """Something else than an instrument: a log, a camera."""

    def pour(server: socket.socket) -> None:
        client, _ = server.accept()
        with client, contextlib.suppress(OSError):
            while True:
                client.sendall(b"noise\n" * 1000)

    with socket.create_server(("127.0.0.1", 0)) as server:
        pouring = threading.Thread(target=pour, args=(server,))
        pouring.start()
        (found,) = look([Place(f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET")], RealClock())
        pouring.join()
    assert found.state == "silent"


def test_a_meter_of_another_grammar_is_named_not_called_silent(
    addresses: Mapping[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Frames of an ES51986 where the bench file says FS9922: both print digits, neither reads the other."""
    bench = tmp_path / "bench.toml"
    bench.write_text(f'mains = "50 Hz"\n[instrument.meter]\ndriver = "fs9922"\naddress = "{addresses["second"]}"\n')
    assert cli.run(["find", "--bench", str(bench), "--json"]) == 4
    told = json.loads(capsys.readouterr().out)
    assert (told["state"], told["words"]) == ("wrong", "fs9922 does not know this model; es51986 does.")


def test_a_bench_file_is_tried_instrument_by_instrument(addresses: Mapping[str, str], tmp_path: Path, capsys) -> None:
    """One that is missing makes exit code 4 and hides none of the others."""
    bench = tmp_path / "bench.toml"
    bench.write_text(
        f'mains = "50 Hz"\n[instrument.scope]\ndriver = "scope-curve"\naddress = "{addresses["scope"]}"\n'
        '[instrument.lost]\ndriver = "fs9721"\naddress = "serial:///dev/no-such-port"\n'
    )
    assert cli.run(["find", "--bench", str(bench), "--json"]) == 4
    rows = {row["name"]: row for row in map(json.loads, capsys.readouterr().out.splitlines())}
    assert rows["scope"]["identity"]["model"] == "TDS 2024B"
    assert rows["lost"]["cure"]


def test_a_model_that_only_another_driver_knows_is_named(addresses: Mapping[str, str], tmp_path: Path, capsys) -> None:
    """Two addresses put the wrong way round in a bench file: who answers is asked who knows it."""
    bench = tmp_path / "bench.toml"
    bench.write_text(f'mains = "50 Hz"\n[instrument.meter]\ndriver = "meter-scpi"\naddress = "{addresses["scope"]}"\n')
    assert cli.run(["find", "--bench", str(bench), "--json"]) == 4  # a scope is no meter
    told = json.loads(capsys.readouterr().out)
    assert told["words"] == "meter-scpi does not know this model; scope-curve does."


def test_a_driver_is_tried_with_a_table(addresses: Mapping[str, str], capsys) -> None:
    """What works, what was refused, and the wire dialogue of what was refused."""
    assert cli.run(["find", "--try", addresses["meter"], "--driver", "prompt", "--json"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert rows[0]["what"] == "says who it is"
    assert {row["outcome"] for row in rows} == {"works", "refused"}
    assert rows[-1]["what"] == "hands the panel back"


def test_the_wrong_driver_shows_what_went_over_the_wire(addresses: Mapping[str, str], capsys) -> None:
    """A scope driver of another family: refused, with the question and the answer beside it."""
    assert cli.run(["find", "--try", addresses["scope"], "--driver", "scope-descriptor", "--json"]) in (0, 4)
    first = json.loads(capsys.readouterr().out.splitlines()[0])
    assert first["outcome"] == "refused"
    assert "*IDN?" in first["dialogue"]
    assert "TDS 2024B" in first["dialogue"]


def test_another_instrument_at_an_address_is_not_said_to_be_silent(
    addresses: Mapping[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A meter where the bench file names a scope: it spoke, and who it is stands in the words."""
    bench = tmp_path / "bench.toml"
    bench.write_text(
        f'mains = "50 Hz"\n[instrument.scope]\ndriver = "scope-tenfield"\naddress = "{addresses["meter"]}"\n'
    )
    assert cli.run(["find", "--bench", str(bench), "--json"]) == 4
    told = json.loads(capsys.readouterr().out)
    assert told["state"] == "wrong"
    assert told["identity"]["model"] == "45"
    assert told["words"] == "scope-tenfield does not know this model; prompt does."
    assert "Correct the driver or the address" in told["cure"]
