"""Handheld doubles: pace, hops, keys, silence and what a port keeps."""

import pytest
from bench_talk import Host, steady
from benchrig.sim_instruments.serial_es51922 import Es51922Handheld
from benchrig.sim_instruments.serial_es51986 import Es51986Handheld
from benchrig.sim_instruments.serial_fs9721 import Fs9721Handheld
from benchrig.sim_instruments.serial_fs9922 import Fs9922Handheld
from benchrig.sim_instruments.serial_polled import PolledHandheld
from benchrig.sim_instruments.serial_prompt import PromptMeterDouble

from benchrig.clock import SimClock

TALKERS = {Fs9721Handheld: 14, Fs9922Handheld: 14, Es51922Handheld: 14, Es51986Handheld: 22}


@pytest.mark.parametrize("kind", TALKERS)
def test_one_frame_per_conversion_unasked(kind: type[Fs9721Handheld]) -> None:
    clock = SimClock(0.0)
    host = Host(kind(clock, {1: steady(1.234)}), clock)
    frames = [host.answer() for _ in range(10)]
    assert {len(frame) for frame in frames} == {TALKERS[kind]}
    assert clock.now() == pytest.approx(10 * host.double.interval, abs=0.1)  # type: ignore[attr-defined]


@pytest.mark.parametrize("kind", TALKERS)
def test_unread_frames_pile_up_to_what_a_port_holds(kind: type[Fs9721Handheld]) -> None:
    clock = SimClock(0.0)
    double = kind(clock, {1: steady(1.234)})
    clock.sleep_until(86_400.0)
    assert 4096 <= len(double.take()) <= 4096 + 2 * TALKERS[kind]
    assert Host(double, clock).answer()


def test_autorange_shows_an_overload_on_the_way_up() -> None:
    """400.0 mV, 4.000 V, then 12.34 V on 40.00 V: the frame of the data sheet's table."""
    clock = SimClock(0.0)
    host = Host(Fs9721Handheld(clock, {1: steady(12.34)}), clock)
    frames = [host.answer() for _ in range(4)]
    assert frames[0][3:7] == frames[1][3:7] or frames[0] != frames[2]
    assert frames[2] == frames[3] == bytes.fromhex("172035455B697F8297A0B0C0D4E0")


def test_hold_freezes_the_glass_of_one_family_and_not_the_wire_of_the_other() -> None:
    """ES51922 data sheet: serial stays live in HOLD, and AUTO ends; FS9721 sends its glass."""
    for kind, live in ((Fs9721Handheld, False), (Es51922Handheld, True)):
        clock = SimClock(0.0)
        inputs = {1: steady(1.0)}
        double = kind(clock, inputs)
        host = Host(double, clock)
        before = [host.answer() for _ in range(4)][-1]
        double.hold()
        inputs[1] = steady(1.5)
        after = [host.answer() for _ in range(3)][-1]
        assert (before[1:6] != after[1:6]) is live
        assert (after[11] & 0x03) if kind is Fs9721Handheld else (after[11] & 0x02)


def test_freeze_is_silence_and_reset_forgets_the_keys() -> None:
    clock = SimClock(0.0)
    double = Fs9721Handheld(clock, {1: steady(1.0)})
    double.freeze()
    clock.sleep_until(60.0)
    assert double.take() == b""
    assert double.due() is None
    double.freeze(False)
    double.hold()
    double.low_battery()
    double.reset()
    frame = Host(double, clock).answer()
    assert not frame[11] & 0x01
    assert frame[12] & 0x01


def test_the_polled_meter_answers_once_per_question() -> None:
    clock = SimClock(0.0)
    double = PolledHandheld(clock, {1: steady(3.0)})
    clock.sleep_until(5.0)
    host = Host(double, clock)
    assert double.take() == b""
    assert host.ask(b"D") == "DC  3.000   V"
    assert host.ask(b"x") == ""


def test_prompt_meter_answers_then_prompts() -> None:
    """Fluke 45 manual: =>, ?>, !>; joined answers before the prompt; a bad command ends its line."""
    clock = SimClock(0.0)
    host = Host(PromptMeterDouble(clock, {1: steady(1.2345)}), clock)
    clock.sleep_until(10.0)
    host.ask("MEAS1?")
    host.ask("MEAS1?")
    assert host.ask("FUNC1?;AUTO?") == "VDC;1\r\n=>"
    assert host.ask("VAL1?").startswith("+1.234")
    assert host.ask("VALL1?") == "?>"
    assert host.ask("MEAS2?") == "!>"
    assert host.ask("AUTO?;NONSENSE;AUTO?") == "1\r\n?>"


def test_an_echoing_prompt_meter_says_the_line_first() -> None:
    clock = SimClock(0.0)
    host = Host(PromptMeterDouble(clock, {1: steady(1.0)}, echo=True), clock)
    assert host.ask("RATE?") == "RATE?\r\nS\r\n=>"


def test_a_line_sent_before_the_prompt_is_lost() -> None:
    """Fluke 8808A manual: device-dependent error, and the string is thrown away."""
    clock = SimClock(0.0)
    host = Host(PromptMeterDouble(clock, {1: steady(1.0)}), clock)
    host.send("MEAS1?")
    host.send("RATE?")
    assert host.answer().count(b"=>") == 1
    assert host.ask("*ESR?") == "8\r\n=>"
