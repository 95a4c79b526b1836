"""Frames worked out from the published tables and checked with independent decoders; one table for every test.

A row: the frame, what the display shows, the value in SI base units (or %), its unit, its flags, and who agrees.
Letters name the decoders: S libsigrok, D digital-multimeter, U fs9721-utils, P pydmm, T ut61e, V es51922-viewer, X
ut61e_py, J dmm_serial's FS9922 module, R the Rust crate es51986, M voltcraft-m3850-python, E digital-multimeter's
EDI9604 class.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.readings import Flag


@dataclass(frozen=True, slots=True)
class Case:
    """One legal frame and its reading."""

    frame: bytes
    display: str
    value: float | None
    unit: str
    flags: Flag
    agreed: str


def _row(hexed: str, display: str, value: float | None, unit: str, flags: str, agreed: str) -> Case:
    found = Flag.NONE
    for name in flags.split():
        found |= Flag[name.upper()]
    return Case(bytes.fromhex(hexed), display, value, unit, found, agreed)


GOOD: dict[str, list[Case]] = {
    "fs9721": [
        _row("17 20 35 45 5B 61 7F 8A 97 A0 B0 C0 D4 E0", "123.4 V", 123.4, "V", "autorange dc", "SDUP"),
        _row("19 25 3B 41 5F 67 7D 88 95 A0 B0 C0 D4 E0", "230.1 V", 230.1, "V", "ac", "SDUP"),
        _row("13 20 30 47 5D 6E 78 80 90 A0 B2 C4 D0 E0", "0.L Mohm", None, "ohm", "autorange overload", "SDU"),
        _row("13 21 3F 41 55 68 75 85 9B A4 B0 C8 D0 E0", "37.12 nF", 3.712e-08, "F", "autorange", "SDUP"),
        _row("13 20 30 42 57 63 7F 8F 9F A0 B4 C0 D0 E0", "49.8 %", 49.8, "%", "autorange", "DU"),
        _row("1B 20 35 45 5B 69 7F 82 97 A0 B8 C1 D8 E0", "12.34 mA", 0.01234, "A", "ac autorange hold", "SDUP"),
        _row("15 27 3D 4B 5E 63 7F 87 9F A1 B0 C0 D4 E0", "0.598 V", 0.598, "V", "dc diode", "SDUP"),
        _row("15 2F 3D 4F 5D 60 75 85 9B A0 B0 C2 D4 E0", "-0.012 V", -0.012, "V", "dc relative", "SDUP"),
        _row("17 21 3F 4F 5E 61 75 87 9F A0 B0 C1 D4 E0", "3.678 V", 3.678, "V", "autorange dc hold", "SDUP"),
        _row("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0", "12.34 V", 12.34, "V", "autorange dc", "SDUP"),
        _row("17 28 35 43 5F 6B 7F 87 9F A0 B0 C0 D5 E0", "-19.98 V", -19.98, "V", "autorange dc low_battery", "SDUP"),
        _row("13 20 35 41 55 6F 7E 85 9B A2 B0 C0 D2 E0", "17.62 kHz", 17620.0, "Hz", "autorange", "SDUP"),
    ],
    "fs9922": [
        _row("2B 31 32 33 34 20 32 31 00 00 80 0C 0D 0A", "12.34 V", 12.34, "V", "autorange dc", "SEJ"),
        _row("2B 32 33 30 34 20 34 09 00 00 80 17 0D 0A", "230.4 V", 230.4, "V", "ac", "SJ"),
        _row("2B 31 32 33 34 20 34 31 00 40 80 01 0D 0A", "123.4 mV", 0.1234, "V", "autorange dc", "SJ"),
        _row("2B 31 30 30 30 20 31 21 08 20 20 0A 0D 0A", "1.000 kohm", 1000.0, "ohm", "autorange", "SEJ"),
        _row("2B 35 30 30 30 20 32 20 00 00 08 00 0D 0A", "50.00 Hz", 50.0, "Hz", "autorange", "SEJ"),
        _row("2B 31 32 33 34 20 34 31 00 80 40 0C 0D 0A", "123.4 uA", 0.0001234, "A", "autorange dc", "SJ"),
        _row("2B 30 36 31 32 20 31 11 00 04 80 06 0D 0A", "0.612 V", 0.612, "V", "dc diode", "SEJ"),
        _row("2B 30 32 33 35 20 34 00 00 00 02 00 0D 0A", "023.5 C", 23.5, "degC", "", "SJ"),
        _row("2B 35 30 30 30 20 31 13 00 00 80 32 0D 0A", "5.000 V", 5.0, "V", "dc hold", "SEJ"),
        _row("2B 34 31 32 33 20 31 10 10 00 80 00 0D 0A", "4.123 V", 4.123, "V", "dc minmax", "SEJ"),
        _row("2D 30 30 31 35 20 31 31 04 00 80 00 0D 0A", "-0.015 V", -0.015, "V", "autorange dc low_battery", "SE"),
        _row("2D 3F 30 3A 3F 20 31 11 00 00 80 BD 0D 0A", "-0.L V", None, "V", "dc overload", "SE"),
    ],
    "es51922": [
        _row("30 31 32 33 34 35 3B 30 30 30 3A 30 0D 0A", "1.2345 V", 1.2345, "V", "autorange dc", "STVX"),
        _row("33 30 32 33 30 31 3B 30 30 30 34 30 0D 0A", "0230.1 V", 230.1, "V", "ac", "STVX"),
        _row("34 31 32 33 34 35 3B 34 30 30 38 30 0D 0A", "-123.45 mV", -0.12345, "V", "dc", "STVX"),
        _row("36 32 32 35 38 30 33 31 30 30 32 30 0D 0A", "OL Mohm", None, "ohm", "autorange overload", "STVX"),
        _row("30 30 39 39 38 37 33 30 32 30 30 30 0D 0A", "099.87 ohm", 99.87, "ohm", "relative", "STVX"),
        _row("30 30 34 37 31 33 36 30 30 30 32 30 0D 0A", "04.713 nF", 4.713e-09, "F", "autorange", "STVX"),
        _row("30 30 35 30 30 30 32 30 30 30 32 30 0D 0A", "050.00 Hz", 50.0, "Hz", "autorange", "STX"),
        _row("31 30 30 35 30 30 3B 30 30 30 37 30 0D 0A", "0050.0 Hz", 50.0, "Hz", "ac autorange", "STVX"),
        _row("30 30 30 30 30 30 32 38 30 38 30 30 0D 0A", "UL %", None, "%", "underload", "STVX"),
        _row("31 31 32 33 34 35 3D 30 30 30 34 30 0D 0A", "1234.5 uA", 0.0012345, "A", "ac", "STVX"),
        _row("30 30 39 38 37 36 30 32 30 30 38 30 0D 0A", "09.876 A", 9.876, "A", "dc low_battery", "STVX"),
        _row("30 30 31 32 33 34 35 30 30 30 30 30 0D 0A", "012.34 ohm", 12.34, "ohm", "continuity", "STVX"),
        _row("32 30 30 31 32 33 3B 34 32 30 38 32 0D 0A", "-001.23 V", -1.23, "V", "dc hold relative", "STVX"),
    ],
    "es51986": [
        _row("30 31 32 33 34 3B 38 30 3A 0D 0A", "1.234 V", 1.234, "V", "autorange dc", "SR"),
        _row("32 32 33 30 31 3B 30 30 34 0D 0A", "230.1 V", 230.1, "V", "ac", "SR"),
        _row("34 31 32 33 34 3B 34 30 38 0D 0A", "-123.4 mV", -0.1234, "V", "dc", "SR"),
        _row("35 36 30 30 30 33 31 30 32 0D 0A", "OL Mohm", None, "ohm", "autorange overload", "SR"),
        _row("30 30 39 39 38 33 30 30 30 0D 0A", "099.8 ohm", 99.8, "ohm", "", "SR"),
        _row("30 31 30 30 33 36 38 30 32 0D 0A", "1.003 nF", 1.003e-09, "F", "autorange", "SR"),
        _row("30 30 30 35 30 32 30 30 32 0D 0A", "0.050 kHz", 50.0, "Hz", "autorange", "SR"),
        _row("30 31 32 33 34 3D 30 30 3A 0D 0A", "123.4 uA", 0.0001234, "A", "autorange dc", "SR"),
        _row("31 31 32 33 34 3F 30 38 38 0D 0A", "123.4 mA", 0.1234, "A", "dc hold", "SR"),
        _row("31 30 39 38 37 30 32 30 38 0D 0A", "09.87 A", 9.87, "A", "dc low_battery", "SR"),
        _row("30 30 31 32 33 35 30 30 30 0D 0A", "012.3 ohm", 12.3, "ohm", "continuity", "S"),
        _row("31 30 34 39 38 3B 30 32 38 0D 0A", "04.98 V", 4.98, "V", "dc minmax", "SR"),
    ],
    "polled14": [
        _row("44 43 20 20 33 2E 39 39 39 20 20 20 56 0D", "3.999 V", 3.999, "V", "dc", "SM"),
        _row("41 43 20 20 32 33 30 2E 31 20 20 20 56 0D", "230.1 V", 230.1, "V", "ac", "SM"),
        _row("44 43 2D 31 2E 32 33 34 35 20 20 20 56 0D", "-1.2345 V", -1.2345, "V", "dc", "S"),
        _row("4F 48 20 20 20 2E 4F 4C 20 4D 4F 68 6D 0D", "OL Mohm", None, "ohm", "overload", "SM"),
        _row("4F 48 20 20 20 4F 2E 4C 20 4B 4F 68 6D 0D", "OL kohm", None, "ohm", "overload", "SM"),
        _row("44 49 20 20 20 20 4F 4C 20 20 20 6D 56 0D", "OL mV", None, "V", "diode overload", "SM"),
        _row("43 41 20 20 31 30 2E 30 32 20 20 75 46 0D", "10.02 uF", 1.002e-05, "F", "", "SM"),
        _row("54 45 20 20 20 30 30 32 33 20 20 20 43 0D", "0023 C", 23.0, "degC", "", "SM"),
        _row("44 43 20 30 2E 30 30 30 30 20 20 20 56 0D", "0.0000 V", 0.0, "V", "dc", "SM"),
        _row("44 43 20 20 39 2E 38 37 36 20 20 20 41 0D", "9.876 A", 9.876, "A", "dc", "SM"),
        _row("44 43 20 20 31 32 33 2E 34 20 20 75 41 0D", "123.4 uA", 0.0001234, "A", "dc", "SM"),
    ],
}  # fmt: skip

# Frames that look almost right, and what is wrong with them.
REFUSED: dict[str, list[tuple[bytes, str]]] = {
    "fs9721": [
        (bytes.fromhex("17 20 35 45 5B 7F 69 82 97 A0 B0 C0 D4 E0"), "sync nibbles out of order"),
        (bytes.fromhex("17 20 35 45 5B 69 7F 82 97 A2 B2 C0 D4 E0"), "two multipliers lit"),
    ],
    "fs9922": [
        (bytes.fromhex("20 31 32 33 34 20 32 31 00 00 80 0C 0D 0A"), "sign byte is neither + nor -"),
        (bytes.fromhex("2B 31 32 33 34 20 32 31 00 00 C0 0C 0D 0A"), "two units lit"),
    ],
    "es51922": [
        (bytes.fromhex("30 31 32 3A 34 35 3B 30 30 30 3A 30 0D 0A"), "digit code above 9"),
        (bytes.fromhex("30 31 32 33 34 35 3B 30 30 30 3A 30 30 0A"), "CR missing"),
    ],
    "es51986": [
        (bytes.fromhex("38 31 32 33 34 3B 30 30 3A 0D 0A"), "range code above 7"),
        (bytes.fromhex("30 31 32 33 34 3B 30 30 3E 0D 0A"), "AC and DC both set"),
    ],
    "polled14": [
        (bytes.fromhex("43 20 20 33 2E 39 39 39 20 20 20 56 0D 44"), "window shifted by one character"),
    ],
}  # fmt: skip
