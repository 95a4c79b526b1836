"""Headers, paths and parameters as SCPI-1999 volume 1 (chapters 6, 7) and IEEE 488.2 (chapter 7) have them."""

from collections.abc import Iterable

import pytest
from bench_talk import Host
from benchrig.sim_instruments.scpi import ScpiInstrument
from benchrig.sim_instruments.scpi_errors import ScpiError
from benchrig.sim_instruments.scpi_lexer import parse_unit, split
from benchrig.sim_instruments.scpi_settings import choice, numeric, switch
from benchrig.sim_instruments.scpi_tree import Call, ScpiCommand
from benchrig.sim_instruments.scpi_values import (
    Numeric,
    block,
    boolean,
    number,
    short,
    string,
)
from hypothesis import given
from hypothesis import strategies as st

from benchrig.clock import SimClock


def block_content(text: str) -> bytes:
    """The bytes of a definite block (IEEE 488.2, 8.7.9), taken apart here a second time."""
    digits = int(text[1])
    length, body = text[2 : 2 + digits], text[2 + digits :].encode("latin-1")
    assert (text[0], int(length)) == ("#", len(body))
    return body


class Sample(ScpiInstrument):
    """An instrument with one command of every shape."""

    def __init__(self, clock: SimClock) -> None:
        self.volts, self.amps, self.guard, self.kind = 1.0, 2.0, False, "POS"
        self.rates = {1: 0.0, 2: 0.0, 3: 0.0}
        self.loaded = b""
        super().__init__(clock, ("A", "B", "0", "1"))

    def commands(self) -> Iterable[ScpiCommand]:
        me = lambda call: self  # noqa: E731
        yield from self.error_commands()
        yield from numeric("[SOURce:]VOLTage[:LEVel]", Numeric(0, 30, 5, "V"), me, "volts", "{:g}".format)
        yield from numeric("[SOURce:]CURRent[:LEVel]", Numeric(0, 3, 1, "A"), me, "amps", "{:g}".format)
        yield from switch("[SOURce:]CURRent:PROTection:STATe", me, "guard")
        yield from choice("TRIGger:SLOPe", ("POSitive", "NEGative"), me, "kind")
        yield ScpiCommand("CHANnel{1-3}:RATE", self._rate, 1, 1)
        yield ScpiCommand("CHANnel{1-3}:RATE?", lambda c: f"{self.rates[c.channel]:g}")
        yield ScpiCommand("LOAD", self._load, 1, 1, block=True)
        yield ScpiCommand("TEXT?", lambda c: f'"{string(c.args[0])}"', 1, 1)

    def _rate(self, call: Call) -> None:
        self.rates[call.channel] = Numeric(0, 1e9, 0, "HZ").read(call.args[0])

    def _load(self, call: Call) -> None:
        self.loaded = block_content(call.args[0])


@pytest.fixture
def host() -> Host:
    clock = SimClock(10.0)
    return Host(Sample(clock), clock)


@pytest.mark.parametrize("header", ["VOLT?", "volt?", "VOLTage?", "SOUR:VOLT?", ":SOURce:VOLTage:LEVel?", "VOLT:LEV?"])
def test_long_short_and_left_out_words_are_one_command(host: Host, header: str) -> None:
    """SCPI-1999 6.2.1 and 6.2.5.1: long or short form, any letter case, bracketed nodes optional."""
    assert host.ask(header) == "1"
    assert host.errors() == []


@pytest.mark.parametrize("header", ["VOLTA?", "VOL?", "VOLTAG?", "SOURC:VOLT?", "VOLT:LEVE?", "CURR:PROT:STA?"])
def test_no_spelling_between_long_and_short_is_legal(host: Host, header: str) -> None:
    """SCPI-1999 6.2.1: "A SCPI instrument shall accept only the exact short and the exact long forms"."""
    assert host.ask(header) == ""
    assert host.errors() == [-113]


def test_a_unit_without_colon_starts_where_the_last_path_ended(host: Host) -> None:
    """SCPI-1999 6.2.4, its own example: CURR:LEV 3;PROT:STAT ON means CURR:PROT:STAT."""
    assert host.ask("CURR:LEV 3;PROT:STAT ON;STAT?") == "1"
    assert host.ask("CURR?") == "3"


def test_a_common_command_leaves_the_path_alone(host: Host) -> None:
    """SCPI-1999 6.2.4: common commands between two units do not move the path."""
    assert host.ask("CURR:PROT:STAT ON;*CLS;STAT?") == "1"


def test_a_leading_colon_and_a_new_message_go_back_to_the_root(host: Host) -> None:
    assert host.ask("CURR:PROT:STAT?;:VOLT?") == "0;1"
    host.send("CURR:PROT:STAT ON")
    host.send("STAT?")
    assert host.errors() == [-113]


def test_several_queries_are_answered_in_one_line(host: Host) -> None:
    """IEEE 488.2 8.4: response units parted by ;."""
    assert host.ask("VOLT?;CURR?;:TRIG:SLOP?;*ESE?") == "1;2;POS;0"


def test_the_rest_of_a_message_is_dropped_after_a_command_error_only(host: Host) -> None:
    """Common practice on -1xx; an execution error (-2xx) lets the message go on."""
    assert host.ask("VOLT?;BOGUS;CURR?") == "1"
    assert host.ask("VOLT 99;CURR?") == "2"
    assert host.errors() == [-113, -222]


@pytest.mark.parametrize(
    ("header", "rate"), [("CHAN:RATE", 1), ("CHAN1:RATE", 1), ("CHANnel3:RATE", 3), ("chan2:rate", 2)]
)
def test_a_numeric_suffix_belongs_to_its_word_and_defaults_to_1(host: Host, header: str, rate: int) -> None:
    """SCPI-1999 6.2.5.2."""
    host.send(f"{header} 7")
    assert host.ask(f"CHAN{rate}:RATE?") == "7"


@pytest.mark.parametrize("text", ["CHAN4:RATE?", "CHAN0:RATE?", "VOLT2?", "CHAN99999999:RATE?"])
def test_a_suffix_out_of_range_is_its_own_error(host: Host, text: str) -> None:
    """SCPI-1999 21.8.7: -114."""
    host.send(text)
    assert host.errors() == [-114]


@pytest.mark.parametrize(
    ("sent", "error"),
    [
        ("VOLT", -109), ("VOLT 1,", -102), ("VOLT 1,2", -108), ("*RST 1", -108), ("VOLT? MAX,MIN", -108),
        ("VOLT,1", -111),
        ("ABCDEFGHIJKLM", -112), ("VOLT 1.2.3", -121), ("VOLT 1E99999", -123), ("VOLT " + "1" * 300, -124),
        ("VOLT 1HZ", -131), ("VOLT 'a'", -158), ("VOLT (@1)", -178), ("VOLT ABC", -141), ("VOLT 31", -222),
        ("VOLT -1", -222), ("VOLT INF", -222), ("TRIG:SLOP UP", -224), ("TRIG:SLOP 1", -128), ("TRIG:SLOP 'POS'", -158),
        ("CURR:PROT:STAT MAYBE", -224), ("@", -101), ("\xb5", -101), ("1VOLT", -102), ("*FOO", -113), ("VOLT #Z", -120),
        ("TEXT? abc", -104), ("TEXT? 'abc", -151), ("VOLT 5 ABCDEFGHIJKLMN", -134),
    ],
)  # fmt: skip
def test_each_mistake_has_its_number(host: Host, sent: str, error: int) -> None:
    """SCPI-1999 volume 2, 21.8."""
    host.send(sent.encode("latin-1") + b"\n")
    assert host.errors() == [error]


@pytest.mark.parametrize(
    ("sent", "volts"),
    [
        ("5", 5), ("+5.", 5), (".5E1", 5), ("5000 MV", 5), ("5000mv", 5), ("0.005KV", 5), ("5000000 UV", 5), ("5V", 5),
        ("0.000005 MAV", 5), ("5000M", 5), ("MIN", 0), ("MAXimum", 30), ("DEF", 5), ("#H10", 16), ("#B101", 5),
        ("#Q17", 15), ("5 e 0", 5), ("500E-2", 5),
    ],
)  # fmt: skip
def test_every_number_form_and_multiplier_is_read(host: Host, sent: str, volts: float) -> None:
    """IEEE 488.2 7.7.2 to 7.7.4, SCPI-1999 7.2: M is milli, MA is mega."""
    host.send(f"VOLT {sent}")
    assert float(host.ask("VOLT?")) == pytest.approx(volts, rel=1e-12)
    assert host.errors() == []


def test_m_is_mega_before_hertz_and_ohm_and_milli_elsewhere() -> None:
    """IEEE 488.2 7.7.3.3: the two exceptions."""
    assert number("5 MHZ", "HZ") == 5e6
    assert number("5 MOHM", "OHM") == 5e6
    assert number("5 MV", "V") == 5e-3
    assert number("5 MA", "A") == pytest.approx(5e-3)
    assert number("5 MAHZ", "HZ") == 5e6


def test_limits_can_be_asked_for(host: Host) -> None:
    """SCPI-1999 7.2.1.2."""
    assert host.ask("VOLT:LEV? MIN;LEV? MAX;LEV? DEF") == "0;30;5"


def test_a_boolean_is_answered_as_a_digit(host: Host) -> None:
    """SCPI-1999 7.3: ON, OFF or a number, rounded; answered 1 or 0."""
    for sent, shown in (("ON", "1"), ("OFF", "0"), ("0.6", "1"), ("0.4", "0"), ("-3", "1"), ("on", "1")):
        assert host.ask(f"CURR:PROT:STAT {sent};STAT?") == shown


def test_quotes_keep_semicolons_and_commas_together(host: Host) -> None:
    """IEEE 488.2 7.7.5: either quote, doubled inside."""
    assert host.ask("TEXT? 'a;b,c'") == '"a;b,c"'
    assert host.ask('TEXT? "say ""so"""') == '"say "so""'


def test_white_space_and_line_ends_of_any_kind_are_taken(host: Host) -> None:
    """IEEE 488.2 7.4.1.2: control characters are white space; clients send CR LF by default."""
    host.send(b"\r\n\n  \t \n;;\r\n")
    assert host.errors() == []
    assert host.ask(b" \x01 VOLT \t 4\r\n  VOLT?  \r\n") == "4"


def test_a_block_may_hold_line_feeds_and_semicolons(host: Host) -> None:
    """IEEE 488.2 7.7.6: a definite block is counted, not scanned."""
    payload = b"\n;,'\"#(\r\n" * 3
    host.send(b"LOAD " + block(payload) + b";:VOLT 3\n")
    assert host.ask("VOLT?") == "3"
    assert isinstance(host.double, Sample)
    assert host.double.loaded == payload


def test_a_block_where_none_belongs_swallows_nothing(host: Host) -> None:
    """A stray # may not eat the messages after it."""
    host.send(b"VOLT #9999999999\n")
    assert host.ask("VOLT?") == "1"
    assert host.errors() == [-168]


def test_a_message_too_long_is_one_overrun_and_the_next_is_read(host: Host) -> None:
    """SCPI-1999 21.8.17: -363."""
    host.send(b"VOLT 1" + b"0" * 100_000)
    host.send(b"0;" * 50_000 + b"\n")
    assert host.errors() == [-363]
    assert host.ask("VOLT?") == "1"


@given(st.binary(max_size=60), st.integers(1, 9))
def test_block_and_its_reader_are_inverse(payload: bytes, digits: int) -> None:
    assert block_content(block(payload, digits).decode("latin-1")) == payload


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20))
def test_string_and_its_reader_are_inverse(text: str) -> None:
    doubled = text.replace('"', '""')
    assert string(f'"{doubled}"') == text
    assert list(split(f'"{doubled}";x', ";"))[1:] == ["x"]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_float_is_read_back_exactly(value: float) -> None:
    assert number(repr(value).upper()) == value


def test_short_form_is_what_the_table_spells() -> None:
    assert [short(w) for w in ("VOLTage", "CHANnel2", "DATa", "BYT_Nr")] == ["VOLT", "CHAN2", "DAT", "BYT_N"]


def test_boolean_refuses_what_is_neither() -> None:
    with pytest.raises(ScpiError):
        boolean("YES")


def test_header_and_parameters_part() -> None:
    assert parse_unit(' :A:B2? 1 , "x,y",(@1,2) ') == (":A:B2?", ("1", '"x,y"', "(@1,2)"))
