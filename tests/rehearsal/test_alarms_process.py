"""`benchrig soak` as a process of its own, its alarms to a mail server and a web hook that are not ours."""

import json
import os
import subprocess
import sys

import pytest
from rail_soak import WRONG, wait_for, write_bench, write_soak

from benchrig.instruments import load_stand_in

sys.path.insert(0, os.path.join(os.path.dirname(__file__), "..", "alarms"))
from sinks import Hook, Mailbox, free_port, http_sink, smtp_sink

ALARMS = """
[alarms]
repeat = "10 s"
sound = "off"

[[alarms.email]]
host = "127.0.0.1"
port = {smtp}
security = "none"
from = "bench@lantern-lane.example"
to = ["ida@lantern-lane.example"]

[[alarms.webhook]]
url_env = "BENCH_HOOK"
"""
PROGRAM = [sys.executable, "-m", "benchrig"]


@pytest.fixture
def bench(tmp_path):
    """A folder with a procedure whose rail is out of its window, and a bench of served doubles."""
    with load_stand_in("launch")("skerry14", 0) as doubles:
        ports = {"smtp": free_port(), "http": free_port()}
        write_bench(tmp_path / "bench.toml", doubles, ALARMS.format(**ports))
        write_soak(tmp_path / "rail.toml", window=WRONG)
        yield tmp_path, ports


def start(folder, ports, *words):
    """The soak as a process; what it says goes to out.txt."""
    environment = {**os.environ, "BENCH_HOOK": f"http://127.0.0.1:{ports['http']}/bench"}
    command = [*PROGRAM, "soak", "rail.toml", "--bench", "bench.toml", "--serial", "SK14-0231", *words]
    with (folder / "out.txt").open("w") as out:
        return subprocess.Popen(command, cwd=folder, env=environment, stdout=out, stderr=subprocess.STDOUT)


def test_everybody_is_told_once_also_who_was_away_and_again_until_it_was_acknowledged(bench):
    """A rail is not acceptable: the soak ends, and says so until `benchrig ack`; the hook comes late."""
    folder, ports = bench
    mailbox, hook = Mailbox(), Hook()
    with smtp_sink(mailbox, ports["smtp"]):
        soak = start(folder, ports, "--absent", "--json", "--store", "record.sqlite")
        try:
            wait_for(lambda: mailbox.mails and "webhook cannot be reached" in (folder / "out.txt").read_text())
            with http_sink(hook, ports["http"]):
                wait_for(lambda: hook.got)
                if os.environ.get("BENCHRIG_HEAVY"):
                    wait_for(lambda: len(mailbox.mails) >= 3)
                assert soak.poll() is None
                subprocess.run([*PROGRAM, "ack", "--by", "Ida", "--store", "record.sqlite"], cwd=folder, check=True)
                assert soak.wait(30) == 1
        finally:
            soak.kill()
            soak.wait()
    assert "SK14-0231" in mailbox.mails[0]["Subject"]
    for ids in ([str(mail["Message-ID"]) for mail in mailbox.mails], [body["id"] for _, body in hook.got]):
        assert len(set(ids)) == len(ids)
    told = [json.loads(line) for line in (folder / "out.txt").read_text().splitlines() if line.startswith("{")]
    assert any(it["kind"] == "alarm acknowledged" and it["by"] == "Ida" for it in told)
    assert any(it["kind"] == "said" and "`benchrig ack`" in it["words"] for it in told)  # beside no live screen


def test_trying_the_alarms_says_who_was_reached(bench):
    folder, ports = bench
    with smtp_sink(Mailbox(), ports["smtp"]):
        assert start(folder, ports, "--try-alarms").wait(30) == 1
    words = (folder / "out.txt").read_text()
    assert "told     email" in words
    assert "NOT TOLD webhook: No answer from 127.0.0.1" in words


def test_a_watch_that_is_killed_is_told_of_by_the_process_beside_it_until_it_is_acknowledged(bench):
    """`kill -9` in the middle of a quiet soak: somebody hears that nobody watches, and that the unit may be on."""
    folder, ports = bench
    write_soak(folder / "rail.toml")
    mailbox = Mailbox()
    with smtp_sink(mailbox, ports["smtp"]):
        soak = start(folder, ports, "--absent", "--json", "--store", "record.sqlite")
        wait_for(lambda: '"kind": "soak"' in (folder / "out.txt").read_text())
        children = subprocess.run(["pgrep", "-P", str(soak.pid)], capture_output=True, text=True, check=True).stdout
        soak.kill()
        soak.wait()
        wait_for(lambda: mailbox.mails)
        assert "ended without a word" in mailbox.mails[0]["Subject"]
        assert all(os.path.exists(f"/proc/{pid}") for pid in children.split())
        subprocess.run([*PROGRAM, "ack", "--by", "Ida", "--store", "record.sqlite"], cwd=folder, check=True)
        wait_for(lambda: not any(os.path.exists(f"/proc/{pid}") for pid in children.split()))


def test_a_watch_that_is_ended_on_purpose_is_not_told_of(bench):
    """SIGTERM is a way out: no mail, and nothing of it is left running."""
    folder, ports = bench
    write_soak(folder / "rail.toml")
    mailbox = Mailbox()
    with smtp_sink(mailbox, ports["smtp"]):
        soak = start(folder, ports, "--absent", "--json", "--store", "record.sqlite")
        wait_for(lambda: '"kind": "soak"' in (folder / "out.txt").read_text())
        children = subprocess.run(["pgrep", "-P", str(soak.pid)], capture_output=True, text=True, check=True).stdout
        soak.terminate()
        soak.wait(30)
        wait_for(lambda: not any(os.path.exists(f"/proc/{pid}") for pid in children.split()))
    assert not any("without a word" in str(mail["Subject"]) for mail in mailbox.mails)
