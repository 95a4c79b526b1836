"""Worked frames: a display, and the bytes that a meter showing it sends.

Every row was derived from the tables of the chip's data sheet or of the published decoders and then read back by at
least one independent decoder: libsigrok's parsers compiled alone (all rows), and besides, where named below, the PyPI
packages digital-multimeter 0.5.3, fs9721-utils 0.0.3, pydmm 0.4.6, ut61e 1.0.2, es51922-viewer 0.1.1.
"""

from benchrig.sim_instruments.serial_panel import SerialPanel

# FS9721: libsigrok, digital-multimeter, fs9721-utils, pydmm (the last fails on the row with a blank first digit).
FS9721 = (
    (SerialPanel(1234, 1, "", "V", auto=True, dc=True), "17 20 35 45 5B 61 7F 8A 97 A0 B0 C0 D4 E0"),
    (SerialPanel(2301, 1, "", "V", ac=True), "19 25 3B 41 5F 67 7D 88 95 A0 B0 C0 D4 E0"),
    (SerialPanel(0, 2, "M", "ohm", auto=True, overload=True), "13 20 30 47 5D 6E 78 80 90 A0 B2 C4 D0 E0"),
    (SerialPanel(3712, 2, "n", "F", auto=True), "13 21 3F 41 55 68 75 85 9B A4 B0 C8 D0 E0"),
    (SerialPanel(498, 1, "", "%", auto=True, blank=True), "13 20 30 42 57 63 7F 8F 9F A0 B4 C0 D0 E0"),
    (SerialPanel(1234, 2, "m", "A", ac=True, auto=True, hold=True), "1B 20 35 45 5B 69 7F 82 97 A0 B8 C1 D8 E0"),
    (SerialPanel(598, 3, "", "V", dc=True, diode=True), "15 27 3D 4B 5E 63 7F 87 9F A1 B0 C0 D4 E0"),
    (SerialPanel(12, 3, "", "V", minus=True, dc=True, relative=True), "15 2F 3D 4F 5D 60 75 85 9B A0 B0 C2 D4 E0"),
    (SerialPanel(3678, 3, "", "V", auto=True, dc=True, hold=True), "17 21 3F 4F 5E 61 75 87 9F A0 B0 C1 D4 E0"),
    (SerialPanel(1234, 2, "", "V", auto=True, dc=True), "17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0"),
    (
        SerialPanel(1998, 2, "", "V", minus=True, auto=True, dc=True, low_battery=True),
        "17 28 35 43 5F 6B 7F 87 9F A0 B0 C0 D5 E0",
    ),
    (SerialPanel(1762, 2, "k", "Hz", auto=True), "13 20 35 41 55 6F 7E 85 9B A2 B0 C0 D2 E0"),
)

# FS9922: libsigrok; most rows also digital-multimeter's class for this chip, wrong itself for points 0 and 4.
FS9922 = (
    (SerialPanel(1234, 2, "", "V", auto=True, dc=True, bar=12), "2B 31 32 33 34 20 32 31 00 00 80 0C 0D 0A"),
    (SerialPanel(2304, 1, "", "V", ac=True, bar=23), "2B 32 33 30 34 20 34 09 00 00 80 17 0D 0A"),
    (SerialPanel(1234, 1, "m", "V", auto=True, dc=True, bar=1), "2B 31 32 33 34 20 34 31 00 40 80 01 0D 0A"),
    (
        SerialPanel(1000, 3, "k", "ohm", auto=True, power_off_armed=True, bar=10),
        "2B 31 30 30 30 20 31 21 08 20 20 0A 0D 0A",
    ),
    (SerialPanel(5000, 2, "", "Hz", auto=True), "2B 35 30 30 30 20 32 20 00 00 08 00 0D 0A"),
    (SerialPanel(1234, 1, "u", "A", auto=True, dc=True, bar=12), "2B 31 32 33 34 20 34 31 00 80 40 0C 0D 0A"),
    (SerialPanel(612, 3, "", "V", dc=True, diode=True, bar=6), "2B 30 36 31 32 20 31 11 00 04 80 06 0D 0A"),
    (SerialPanel(235, 1, "", "degC"), "2B 30 32 33 35 20 34 00 00 00 02 00 0D 0A"),
    (SerialPanel(5000, 3, "", "V", dc=True, hold=True, bar=50), "2B 35 30 30 30 20 31 13 00 00 80 32 0D 0A"),
    (SerialPanel(4123, 3, "", "V", dc=True, minimum=True), "2B 34 31 32 33 20 31 10 10 00 80 00 0D 0A"),
    (
        SerialPanel(0, 3, "", "V", minus=True, dc=True, overload=True, bar=61),
        "2D 3F 30 3A 3F 20 31 11 00 00 80 BD 0D 0A",
    ),
)

# ES51922: libsigrok, ut61e; most rows also es51922-viewer and a second UT61E script.
ES51922 = (
    (SerialPanel(12345, 4, "", "V", auto=True, dc=True), "30 31 32 33 34 35 3B 30 30 30 3A 30 0D 0A"),
    (SerialPanel(2301, 1, "", "V", ac=True), "33 30 32 33 30 31 3B 30 30 30 34 30 0D 0A"),
    (SerialPanel(12345, 2, "m", "V", minus=True, dc=True), "34 31 32 33 34 35 3B 34 30 30 38 30 0D 0A"),
    (SerialPanel(0, 2, "M", "ohm", auto=True, overload=True), "36 32 32 35 38 30 33 31 30 30 32 30 0D 0A"),
    (SerialPanel(9987, 2, "", "ohm", relative=True), "30 30 39 39 38 37 33 30 32 30 30 30 0D 0A"),
    (SerialPanel(4713, 3, "n", "F", auto=True), "30 30 34 37 31 33 36 30 30 30 32 30 0D 0A"),
    (SerialPanel(5000, 2, "", "Hz", auto=True), "30 30 35 30 30 30 32 30 30 30 32 30 0D 0A"),
    (SerialPanel(500, 1, "", "Hz", ac=True, auto=True, on_volts=True), "31 30 30 35 30 30 3B 30 30 30 37 30 0D 0A"),
    (SerialPanel(0, 1, "", "%", underload=True), "30 30 30 30 30 30 32 38 30 38 30 30 0D 0A"),
    (SerialPanel(12345, 1, "u", "A", ac=True), "31 31 32 33 34 35 3D 30 30 30 34 30 0D 0A"),
    (SerialPanel(9876, 3, "", "A", dc=True, low_battery=True), "30 30 39 38 37 36 30 32 30 30 38 30 0D 0A"),
    (SerialPanel(1234, 2, "", "ohm", beeper=True), "30 30 31 32 33 34 35 30 30 30 30 30 0D 0A"),
    (
        SerialPanel(123, 2, "", "V", minus=True, dc=True, hold=True, relative=True),
        "32 30 30 31 32 33 3B 34 32 30 38 32 0D 0A",
    ),
)

# ES51986: libsigrok; nearly all also the unit tests of a published Rust decoder, made of captured frames.
ES51986 = (
    (SerialPanel(1234, 3, "", "V", auto=True, dc=True, judge=True), "30 31 32 33 34 3B 38 30 3A 0D 0A"),
    (SerialPanel(2301, 1, "", "V", ac=True), "32 32 33 30 31 3B 30 30 34 0D 0A"),
    (SerialPanel(1234, 1, "m", "V", minus=True, dc=True), "34 31 32 33 34 3B 34 30 38 0D 0A"),
    (SerialPanel(0, 2, "M", "ohm", auto=True, overload=True), "35 36 30 30 30 33 31 30 32 0D 0A"),
    (SerialPanel(998, 1, "", "ohm"), "30 30 39 39 38 33 30 30 30 0D 0A"),
    (SerialPanel(1003, 3, "n", "F", auto=True, judge=True), "30 31 30 30 33 36 38 30 32 0D 0A"),
    (SerialPanel(50, 3, "k", "Hz", auto=True), "30 30 30 35 30 32 30 30 32 0D 0A"),
    (SerialPanel(1234, 1, "u", "A", auto=True, dc=True), "30 31 32 33 34 3D 30 30 3A 0D 0A"),
    (SerialPanel(1234, 1, "m", "A", dc=True, hold=True), "31 31 32 33 34 3F 30 38 38 0D 0A"),
    (SerialPanel(987, 2, "", "A", dc=True, low_battery=True), "31 30 39 38 37 30 32 30 38 0D 0A"),
    (SerialPanel(123, 1, "", "ohm", beeper=True), "30 30 31 32 33 35 30 30 30 0D 0A"),
    (SerialPanel(498, 2, "", "V", dc=True, minimum=True), "31 30 34 39 38 3B 30 32 38 0D 0A"),
)

# Polled, 14 characters: libsigrok and a published Voltcraft reader (which loses the minus of the third row).
POLLED = (
    (SerialPanel(3999, 3, "", "V", dc=True), "44 43 20 20 33 2E 39 39 39 20 20 20 56 0D"),
    (SerialPanel(2301, 1, "", "V", ac=True), "41 43 20 20 32 33 30 2E 31 20 20 20 56 0D"),
    (SerialPanel(12345, 4, "", "V", dc=True, minus=True), "44 43 2D 31 2E 32 33 34 35 20 20 20 56 0D"),
    (SerialPanel(0, 3, "M", "ohm", overload=True), "4F 48 20 20 20 2E 4F 4C 20 4D 4F 68 6D 0D"),
    (SerialPanel(0, 2, "k", "ohm", overload=True), "4F 48 20 20 20 4F 2E 4C 20 4B 4F 68 6D 0D"),
    (SerialPanel(0, 0, "m", "V", diode=True, overload=True), "44 49 20 20 20 20 4F 4C 20 20 20 6D 56 0D"),
    (SerialPanel(1002, 2, "u", "F"), "43 41 20 20 31 30 2E 30 32 20 20 75 46 0D"),
    (SerialPanel(23, 0, "", "degC"), "54 45 20 20 20 30 30 32 33 20 20 20 43 0D"),
    (SerialPanel(0, 4, "", "V", dc=True), "44 43 20 30 2E 30 30 30 30 20 20 20 56 0D"),
    (SerialPanel(9876, 3, "", "A", dc=True), "44 43 20 20 39 2E 38 37 36 20 20 20 41 0D"),
    (SerialPanel(1234, 1, "u", "A", dc=True), "44 43 20 20 31 32 33 2E 34 20 20 75 41 0D"),
)
