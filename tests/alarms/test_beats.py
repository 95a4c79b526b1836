"""The process beside a watch: silent while it beats and when it takes its leave, loud when it is gone or hangs."""

import os
import threading
import time
from contextlib import suppress

import pytest

from benchrig.alarms import Alarms
from benchrig.alarms.heartbeat import ASKING, BEAT, KEY, LEAVE, Beats, listen
from benchrig.clock import RealClock


class Sink:
    """A caller that keeps what it is told."""

    name = "sink"
    least = "warning"

    def __init__(self):
        self.told = []

    def call(self, alarm):
        self.told.append(alarm)


@pytest.fixture
def listening():
    """(the watch's end of the pipe, what was told, the alarms, the thread that listens)."""
    reader, writer = os.pipe()
    sink, clock = Sink(), RealClock()
    alarms = Alarms([sink], clock)
    thread = threading.Thread(target=listen, args=(reader, alarms, clock, 1.0))
    thread.start()
    with open(writer, "wb", buffering=0) as pipe:
        yield pipe, sink, alarms, thread
    alarms.acknowledge()
    thread.join(10.0)
    assert not thread.is_alive()
    alarms.close()
    os.close(reader)


def until(condition, seconds=10.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.02)


def test_a_watch_that_takes_its_leave_is_not_told_of(listening):
    """Beats, then the leave: the listener ends by itself."""
    pipe, sink, _, thread = listening
    pipe.write(BEAT + LEAVE)
    thread.join(10.0)
    assert not thread.is_alive()
    assert sink.told == []


def test_a_watch_that_is_gone_without_a_word_is_told_of_until_somebody_takes_note(listening):
    """The pipe's end is what a killed process leaves behind."""
    pipe, sink, alarms, thread = listening
    pipe.write(BEAT)
    pipe.close()
    until(lambda: sink.told)
    assert (sink.told[0].key, sink.told[0].severity) == (KEY, "stop")
    assert "may still be on" in sink.told[0].words
    assert thread.is_alive()
    alarms.acknowledge(by="Ida")
    thread.join(10.0)
    assert not thread.is_alive()


def test_a_watch_that_hangs_is_told_of_and_cleared_when_it_is_heard_again(listening):
    """Silence for a second here; two minutes at the bench."""
    pipe, sink, alarms, _ = listening
    pipe.write(BEAT)
    until(lambda: sink.told)
    assert sink.told[0].title == "The watch answers no more"
    pipe.write(BEAT)
    until(lambda: not any(it.alarm.active for it in alarms.open))
    pipe.write(LEAVE)


def test_a_person_who_is_asked_may_take_as_long_as_they_like(listening):
    """Three times the silence that would be told of otherwise."""
    pipe, sink, _, _ = listening
    pipe.write(BEAT + ASKING)
    time.sleep(3.0)
    assert sink.told == []
    pipe.write(BEAT)
    until(lambda: sink.told)
    pipe.write(LEAVE)


def test_a_watch_whose_lookout_died_says_so_once_and_goes_on():
    """A pipe that nobody reads."""
    reader, writer = os.pipe()
    os.close(reader)
    said = []
    with open(writer, "wb", buffering=0) as pipe:
        beats = Beats(pipe, RealClock(), said.append)
        beats.beat()
        beats.asking()
        beats.leave()
    assert len(said) == 1
    assert "lookout is gone" in said[0]


def test_a_lookout_that_hangs_holds_no_watch_up():
    """Its pipe is full, after a day and a half of beats: the watch goes on, and says so."""
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writer, bytes(4096))
    os.set_blocking(writer, True)
    said = []
    with open(writer, "wb", buffering=0) as pipe:
        thread = threading.Thread(target=Beats(pipe, RealClock(), said.append).beat, daemon=True)
        thread.start()
        thread.join(5.0)
        waiting = thread.is_alive()
        os.close(reader)  # lets a beat that waits go
    assert not waiting
    assert "lookout is gone" in said[0]


def test_beats_that_go_nowhere_do_nothing():
    """Where the bench file names nobody."""
    beats = Beats(None, RealClock(), pytest.fail)
    beats.beat()
    beats.asking()
    beats.leave()
