"""However a soak ends, it switches off what it was told to: with no descriptor left, with no module to be had, by a
signal, by a terminal that has gone.
"""

import signal
import subprocess
import sys

import pytest
from rail_soak import wait_for, write_bench, write_soak

from benchrig.instruments import load_stand_in

STARVED = """
import os, resource, sys, threading, time
from importlib.abc import MetaPathFinder

resource.setrlimit(resource.RLIMIT_NOFILE, (256, 256))
hungry = os.path.join(os.getcwd(), "hungry")


class NoMore(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if os.path.exists(hungry):
            os.write(2, f"IMPORT {name}\\n".encode())
            raise OSError(24, "Too many open files", name)


def eat():
    while not os.path.exists(hungry):
        time.sleep(0.02)
    held = []
    while True:
        try:
            held.append(os.open(os.devnull, os.O_RDONLY))
        except OSError:
            break
    os.close(held.pop())  # one for the word that it is so
    held.append(os.open(os.path.join(os.getcwd(), "starved"), os.O_CREAT | os.O_WRONLY))
    time.sleep(600)


sys.meta_path.insert(0, NoMore())
threading.Thread(target=eat, daemon=True).start()
from benchrig.cli import run
sys.exit(run(sys.argv[1:]))
"""
ALARMS = """
[alarms]
sound = "off"

[[alarms.command]]
run = ["touch", "told"]

[[alarms.webhook]]
url = "http://localhost:9/bench"
"""


@pytest.fixture
def doubles():
    with load_stand_in("launch")("skerry14", 0) as doubles:
        yield doubles


def start(folder, doubles, *command, alarms=""):
    """A soak of a rail; its first readings taken."""
    write_bench(folder / "bench.toml", doubles, alarms)
    write_soak(folder / "rail.toml")
    words = ["soak", "rail.toml", "--bench", "bench.toml", "--absent", "--json", "--store", "record.sqlite"]
    with (folder / "out.jsonl").open("w") as out, (folder / "err.txt").open("w") as err:
        soak = subprocess.Popen([sys.executable, *command, *words], cwd=folder, stdout=out, stderr=err)
    wait_for(lambda: '"kind": "soak"' in (folder / "out.jsonl").read_text())
    return soak


def test_without_a_descriptor_or_a_module_left_the_end_still_switches_off_and_calls(tmp_path, doubles):
    """Everything that the process may open is used up, and nothing more can be imported."""
    soak = start(tmp_path, doubles, "-c", STARVED, alarms=ALARMS)
    try:
        (tmp_path / "hungry").touch()
        wait_for(lambda: (tmp_path / "starved").exists())
        doubles.hands.fault("dead +12 V")
        wait_for(lambda: "Supply switched off" in (tmp_path / "out.jsonl").read_text())
        wait_for(lambda: (tmp_path / "told").exists())
        subprocess.run([sys.executable, "-m", "benchrig", "ack", "--store", "record.sqlite"], cwd=tmp_path, check=True)
        assert soak.wait(60) == 1
    finally:
        doubles.hands.fault("dead +12 V", False)
        soak.kill()
        soak.wait()
    assert "IMPORT" not in (tmp_path / "err.txt").read_text()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_ends_a_watch_with_the_supply_off(tmp_path, doubles, number):
    soak = start(tmp_path, doubles, "-m", "benchrig")
    try:
        soak.send_signal(number)
        assert soak.wait(60) == 3
    finally:
        soak.kill()
        soak.wait()
    assert "Supply switched off" in (tmp_path / "out.jsonl").read_text()
