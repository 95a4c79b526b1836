"""Writing while the disk is full: what waits, what is lost, what is told."""

from pathlib import Path

import pytest

from benchrig.clock import SimClock
from benchrig.records.facts import StoreError
from benchrig.session import record_backlog
from benchrig.session.record_backlog import AGAIN, Keeping


class Disk:
    """Takes writes, or is full."""

    def __init__(self):
        self.full, self.written = False, []

    def write(self, what):
        def go():
            if self.full:
                raise StoreError("disk full", next_step="Free some space.")
            self.written.append(what)

        return go


@pytest.fixture
def bench():
    clock, told = SimClock(), []
    return clock, Disk(), Keeping(clock, lambda words, well: told.append((words, well))), told


def test_what_cannot_be_written_waits_and_keeps_its_order(bench):
    """Full for a while, then not."""
    clock, disk, keeping_, told = bench
    keeping_.do(disk.write(1))
    disk.full = True
    for what in (2, 3, 4):
        keeping_.do(disk.write(what))
        clock.sleep_until(clock.now() + 3.0 * AGAIN)
    assert disk.written == [1]
    disk.full = False
    clock.sleep_until(clock.now() + 3.0 * AGAIN)
    keeping_.flush()
    assert disk.written == [1, 2, 3, 4]
    assert [well for _, well in told] == [False, True]
    assert "disk full" in told[0][0]


def test_it_does_not_try_again_at_every_reading(bench):
    """A full disk is asked every few seconds."""
    clock, disk, keeping_, _ = bench
    disk.full = True
    keeping_.do(disk.write(1))
    disk.full = False
    keeping_.do(disk.write(2))
    assert disk.written == []
    clock.sleep_until(clock.now() + AGAIN)
    keeping_.flush()
    assert disk.written == [1, 2]


def test_what_waits_is_bounded_and_what_was_lost_is_told(bench, monkeypatch):
    """The oldest goes; how much is said when it is over."""
    monkeypatch.setattr(record_backlog, "MOST", 3)
    clock, disk, keeping_, told = bench
    disk.full = True
    for what in range(6):
        keeping_.do(disk.write(what))
    disk.full = False
    clock.sleep_until(clock.now() + AGAIN)
    keeping_.flush()
    assert disk.written == [3, 4, 5]
    assert keeping_.dropped == 3
    assert "3 writes were lost" in told[-1][0]


def test_a_real_file_that_became_read_only_is_written_again_afterwards(tmp_path, bench):
    """A file whose permission went and came."""
    clock, _, keeping_, _told = bench
    place = Path(tmp_path) / "record"
    allowed = False

    def write():
        if not allowed:
            raise StoreError("read-only")
        place.write_text("x")

    keeping_.do(write)
    allowed = True
    clock.sleep_until(clock.now() + AGAIN)
    keeping_.flush()
    assert place.read_text() == "x"
    assert keeping_.trouble == ""
