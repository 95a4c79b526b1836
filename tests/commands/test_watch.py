"""`benchrig watch`: a bar on a live reading, and the end of it before it can hurt."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from benchrig import cli
from benchrig.clock import SimClock
from benchrig.commands import watch, watch_loop
from benchrig.errors import FileError, Refused
from benchrig.instruments import Function, load_driver, load_stand_in
from benchrig.procedure.quantities import Measurement, MeterSource, ScopeSource
from benchrig.readings import Flag, Reading
from benchrig.session.scope_reader import require_harmless
from benchrig.signals.waveform import Waveform

VOLTS = MeterSource("meter", Function.DC_VOLTAGE)


@pytest.fixture(scope="module")
def doubles() -> Iterator[Any]:
    """The demo bench in a child process."""
    with load_stand_in("launch")("skerry14") as launched:
        yield launched


def begin(*arguments: str, **streams: Any) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", "from benchrig.cli import main; main()", *arguments]
    return subprocess.Popen(command, text=True, **streams)


def test_ctrl_c_is_no_error_and_readings_come_as_json(doubles: Any) -> None:
    """Said, reading and trim, until stopped; exit code 0."""
    where = doubles.addresses["meter"]
    child = begin("watch", where, "--target", "12 V", "--json", "--driver", "meter-scpi", stdout=subprocess.PIPE)
    assert child.stdout is not None
    kinds = [json.loads(child.stdout.readline())["kind"] for _ in range(6)]
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=10)
    assert child.returncode == 0
    assert kinds[0] == "said"
    assert {"reading", "trim"} <= set(kinds)


def test_q_ends_it_and_the_terminal_is_as_it_was(doubles: Any) -> None:
    """On a real pseudo-terminal: the bar is drawn, then echo and line mode are back."""
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    where = doubles.addresses["handheld"]
    child = begin(
        "watch", where, "--target", "12 V", "--driver", "fs9721", stdin=slave, stdout=slave, stderr=slave,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
    )  # fmt: skip
    seen = read_until(master, "target 12.00 V")
    os.write(master, b"q")
    while child.poll() is None:
        read_some(master)
    after = termios.tcgetattr(slave)
    os.close(master)
    os.close(slave)
    assert "target 12.00 V" in seen
    assert child.returncode == 0
    assert after == before


def read_some(fd: int) -> str:
    return os.read(fd, 65536).decode(errors="replace") if select.select([fd], [], [], 0.05)[0] else ""


def read_until(fd: int, words: str, patience: float = 15.0) -> str:
    seen, end = "", time.monotonic() + patience
    while words not in seen and time.monotonic() < end:
        seen += read_some(fd)
    return seen


def test_kilovolts_are_refused_before_anything_is_opened(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 5 and the way to do it properly; the address leads nowhere and is not tried."""
    where = ["TCPIP::192.0.2.1::5025::SOCKET", "--driver", "meter-scpi"]
    assert cli.run(["watch", *where, "--target", "9.40 kV"]) == 5
    assert "procedure" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("source", "value"),
    [
        (VOLTS, 60.1),
        (VOLTS, -60.1),
        (MeterSource("meter", Function.AC_VOLTAGE), 30.1),
        (ScopeSource("scope", 1, Measurement.RMS), 30.1),
        (ScopeSource("scope", 1, Measurement.PEAK_TO_PEAK), 42.5),
    ],
)
def test_a_reading_that_can_hurt_ends_it(source: Any, value: float) -> None:
    """Limits that the safety pages of published meter manuals give: 60 V DC, 30 V AC, 42.4 V peak."""
    with pytest.raises(Refused, match="can hurt"):
        watch_loop.check_reading(source, Reading(value, "V", flags=Flag.STALE), watch_loop.Overloads())


def test_an_overload_that_lasts_ends_it_and_a_passing_one_does_not() -> None:
    """A meter shows one while it changes its range; a second of it is something else."""
    overloads = watch_loop.Overloads()
    over = [Reading(None, "V", at, Flag.OVERLOAD) for at in (0.0, 0.4, 0.9, 1.0)]
    for reading in (*over[:3], Reading(12.0, "V", 0.95), over[3]):
        watch_loop.check_reading(VOLTS, reading, overloads)
    with pytest.raises(Refused, match="Overload"):
        watch_loop.check_reading(VOLTS, Reading(None, "V", 2.0, Flag.OVERLOAD), overloads)


def test_ohms_may_be_as_many_as_they_like() -> None:
    """No voltage, no limit; an open lead in ohms is overload and no danger."""
    ohms = MeterSource("meter", Function.RESISTANCE)
    overloads = watch_loop.Overloads()
    for at in (0.0, 2.0):
        watch_loop.check_reading(ohms, Reading(None, "ohm", at, Flag.OVERLOAD), overloads)
    watch_loop.check_reading(ohms, Reading(1e6, "ohm"), overloads)


def test_a_record_that_reaches_too_high_ends_it_whatever_is_measured_on_it() -> None:
    """The mean of a large swing about zero is small; its peaks are not."""
    require_harmless(Waveform(np.array([-42.0, 42.0] * 8), 1e-6))
    with pytest.raises(Refused, match="reaches"):
        require_harmless(Waveform(np.array([-50.0, 50.0] * 8), 1e-6))


@pytest.mark.parametrize(
    ("target", "window", "words"),
    [
        ("0 V", None, "needs a window"),
        ("5 V", ("6 V", "7 V"), "not in a window"),
        (None, ("7 V", "6 V"), "No reading stands between"),
        (None, ("5 V", "5 V"), "No reading stands between"),
        ("5 ohm", None, "is in ohm"),
    ],
)
def test_a_goal_that_is_none_is_refused(target: str | None, window: tuple[str, str] | None, words: str) -> None:
    with pytest.raises(FileError, match=words):
        watch.goal_of(VOLTS, target, window)


def test_a_scope_takes_measurements_and_a_meter_functions() -> None:
    assert watch.source_of("s", load_driver("scope-curve"), "high time", 2, None).unit == "s"
    assert watch.source_of("m", load_driver("fs9721"), None, 1, None).unit == "V"
    with pytest.raises(FileError, match="dc voltage"):
        watch.source_of("m", load_driver("fs9721"), "weight", 1, None)
    with pytest.raises(FileError, match="no readings"):
        watch.source_of("p", load_driver("supply-scpi"), None, 1, None)


class Shown:
    """A display that remembers."""

    def __init__(self) -> None:
        self.told: list[Any] = []

    def show(self, notice: Any) -> None:
        self.told.append(notice)

    def tick(self) -> None:
        pass

    def close(self) -> None:
        pass


class SteadyFeed:
    """Three readings a second of 12.0 V, and nothing between them; q after so many seconds."""

    def __init__(self, clock: SimClock, seconds: float) -> None:
        self._clock, self._ends, self._due = clock, seconds, 0.0

    def next(self, deadline: float) -> Any:
        if self._due <= deadline:
            self._clock.sleep_until(self._due)
            self._due += 1.0 / 3.0
            return Reading(12.0, "V", time=self._clock.now())
        self._clock.sleep_until(deadline)
        return None

    def poll(self) -> list[str]:
        return ["q"] if self._clock.now() > self._ends else []


def test_a_reading_that_stays_in_is_never_shown_as_old() -> None:
    """The end of one hold is the beginning of the next; nothing blinks between them."""
    clock, display = SimClock(), Shown()
    feed: Any = SteadyFeed(clock, 12.0)
    watch_loop.WatchLoop(VOLTS, watch.goal_of(VOLTS, "12 V", ("11.4 V", "12.6 V")), display, clock).run(feed, feed)
    views = [notice.view for notice in display.told if notice.kind == "trim"]
    first = next(i for i, view in enumerate(views) if view.value is not None)
    assert sum(notice.kind == "said" for notice in display.told) == 1
    assert len(views) > first + 10
    assert not any(view.stale or view.value is None for view in views[first:])
