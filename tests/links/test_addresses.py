"""An address is known by its form, or refused with the forms there are."""

from __future__ import annotations

import pytest

from benchrig.errors import FileError
from benchrig.links import LineSettings
from benchrig.links.addresses import (
    FORMS,
    SerialAddress,
    SimAddress,
    SocketAddress,
    VisaSerialAddress,
    parse_address,
)


@pytest.mark.parametrize(
    ("text", "kind", "where"),
    [
        ("TCPIP::192.168.1.20::5025::SOCKET", SocketAddress, ("192.168.1.20", 5025)),
        ("TCPIP0::scope.lan::5555::socket", SocketAddress, ("scope.lan", 5555)),
        ("ASRL/dev/ttyS0::INSTR", VisaSerialAddress, "/dev/ttyS0"),
        ("ASRL/dev/pts/7::INSTR", VisaSerialAddress, "/dev/pts/7"),
        ("ASRL/dev/ttyUSB0", VisaSerialAddress, "/dev/ttyUSB0"),  # VPP-4.3 table 4.3.1: ::INSTR may be left out
        ("serial:///dev/ttyUSB0", SerialAddress, "/dev/ttyUSB0"),
        (
            "serial:///dev/serial/by-id/usb-A_B-if00?baud=2400&dtr=1&rts=0",
            SerialAddress,
            "/dev/serial/by-id/usb-A_B-if00",
        ),
        ("sim://meter", SimAddress, "meter"),
    ],
)
def test_each_form_is_told_apart(text: str, kind: type, where: object) -> None:
    found = parse_address(text)
    assert isinstance(found, kind)
    match found:
        case SocketAddress():
            assert (found.host, found.port) == where
        case SimAddress():
            assert found.name == where
        case SerialAddress() | VisaSerialAddress():
            assert found.port == where


def test_a_serial_address_overrides_what_the_driver_finds_usual() -> None:
    address = parse_address("serial:///dev/ttyUSB0?baud=19200&data=7&parity=o&stop=2&dtr=1&rts=0&flow=xonxoff")
    assert isinstance(address, SerialAddress)
    assert address.line(LineSettings()) == LineSettings(19200, 7, "O", 2.0, True, False, "xonxoff")
    assert parse_address("serial:///dev/a").line(LineSettings(2400, dtr=True)) == LineSettings(2400, dtr=True)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "text", ["", "meter", "GPIB::1::INSTR", "TCPIP::host::SOCKET", "tcp://host:5025", "sim://", "serial://"]
)
def test_an_unknown_form_is_refused_with_the_known_ones(text: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_address(text)
    assert caught.value.exit_code == 2
    assert all(form in str(caught.value) for form in FORMS)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("192.168.1.20", "TCPIP::192.168.1.20::5025::SOCKET"),
        ("192.168.1.20:5555", "Write TCPIP::192.168.1.20::5555::SOCKET."),
        ("tcp://scope.lan:5025", "Write TCPIP::scope.lan::5025::SOCKET."),
        ("socket://10.0.0.7:4001", "Write TCPIP::10.0.0.7::4001::SOCKET."),
        ("TCPIP0::10.0.0.7::5025", "Write TCPIP::10.0.0.7::5025::SOCKET."),
        ("TCPIP::10.0.0.7::SOCKET", "The port is missing. Use the instrument's raw socket, TCPIP::10.0.0.7::5025"),
        ("TCPIP::10.0.0.7::nonsense::INSTR", "TCPIP::10.0.0.7::5025::SOCKET"),
        ("USB0::0x0957::0x17A6::MY51::INSTR", "USB-TMC and GPIB are not spoken here"),
        ("GPIB0::22::INSTR", "serial port"),
        ("TCPIP::[fe80::1]::5025::SOCKET", "IPv6 is not spoken here"),
        ("TCPIP::fe80::1::5025::SOCKET", "IPv6 is not spoken here"),
        ("TCPIP::2001:db8::7::5025::SOCKET", "IPv6 is not spoken here"),
        ("/dev/ttyUSB0", "Write serial:///dev/ttyUSB0."),
        ("serial:/dev/ttyUSB0", "Write serial:///dev/ttyUSB0."),
        ("serial://dev/ttyUSB0", "Write serial:///dev/ttyUSB0."),
        ("serial://ttyACM1", "Write serial:///dev/ttyACM1."),
        ("COM3", "by its path"),
        ("ASRL3::INSTR", "by its path"),
        ("/dev/hidraw0", "no serial port"),
        (" TCPIP::10.0.0.7::5025::SOCKET", "Leave out the blanks."),
    ],
)
def test_what_was_probably_meant_is_said(text: str, words: str) -> None:
    """Forms that other programs take: each is answered with what to write here."""
    with pytest.raises(FileError) as caught:
        parse_address(text)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("TCPIP::host::70000::SOCKET", "70000 is not a port number"),
        ("TCPIP::host::0::SOCKET", "0 is not a port number"),
        ("serial:///dev/a?speed=9600", "'speed' is not a serial setting"),
        ("serial:///dev/a?baud=fast", "'fast' is not a baud rate"),
        ("serial:///dev/a?baud=", "'' is not a baud rate"),
        ("serial:///dev/a?parity=X", "parity"),
        ("serial:///dev/a?dtr=on", "dtr"),
        ("serial:///dev/a?stop=3", "stop"),
        ("serial:///dev/a?data=9", "data"),
        ("serial:///dev/a?flow=some", "flow"),
    ],
)
def test_a_wrong_part_is_named(text: str, words: str) -> None:
    with pytest.raises(FileError, match=words):
        parse_address(text)
