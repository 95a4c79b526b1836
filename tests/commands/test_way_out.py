"""A request to end from outside, twice: the way out that the first has begun is gone to its end."""

import signal
import subprocess
import sys

import pytest

PROGRAM = """
import time
from benchrig.commands.options import orderly

with orderly():
    try:
        print("open", flush=True)
        time.sleep(30.0)
    finally:
        print("leaving", flush=True)
        time.sleep(0.5)
        print("closed", flush=True)
"""


@pytest.mark.parametrize("second", [signal.SIGHUP, signal.SIGTERM])
def test_a_second_request_does_not_cut_the_way_out_short(second):
    """A terminal that closes sends SIGHUP to the program and to its group: that is two."""
    with subprocess.Popen([sys.executable, "-c", PROGRAM], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as job:
        assert job.stdout is not None
        assert job.stdout.readline() == b"open\n"
        job.send_signal(signal.SIGHUP)
        assert job.stdout.readline() == b"leaving\n"
        job.send_signal(second)
        assert job.stdout.readline() == b"closed\n"
