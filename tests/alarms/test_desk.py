"""The shell: inline on a simulated clock, threads on a real one; nobody waits for a caller."""

import threading
import time
from datetime import UTC, datetime

import pytest

from benchrig.alarms import AlarmError, Alarms, Policy, caller_queue, remote_ack
from benchrig.alarms.types import Alarm
from benchrig.clock import RealClock, SimClock
from benchrig.errors import FileError

AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


class Sink:
    """A caller that can be down."""

    least = "warning"

    def __init__(self, name="sink", down=False):
        self.name = name
        self.down = down
        self.tries = 0
        self.got = []

    def call(self, alarm):
        self.tries += 1
        if self.down:
            raise AlarmError("No answer from the sink.")
        self.got.append(alarm)


def alarm(key, number=1):
    return Alarm(key, "warning", key, "", "SK14-0231", "", AT, number)


def pass_time(alarms, clock, seconds, step=1.0):
    until = clock.now() + seconds
    while clock.now() < until:
        clock.sleep_until(clock.now() + step)
        alarms.tick()


def test_what_could_not_be_told_is_told_once_when_the_sink_is_back():
    """Down for an hour with repeats each five minutes: one telling, the newest, and no doubles after it."""
    clock, sink, told = SimClock(), Sink(down=True), []
    alarms = Alarms([sink], clock, told.append, policy=Policy(repeat=300.0))
    alarms.raise_("tp1", "warning", "TP1 low")
    pass_time(alarms, clock, 3601.0)
    assert sink.got == []
    sink.down = False
    pass_time(alarms, clock, 130.0)
    assert [it.number for it in sink.got] == [13]
    said = [notice.words for notice in told if notice.kind == "said"]
    assert len(said) == 2
    assert "cannot be reached" in said[0]
    assert "can be reached again" in said[1]
    pass_time(alarms, clock, 300.0)
    assert [it.number for it in sink.got] == [13, 14]


def test_back_off_grows_and_is_bounded():
    clock, sink = SimClock(), Sink(down=True)
    alarms = Alarms([sink], clock, policy=Policy(repeat=100_000.0))
    alarms.raise_("tp1", "warning", "TP1 low")
    pass_time(alarms, clock, 3600.0)
    assert 3600 / 120 - 2 < sink.tries < 3600 / 120 + 8


def test_something_new_is_tried_at_once_whatever_failed_before():
    clock, sink = SimClock(), Sink(down=True)
    alarms = Alarms([sink], clock)
    alarms.raise_("tp1", "warning", "TP1 low")
    pass_time(alarms, clock, 200.0)
    sink.down = False
    alarms.raise_("tp2", "warning", "TP2 low")
    assert {it.key for it in sink.got} == {"tp1", "tp2"}


def test_an_acknowledged_alarm_is_withdrawn_from_what_waits():
    """Nobody is woken by what somebody has dealt with already."""
    clock, sink = SimClock(), Sink(down=True)
    alarms = Alarms([sink], clock)
    alarms.raise_("tp1", "warning", "TP1 low")
    assert alarms.acknowledge(by="Ida") == 1
    sink.down = False
    pass_time(alarms, clock, 1000.0)
    assert sink.got == []


def test_a_caller_is_only_told_what_is_severe_enough():
    clock, sink = SimClock(), Sink()
    sink.least = "stop"
    alarms = Alarms([sink], clock)
    alarms.raise_("tp1", "warning", "TP1 low")
    alarms.raise_("tp2", "stop", "TP2 out")
    assert [it.key for it in sink.got] == ["tp2"]


@pytest.mark.parametrize("error", [AlarmError("some got it", again=False), None])
def test_what_partly_arrived_is_not_told_again(error):
    clock, told = SimClock(), []

    class Half(Sink):
        def call(self, alarm):
            self.tries += 1
            if error:
                raise error

    sink = Half()
    alarms = Alarms([sink], clock, told.append)
    alarms.raise_("tp1", "warning", "TP1 low")
    pass_time(alarms, clock, 200.0)
    assert sink.tries == 1
    assert any("not reach everybody" in getattr(notice, "words", "") for notice in told) is bool(error)


def test_a_caller_from_outside_that_raises_anything_stops_nothing():
    clock, told = SimClock(), []

    class Broken(Sink):
        def call(self, alarm):
            raise ZeroDivisionError("x")

    sound = Sink("sound")
    alarms = Alarms([Broken(), sound], clock, told.append)
    alarms.raise_("tp1", "warning", "TP1 low")
    alarms.tick()
    assert len(sound.got) == 1
    assert any("ZeroDivisionError" in getattr(notice, "words", "") for notice in told)


def test_a_slow_caller_holds_nobody_up():
    """Threads on a real clock: raising returns while the caller is still at it, and the other caller has told."""
    gate, entered = threading.Event(), threading.Event()

    class Slow(Sink):
        def call(self, alarm):
            entered.set()
            gate.wait(10)
            super().call(alarm)

    slow, quick = Slow("slow"), Sink("quick")
    alarms = Alarms([slow, quick], RealClock())
    alarms.raise_("tp1", "stop", "TP1 low")
    assert entered.wait(5)
    assert slow.got == []
    alarms.raise_("tp2", "stop", "TP2 low")
    gate.set()
    assert alarms.close() == ()
    assert [it.key for it in slow.got] == ["tp1", "tp2"]
    assert [it.key for it in quick.got] == ["tp1", "tp2"]


class Watched(RealClock):
    """A real clock that can be put on."""

    ahead = 0.0

    def now(self):
        return super().now() + self.ahead


def test_a_caller_that_does_not_come_back_is_said_once():
    """From outside it may do anything; whoever relies on it should know."""
    gate, entered, told, clock = threading.Event(), threading.Event(), [], Watched()

    class Hanging(Sink):
        def call(self, alarm):
            entered.set()
            gate.wait(20)

    alarms = Alarms([Hanging("pager")], clock, told.append)
    alarms.raise_("tp1", "stop", "TP1 low")
    assert entered.wait(5)
    said = []
    for clock.ahead in (60.0, 119.0, 125.0, 130.0, 300.0):
        alarms.tick()
        said.append([it.words for it in told if it.kind == "said"])
    assert said == [[], [], *[["pager does not come back from a call"]] * 3]
    gate.set()
    assert alarms.close() == ()


def test_closing_says_what_could_not_be_told():
    """It waits no longer than it is told to."""
    alarms = Alarms([Sink(down=True)], RealClock())
    alarms.raise_("tp1", "stop", "TP1 low")
    began = time.monotonic()
    (words,) = alarms.close(timeout=0.2)
    assert time.monotonic() - began < 2.0
    assert "TP1 low" in words


def test_closing_tries_what_waits_once_more_at_once():
    """The sink came back while its back-off was running."""
    sink = Sink(down=True)
    alarms = Alarms([sink], RealClock())
    alarms.raise_("tp1", "stop", "TP1 low")
    until = time.monotonic() + 5
    while not sink.tries:
        assert time.monotonic() < until
    sink.down = False
    assert alarms.close(timeout=5.0) == ()
    assert len(sink.got) == 1


def test_a_display_that_is_slow_holds_up_no_caller():
    """A terminal that was stopped with Ctrl-S: another thread's calls return, and everybody is told."""
    gate, entered = threading.Event(), threading.Event()

    def stuck(notice):
        entered.set()
        gate.wait(10)

    sink = Sink()
    alarms = Alarms([sink], RealClock(), stuck)
    thread = threading.Thread(target=alarms.raise_, args=("tp1", "stop", "TP1 low"))
    thread.start()
    assert entered.wait(5)
    other = threading.Thread(target=alarms.acknowledge, args=("none",))
    other.start()
    other.join(5)
    assert not other.is_alive()
    gate.set()
    thread.join()
    alarms.close()
    assert len(sink.got) == 1


def test_memory_is_bounded_whatever_is_offered():
    wait = caller_queue.Waiting()
    for i in range(10_000):
        wait = caller_queue.offered(wait, alarm(f"k{i}"))
    assert len(wait.alarms) == caller_queue.MOST_WAITING
    assert wait.alarms[-1].key == "k9999"


def test_what_was_overtaken_while_it_was_told_stays_to_be_told():
    """Number 1 arrives while number 2 is offered: number 2 is still due."""
    wait = caller_queue.offered(caller_queue.Waiting(), alarm("tp1", 1))
    in_flight = caller_queue.due(wait, 0.0)
    wait = caller_queue.offered(wait, alarm("tp1", 2))
    wait = caller_queue.delivered(wait, in_flight)
    assert caller_queue.due(wait, 0.0).number == 2


def test_a_note_beside_the_record_acknowledges(tmp_path):
    clock, told = SimClock(), []
    record = tmp_path / "record.sqlite"
    alarms = Alarms([], clock, told.append, record=record)
    alarms.raise_("tp1", "stop", "TP1 low")
    alarms.raise_("tp2", "stop", "TP2 low")
    remote_ack.leave(record, "Ida\tx\r\n", "tp2")
    pass_time(alarms, clock, 2.0)
    assert [(it.key, it.by) for it in told if it.kind == "alarm acknowledged"] == [("tp2", "Ida?x??")]
    remote_ack.leave(record, "Ida")
    pass_time(alarms, clock, 2.0)
    assert all(it.acknowledged for it in alarms.open)
    assert list(tmp_path.iterdir()) == []


def test_a_note_that_is_cut_names_no_alarm_and_so_not_all_of_them(tmp_path):
    """A line without its end: a disk that was full, or more notes than anybody leaves."""
    record = tmp_path / "record.sqlite"
    remote_ack.place(record).write_text("Ida\ttp1\nIda\t")
    assert remote_ack.take(record) == [("Ida", "tp1")]
    remote_ack.place(record).write_text("Ida\ttp1\n" * 2_000_000)
    assert set(remote_ack.take(record)) == {("Ida", "tp1")}


def test_a_note_that_cannot_be_left_is_a_plain_error(tmp_path):
    with pytest.raises(FileError, match="Check the folder"):
        remote_ack.leave(tmp_path / "none" / "record.sqlite", "Ida")
