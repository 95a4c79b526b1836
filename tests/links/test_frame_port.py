"""What is shown of a meter that talks by itself is its newest frame, and never an old one from the queue."""

from __future__ import annotations

from collections import deque

import pytest
from far_ends import PtyEnd, pty_end

from benchrig.clock import RealClock, SimClock
from benchrig.errors import FrameError, LinkLost, LinkTimeout
from benchrig.links import open_link
from benchrig.links.frame_port import NOISE_LIMIT, FramePort
from benchrig.wire.frames import FixedFrames


class Bytes:
    """A link whose bytes come at given clock times."""

    address = "serial:///test"

    def __init__(self, clock: SimClock, *arrivals: tuple[float, bytes]) -> None:
        self.clock = clock
        self.arrivals = deque(arrivals)

    def write(self, data: bytes) -> None: ...

    def read(self, deadline: float) -> bytes:
        if not self.arrivals or self.arrivals[0][0] > max(deadline, self.clock.now()):
            self.clock.sleep_until(deadline)
            return b""
        due, data = self.arrivals.popleft()
        self.clock.sleep_until(due)
        return data

    def close(self) -> None: ...


def frame(number: int) -> bytes:
    return b"\x02" + b"%06d" % number + b"\x03"


def framer() -> FixedFrames:
    return FixedFrames(8, lambda found: found[0] == 2 and found[-1] == 3)


def port_with(*arrivals: tuple[float, bytes]) -> tuple[SimClock, FramePort]:
    clock = SimClock()
    return clock, FramePort(Bytes(clock, *arrivals), clock, framer(), keep=0.4)


def test_the_newest_of_several_frames_is_handed_out() -> None:
    clock, port = port_with((0.1, frame(1) + frame(2)), (0.1, frame(3)), (0.5, frame(4)))
    assert port.newest(5.0).frame == frame(3)
    found = port.newest(5.0)
    assert (found.frame, found.time, found.late) == (frame(4), 0.5, 0.0)
    assert clock.now() == 0.5


def test_a_frame_found_waiting_says_how_much_older_it_may_be() -> None:
    clock, port = port_with((0.2, frame(1)))
    clock.sleep_until(0.3)
    found = port.newest(0.3)
    assert (found.frame, found.time, found.late) == (frame(1), 0.3, pytest.approx(0.3))


def test_frames_that_waited_too_long_are_dropped_and_the_next_is_awaited() -> None:
    clock, port = port_with((1.0, frame(1)), (8.0, frame(2)), (9.0, frame(3)), (10.3, frame(4)))
    clock.sleep_until(10.0)
    found = port.newest(12.0)
    assert (found.frame, found.time, found.late) == (frame(4), 10.3, 0.0)


def test_half_an_old_frame_is_not_joined_to_half_a_new_one() -> None:
    """Bytes lost in between: both halves fit together and are nobody's reading."""
    clock, port = port_with((1.0, frame(111111)[:4]), (10.1, frame(222222)[4:]), (10.2, frame(3)))
    clock.sleep_until(10.0)
    assert port.newest(12.0).frame == frame(3)


def test_silence_is_a_timeout_at_the_deadline() -> None:
    clock, port = port_with()
    with pytest.raises(LinkTimeout, match="no frame"):
        port.newest(3.0)
    assert clock.now() == 3.0


def test_noise_without_a_frame_is_an_error_not_an_endless_wait() -> None:
    _, port = port_with(*((0.1 * n, b"\xff" * 50) for n in range(1, 100)))
    with pytest.raises(FrameError, match="no frame of this meter"):
        port.newest(1000.0)
    assert NOISE_LIMIT < 50 * 100


def test_bytes_without_a_frame_are_not_called_silence() -> None:
    """A meter of another grammar sends too little in five intervals to pass for endless noise."""
    clock, port = port_with((0.3, b"\xff" * 28), (0.6, b"\xfe" * 28))
    with pytest.raises(FrameError, match=r"no frame of this meter.*fe fe"):
        port.newest(1.5)
    with pytest.raises(LinkTimeout):  # told once: silence after that is silence
        port.newest(3.0)
    assert clock.now() == 3.0


def fill(end: PtyEnd) -> None:
    """4096 bytes: as much as the operating system keeps for a reader that pauses."""
    for number in range(512):
        end.push(frame(number))


def test_a_backlog_of_4_kilobytes_delays_nothing_on_a_real_port() -> None:
    """The reader pauses, the queue fills; the next frame shown is the one that is sent then."""
    with pty_end() as end:
        clock = RealClock()
        link = open_link(f"serial://{end.path}?baud=2400", clock)
        port = FramePort(link, clock, framer(), keep=0.4)
        clock.sleep_until(clock.now() + 0.45)
        fill(end)
        with pytest.raises(LinkTimeout):
            port.newest(clock.now() + 0.05)
        end.push(frame(777777))
        assert port.newest(clock.now() + 5.0).frame == frame(777777)
        link.close()


def test_a_short_backlog_gives_its_newest_frame_at_once() -> None:
    with pty_end() as end:
        clock = RealClock()
        link = open_link(f"serial://{end.path}?baud=2400", clock)
        port = FramePort(link, clock, framer(), keep=60.0)
        for number in range(400):
            end.push(frame(number))
        found = port.newest(clock.now() + 5.0)
        assert found.frame == frame(399)
        link.close()


def test_an_unplugged_meter_is_lost_even_in_the_middle_of_a_frame() -> None:
    with pty_end() as end:
        clock = RealClock()
        link = open_link(f"serial://{end.path}", clock)
        port = FramePort(link, clock, framer(), keep=60.0)
        end.push(frame(1)[:5])
        assert link.read(clock.now() + 5.0)
        end.unplug()
        with pytest.raises(LinkLost):
            port.newest(clock.now() + 60.0)
        link.close()
